"""Blocks of cells pasted and copied, problems at their cells, what is tried beside the case."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from desk_browser import AtWork, Desk, Hand, printed, quiet

if TYPE_CHECKING:
    from playwright.sync_api import Browser

PASTED = (
    "Stream\tDry Mass (kg)\tSn %\r\ntable feed\t24,952\t1,01\r\nconcentrate\t0,420\t31,2\r\n"
    "middlings\t3,206\t2,11\r\ntailings\t21,358\t0,303\r\n"
)
"""From a spreadsheet that writes decimal commas; 24,952 alone could be thousands."""


@pytest.fixture(scope="module")
def numbers(at_work: AtWork, browser: Browser) -> Iterator[tuple[Path, Desk, Hand]]:
    folder = at_work.copies("numbers", "tin_table", "ounces_as_grams")
    at_work.copies("mended", "tin_table")
    at_work.copies("written", "ounces_as_grams")
    hand = at_work.hand(browser)
    yield folder, at_work.desk, hand
    quiet(hand, at_work.desk)
    hand.context.close()


def test_a_block_from_a_spreadsheet(numbers: tuple[Path, Desk, Hand]) -> None:
    folder, desk, hand = numbers
    page = hand.page
    hand.case(desk, "numbers/tin_table")
    before = hand.screen()
    hand.to_cell("A1")
    hand.paste(PASTED)
    page.click('dialog button:text("Let it stand for this table")')
    hand.told("8 decimal commas")
    assert [page.inner_text(f".cells tr[data-row='1'] td:nth-of-type({i})") for i in (1, 2, 3)] == [
        "table feed", "24.952", "1.01",
    ]  # fmt: skip
    assert "49.6 ± 1.1" in hand.answer() and "mass [kg]" in hand.answer()

    hand.press("Control+c")
    page.wait_for_function(
        "async begin => (await navigator.clipboard.readText()).startsWith(begin)",
        arg="Stream\tDry Mass (kg)\tSn %\ntable feed\t24.952\t1.01\n",
    )
    hand.press("Control+z")
    assert hand.screen() == before

    hand.to_cell("B2")
    hand.paste("1,234")  # nothing tells what it means
    page.wait_for_selector('dialog:has-text("What does 1,234 mean?")')
    page.click('dialog button:text("Thousands: 1234")')
    page.wait_for_selector(".cells tr[data-row='1'] td:nth-of-type(2):text-is('1234')")
    hand.press("Control+z")
    assert hand.screen() == before


def test_a_problem_at_its_cell_mended(numbers: tuple[Path, Desk, Hand]) -> None:
    _, desk, hand = numbers
    page = hand.page
    hand.case(desk, "mended/tin_table")
    before = hand.screen()
    hand.to_cell("D3")
    page.keyboard.type("31.2 oz/ton")
    page.wait_for_selector("#chip:has-text('One thing to mend')")  # while it is typed
    hand.press("Enter")
    page.wait_for_selector(".cells td[aria-invalid=true]")
    hand.settled()
    page.click("#answer .faults button")
    page.wait_for_selector(".cells td[aria-invalid=true]:focus")
    assert "oz/ton" in page.inner_text("#where")
    page.hover(".cells td[aria-invalid=true]")
    page.wait_for_selector("#tip:has-text('oz/ton')")
    hand.type("31.2", after="Enter")
    assert hand.screen() == before


def test_a_suspect_left_out_and_taken_back(numbers: tuple[Path, Desk, Hand]) -> None:
    folder, desk, hand = numbers
    page = hand.page
    hand.case(desk, "numbers/ounces_as_grams")
    case = folder / "ounces_as_grams"
    plain = hand.screen()
    assert plain == printed(case)
    assert (
        page.get_attribute('.cells tr[data-row="7"] td:nth-of-type(3)', "data-level") == "suspect"
    )

    page.click("button:text-is(\"Leave out Au of 'flotation conc'\")")
    page.wait_for_selector(".beside .item:text-is(\"without Au of 'flotation conc'\")")
    page.wait_for_selector(".beside button:focus")  # where the answer to it comes
    hand.settled()
    assert hand.screen() == printed(case, "--without", "flotation conc:Au")
    page.click('.beside button:text-is("Take back")')
    assert hand.screen() == plain
    page.wait_for_selector("#saved:text-is('saved')")  # beside the case, never in it
    assert not page.query_selector(".beside")


def test_a_reading_written_into_the_case(numbers: tuple[Path, Desk, Hand]) -> None:
    _, desk, hand = numbers
    page = hand.page
    hand.case(desk, "written/ounces_as_grams")
    hand.settled()
    page.click("button:has-text(\"Take Au of 'flotation conc' as 41.14\")")
    page.wait_for_selector(".beside .item:has-text(\"with Au of 'flotation conc' 41.14\")")
    hand.settled()  # the answer with it, and its buttons, are there
    page.click('.beside button:text-is("Write it into the case")')
    page.click('dialog button:text-is("Write it")')
    page.wait_for_selector('#saved[data-unsaved="true"]')
    assert "Sound" in hand.answer()
    page.wait_for_selector('.cells tr[data-row="7"] td:nth-of-type(3):has-text("41.14")')
    hand.press("Control+z", "Control+z")
    assert "Check one number first" in hand.answer()
