"""Nothing typed is lost, and nothing is written over in silence."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from desk_browser import AtWork, Hand, running_desk

from oretally.io.forms import make_case

if TYPE_CHECKING:
    from playwright.sync_api import Browser


def test_killed_in_the_middle_and_taken_up_again(tmp_path: Path, browser: Browser) -> None:
    make_case(tmp_path / "tin_table", "tin_table")
    with running_desk(tmp_path) as desk:
        hand = Hand(browser)
        hand.open(desk)
        hand.case(desk, "tin_table")
        hand.settled()
        before = (tmp_path / "tin_table" / "measurements.csv").read_bytes()
        hand.to_cell("D3")
        hand.type("31.9", after="Enter")
        hand.page.keyboard.type("2.2")  # still in its editor
        answer = hand.answer()
        kept = tmp_path / "tin_table" / ".tin_table.oretally-desk.json"
        while not (kept.exists() and '"2.2"' in kept.read_text("utf-8")):
            with hand.page.expect_response("**/api/keep"):
                pass  # all that was typed is kept within a second
        desk.process.kill()
        desk.process.wait()
        hand.page.wait_for_selector("#warnings:has-text('The desk has stopped')")
        hand.context.close()
    assert (tmp_path / "tin_table" / "measurements.csv").read_bytes() == before
    with running_desk(tmp_path, "tin_table") as desk:
        hand = Hand(browser)
        hand.open(desk)
        hand.page.click('dialog button:text-is("Take it up again")')
        hand.page.wait_for_selector('#saved[data-unsaved="true"]')
        assert hand.answer() == answer
        hand.press("Control+s")
        hand.page.wait_for_selector('#saved[data-unsaved="false"]')
        assert b"31.9" in (tmp_path / "tin_table" / "measurements.csv").read_bytes()
        assert not kept.exists()
        hand.context.close()


def test_two_windows_and_a_change_on_disk(at_work: AtWork, browser: Browser) -> None:
    folder, desk, hand = at_work.copies("two", "tin_table"), at_work.desk, at_work.hand(browser)
    hand.case(desk, "two/tin_table")
    hand.settled()
    page, second = hand.page, hand.another()
    hand.page = second
    hand.case(desk, "two/tin_table")
    for window in (page, second):
        window.bring_to_front()
        window.wait_for_selector("#warnings:has-text('open in another window')")
    hand.to_cell("D3")
    hand.type("30.0", after="Enter")
    hand.press("Control+s")
    second.wait_for_selector('#saved[data-unsaved="false"]')

    hand.page = page
    page.bring_to_front()
    page.wait_for_selector("#warnings:has-text('Changed on disk: measurements.csv')")
    hand.to_cell("D4")
    hand.type("2.5", after="Enter")
    file = folder / "tin_table" / "measurements.csv"
    theirs = file.read_bytes()
    hand.press("Control+s")
    page.wait_for_selector("dialog:has-text('Nothing has been written')")
    page.click('dialog button:text-is("Decide later")')
    hand.no_dialog()
    assert file.read_bytes() == theirs
    hand.press("Control+s")
    page.click('dialog button:has-text("Take theirs")')
    hand.told("Ctrl+Z")
    assert page.inner_text('.cells tr[data-row="2"] td:nth-of-type(4)') == "30.0"
    hand.press("Control+z")
    assert page.inner_text('.cells tr[data-row="3"] td:nth-of-type(4)') == "2.5"
    hand.press("Control+s")  # the file is known by now: this is meant
    page.wait_for_selector('#saved[data-unsaved="false"]')
    assert b"2.5" in file.read_bytes()
    assert not hand.seen.mistakes
    hand.context.close()
