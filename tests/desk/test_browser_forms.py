"""What forms offer: what is missing, what else circuit.toml says, the case that stays open."""

from __future__ import annotations

import re
import tomllib
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from desk_browser import AtWork, Hand, quiet

from oretally.io.forms import make_case

if TYPE_CHECKING:
    from playwright.sync_api import Browser


def test_what_is_missing_is_offered_where_it_is_told(at_work: AtWork, browser: Browser) -> None:
    folder, hand = at_work.copies("forms", "tin_table"), at_work.hand(browser)
    case = folder / "tin_table"
    text = (case / "circuit.toml").read_text("utf-8")
    rules = text[text.index("[errors]") : text.index("[report]")]
    (case / "circuit.toml").write_text(text.replace(rules, ""), "utf-8")
    (case / "lab.csv").unlink()
    with (case / "measurements.csv").open("a", encoding="utf-8") as file:
        file.write("slimes,400,,0.5,\n")
    hand.case(at_work.desk, "forms/tin_table")
    page = hand.page
    assert "things to mend" in hand.answer()
    assert not page.query_selector("#drawing .faulty")  # a number is wrong, no stream is

    page.click('button:text-is("Add the stream")')
    page.wait_for_selector('[data-key="new from"]:focus')
    assert page.input_value('[data-key="new name"]') == "slimes"
    hand.type("table", after="Enter")
    page.wait_for_selector('tr[data-stream="slimes"]')
    for size in ("0.3", "3"):  # there is no [errors] yet
        hand.settled()
        page.click('button:text-is("State it once for all rows") >> nth=0')
        page.wait_for_selector('[data-key="new relative"]:focus')
        hand.type(size, after="Enter")
        page.wait_for_selector('[data-key="new quantity"]:focus')
    hand.settled()
    assert "Recovered" in hand.answer()
    fill_in_forms(hand)
    hand.press("Control+s")
    page.wait_for_selector('#saved[data-unsaved="false"]')
    written = tomllib.loads((case / "circuit.toml").read_text("utf-8"))
    assert written["errors"] == {"dry mass": {"relative": 0.3}, "Sn": {"relative": 3}}
    assert written["analytes"]["Sn"] == {"unit": "%", "max": 78.8}
    assert written["sources"] == {
        "floor scale": {"of": ["dry mass", "wet mass"], "relative": 0.4, "shared": True}
    }
    assert written["doubts"] == {"measurement": 2}
    assert written["prices"] == {"Sn": "24 EUR/kg"}
    assert written["lab"] == {"columns": {"pair": "Orig ID"}, "types": {"DUP": "duplicate"}}

    page.click('button:text-is("Large")')  # the drawing, as large as the window
    page.wait_for_selector("#drawing.large")
    assert page.locator("#drawing").bounding_box() == {"x": 0, "y": 0, "width": 1280, "height": 900}
    hand.press("Escape")
    page.wait_for_selector("#drawing:not(.large)")

    page.reload()  # F5: the same case
    page.wait_for_selector('#path:text-is("forms/tin_table")')
    quiet(hand, at_work.desk)
    hand.context.close()


def fill_in_forms(hand: Hand) -> None:
    """Each form by keyboard, from its title on."""
    page = hand.page
    for key in ("analytes", "sources", "doubts", "metal prices", "lab"):
        page.focus(f'[data-key="form {key}"] summary')
        hand.press("Enter")
    page.fill('[data-key="analytes Sn max"]', "78.8")
    hand.press("Tab")
    page.focus('[data-key="sources new name 0"]')
    hand.type("floor scale", "dry mass; wet mass", "", "0.4", "")
    hand.press("Space", "Tab", "Enter")
    page.wait_for_selector('[data-key="sources floor scale of"]')
    page.wait_for_selector('[data-key="sources new name 0"]:focus')
    page.focus('[data-key="doubts new name 0"]')
    hand.type("measurement")
    hand.type("2", after="Enter")
    page.wait_for_selector('[data-key="doubts measurement percent"]')
    page.focus('[data-key="prices new name 0"]')
    hand.type("Sn")
    hand.type("24 EUR/kg", after="Enter")
    page.wait_for_selector('[data-key="prices Sn price"]')
    page.fill('[data-key="lab column pair"]', "Orig ID")
    hand.press("Tab")
    hand.stands("lab column pair", "Orig ID")
    page.fill('[data-key="lab types new name 0"]', "DUP")
    page.select_option('[data-key="lab types new type"]', "duplicate")
    page.press('[data-key="lab types new name 0"]', "Enter")
    page.wait_for_selector('[data-key="lab types DUP delete"]')
    hand.settled()  # "78.8" is picked out to be typed over: it must not be drawn anew then
    page.fill('[data-key="analytes Sn max"]', "178")
    hand.press("Tab")
    page.wait_for_selector('[data-key="form analytes"] tr.fault:has-text("at most 100 %")')
    hand.press("Control+z")
    hand.settled()


def test_what_is_being_typed_outlasts_what_is_drawn_anew(at_work: AtWork, browser: Browser) -> None:
    at_work.copies("typed", "tin_table")
    hand = at_work.hand(browser)
    page = hand.page
    hand.case(at_work.desk, "typed/tin_table")
    hand.settled()
    title = page.input_value('[data-key="title"]')
    page.fill('[data-key="title"]', "Another")
    page.focus('[data-key="new name"]')
    hand.stands("title", "Another")
    hand.type("slimes")  # on to where the new stream comes from
    hand.press("Control+z")
    hand.stands("title", title)  # all fields are other ones by now
    hand.type("table", after="Enter")
    page.wait_for_selector('tr[data-stream="slimes"]')
    page.wait_for_selector('[data-key="new name"]:focus')
    page.focus('[data-key="title"]')
    hand.press("Control+a", "Control+z")
    page.wait_for_selector('tr[data-stream="slimes"]', state="detached")
    hand.type("All of it")
    hand.stands("title", "All of it")
    quiet(hand, at_work.desk)
    hand.context.close()


def test_what_cannot_be_written_to_says_so_in_one_line(at_work: AtWork, browser: Browser) -> None:
    from openpyxl import load_workbook

    hand = at_work.hand(browser)
    book = at_work.folder / "computed.xlsx"
    make_case(book, "tin_table")
    opened = load_workbook(book)
    sheet = opened["measurements"]
    sheet["B2"] = "=24000+952"
    opened.save(book)
    hand.start(at_work.desk)
    hand.page.click('#start button:text-is("computed.xlsx")')  # listed, for it stands in the folder
    text = hand.page.inner_text('#warnings [data-key="readonly"]')
    assert "measurements" in text
    assert "save a copy" in text.casefold()
    assert hand.page.inner_text("#saved") == "read only"
    hand.page.click('#warnings button:text-is("Save as …")')
    assert hand.page.input_value("dialog input") == "computed copy.xlsx"
    hand.context.close()


def test_the_page_asks_for_all_its_modules_at_once() -> None:
    page = Path(str(files("oretally.io"))) / "desk" / "page"
    html = (page / "index.html").read_text("utf-8")
    there = {str(path.relative_to(page)) for path in page.rglob("*.js")}
    asked = re.findall(r'rel="modulepreload" href="/page/([^"]+)"', html)
    assert sorted(asked) == sorted(there - {"main.js"})


def test_an_error_shared_over_a_month_is_shown_as_shared(at_work: AtWork, browser: Browser) -> None:
    case, hand = at_work.copies("spans", "tin_table") / "tin_table", at_work.hand(browser)
    with (case / "circuit.toml").open("a", encoding="utf-8") as file:
        for name, shared in (("belt", '"month"'), ("bench", "false")):
            file.write(f'\n[sources.{name}]\nof = "dry mass"\nrelative = 0.4\nshared = {shared}\n')
    hand.case(at_work.desk, "spans/tin_table")
    ticked = [hand.page.is_checked(f'[data-key="sources {name} shared"]')
              for name in ("belt", "bench")]  # fmt: skip
    assert ticked == [True, False]
    quiet(hand, at_work.desk)
    hand.context.close()
