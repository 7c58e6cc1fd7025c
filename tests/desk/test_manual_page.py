"""The manual as a page can be read by everybody, and the desk leads into it."""

from __future__ import annotations

import re
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from axe_page import grave
from desk_browser import AtWork, quiet

from oretally.io.cli import oretally
from oretally.io.desk_files import TABLES
from oretally.io.forms import kinds
from oretally.io.manual import manual_page, topics
from oretally.io.manual.reference import known_names

if TYPE_CHECKING:
    from playwright.sync_api import Browser


def test_every_way_from_the_desk_ends_somewhere() -> None:
    script = files("oretally.io").joinpath("desk/page/manual.js").read_text("utf-8")
    there = set(re.findall(r' id="([^"]+)"', manual_page(topics(oretally))))
    for table in ("PLACES", "KINDS"):
        body = script.split(f"const {table} = {{")[1].split("};")[0]
        ends = set(re.findall(r': "([\w-]+)"', body))
        assert ends
        assert ends <= there
    for name in known_names().keys() & {table.removesuffix(".csv") for table in TABLES}:
        assert f'{name}: "files-{name}-csv"' in script
    assert all(f'"{k.name}":' in body or f"{k.name}:" in body for k in kinds())
    for page in Path(str(files("oretally.io"))).joinpath("desk", "page").rglob("*.js"):
        for part in re.findall(r'manualLink\("([^"]+)"', page.read_text("utf-8")):
            assert re.search(rf'"?{part}"?: "', script), part


def test_from_a_cell_to_what_the_manual_says_of_it(at_work: AtWork, browser: Browser) -> None:
    at_work.copies("manual", "tin_table")
    hand, desk = at_work.hand(browser), at_work.desk
    hand.case(desk, "manual/tin_table")
    hand.to_cell("B2")
    hand.type("heavy", after="Enter")
    hand.settled()
    assert grave(hand.page) == []
    with hand.context.expect_page() as opened:
        hand.press("F1")
    manual = opened.value
    manual.on("request", lambda request: hand.seen.requests.append(request.url))
    manual.wait_for_url(f"{desk.origin}/manual#files-measurements-csv")
    manual.wait_for_selector("article")
    manual.wait_for_function(  # it stands there before its stylesheet is read
        "getComputedStyle(document.querySelector('nav')).position === 'sticky'"
    )
    assert grave(manual) == []  # as `oretally help --html` writes it, but for where its style is
    hand.page.click("#answer .faults a.manual")  # the same tab
    manual.wait_for_url("**/manual#cells")
    quiet(hand, desk)
    hand.context.close()
