"""Foreign words stay words, nothing leaves the page, and everybody can use it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from desk_browser import AtWork, Desk, Hand, quiet

if TYPE_CHECKING:
    from playwright.sync_api import Browser

HOSTILE = {
    "feed": '<img src="https://elsewhere.invalid/x" onerror="document.title=\'run\'">',
    "conc": "</script><script>document.title='run'</script>",
    "midds": '=HYPERLINK("https://elsewhere.invalid/";"x")',
    "tails": "ذيول الخام",
    "slimes": "very long " * 40 + "name",
}


@pytest.fixture(scope="module")
def closed(at_work: AtWork, browser: Browser) -> Iterator[tuple[Path, Desk, Hand]]:
    folder = at_work.copies("closed", "ounces_as_grams")
    hand = at_work.hand(browser)
    yield folder, at_work.desk, hand
    quiet(hand, at_work.desk)
    hand.context.close()


def write_hostile(folder: Path) -> None:
    folder.mkdir()
    ends = {"feed": 'to = "<b>table</b>"'} | dict.fromkeys(
        ("conc", "midds", "tails", "slimes"), 'from = "<b>table</b>"'
    )
    streams = "\n".join(f"{json.dumps(HOSTILE[k])} = {{ {ends[k]} }}" for k in HOSTILE)
    rules = '"dry mass" = { relative = 0.5 }\nSn = { relative = 3 }\n'
    (folder / "circuit.toml").write_text(
        'title = "<svg onload=alert(1)>"\nbasis = "batch"\n'
        f"[streams]\n{streams}\n[errors]\n{rules}",
        "utf-8",
    )
    rows = {"feed": "100,1.0", "conc": "2,25.1", "midds": "10,2.0", "tails": "60,0.3",
            "slimes": "28,0.42"}  # fmt: skip
    lines = ["stream,dry mass [kg],Sn [%]"]
    lines += ['"' + HOSTILE[k].replace('"', '""') + '",' + rows[k] for k in rows]
    (folder / "measurements.csv").write_text("\n".join(lines) + "\n", "utf-8")


def test_hostile_names_stay_text(closed: tuple[Path, Desk, Hand]) -> None:
    folder, desk, hand = closed
    page = hand.page
    write_hostile(folder / "hostile")
    hand.case(desk, "closed/hostile")
    hand.settled()
    page.click('details[data-key="values"] summary')
    page.wait_for_selector('details[data-key="values"] table')
    text = page.text_content("#answer-body") or ""
    for name in HOSTILE.values():
        assert " ".join(name.split()) in " ".join(text.split())
        assert page.locator(f"tr[data-stream={json.dumps(name, ensure_ascii=False)}]").count() == 1
    assert page.inner_text("#title") == "<svg onload=alert(1)>"
    assert (
        page.locator("#desk img, #desk b, #desk script, #drawing svg svg, #drawing svg a").count()
        == 0
    )
    assert page.locator("#drawing [data-stream]").count() >= len(HOSTILE)
    attributes = page.eval_on_selector_all(
        "#desk *", "all => all.flatMap(e => [...e.attributes].map(a => a.name))"
    )
    assert not [name for name in attributes if name.startswith("on")]

    page.click("#make")
    with hand.context.expect_page() as opened:
        page.click('dialog button:text-is("Report")')
    report = opened.value
    report.wait_for_url("**/made/**")
    report.wait_for_selector("main h1")
    assert "run" not in report.title() and report.locator("img, script").count() == 0
    report.close()
    page.click('dialog button:text-is("Workbook")')
    link = page.wait_for_selector('.made a[download$=".xlsx"]')
    assert link is not None
    with page.expect_download() as saved:
        link.click()
    assert not formulas(Path(saved.value.path()))
    page.keyboard.press("Escape")


def formulas(workbook: Path) -> list[str]:
    from openpyxl import load_workbook

    with workbook.open("rb") as file:
        sheets = load_workbook(file).worksheets
    return [str(c.value) for s in sheets for r in s.iter_rows() for c in r
            if c.data_type == "f" and "HYPERLINK" in str(c.value)]  # fmt: skip


def test_everybody_can_use_it(closed: tuple[Path, Desk, Hand]) -> None:
    _, desk, hand = closed
    page = hand.page
    hand.start(desk)
    judged(hand, "start")
    hand.case(desk, "closed/ounces_as_grams")
    hand.settled()
    page.click("button:text-is(\"Leave out Au of 'flotation conc'\")")
    page.wait_for_selector(".beside table")
    hand.settled()
    page.eval_on_selector_all(".form-fold", "all => all.forEach(each => { each.open = true; })")
    judged(hand, "answer")
    page.emulate_media(color_scheme="dark")
    page.set_viewport_size({"width": 390, "height": 844})
    judged(hand, "dark, small")
    page.wait_for_function("document.documentElement.scrollWidth <= 390")
    hand.to_cell("B3")
    hand.type("much", after="Enter")
    hand.settled()
    page.wait_for_selector(".cells td[aria-invalid=true]")
    page.click('[role=tab]:text-is("Circuit as text")')
    page.wait_for_selector("textarea.text")
    judged(hand, "a fault, circuit as text")
    page.click("#make")
    page.wait_for_selector("dialog[open]")
    judged(hand, "make")


def judged(hand: Hand, where: str) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright").Axe()
    found: list[dict[str, Any]] = axe.run(hand.page).response["violations"]
    serious = [
        (v["id"], [n["html"][:160] for n in v["nodes"]][:3])
        for v in found
        if v["impact"] in ("serious", "critical")
    ]
    assert not serious, (where, serious)
