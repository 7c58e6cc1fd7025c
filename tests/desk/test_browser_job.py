"""A whole job in the page, by keyboard alone; what it shows is what the command line says."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING

from desk_browser import AtWork, Hand, printed, quiet

if TYPE_CHECKING:
    from playwright.sync_api import Browser

FIVE = [
    ("table conc", "419", "31.2"), ("tailings", "15102", "0.303"), ("table midds", "3206", "2.11"),
    ("magnetics", "812", "0.42"), ("slimes", "5410", "0.351"),
]  # fmt: skip
RULES = [("dry mass", "0.3", "5 g"), ("Sn", "3", "0.01 %")]


def test_a_bucket_test_by_keyboard_alone(at_work: AtWork, browser: Browser) -> None:
    hand = at_work.hand(browser)
    page, bucket = hand.page, at_work.folder / "bucket"
    hand.start(at_work.desk)
    page.wait_for_selector("#start button:focus")
    hand.tab_to('[data-key="begin blank"]')
    hand.press("Enter")
    page.wait_for_selector("dialog input:focus")
    hand.press("Control+a")
    hand.type("bucket", after="Enter")
    page.wait_for_selector('#circuit [data-key="title"]:focus')
    untouched = hand.answer()
    assert page.inner_text("#chip").endswith("Nothing filled in yet")  # no fault yet

    describe_circuit(hand)
    fill_in_numbers(hand)
    screen = hand.screen()
    assert "Recovered" in screen

    changes = undo_all(hand)
    assert changes == 22  # each step by itself
    assert hand.answer() == untouched
    assert page.text_content("#saved") == "saved"
    for _ in range(changes):
        hand.press("Control+y")
    assert hand.screen() == screen

    hand.press("Control+s")
    page.wait_for_selector('#saved[data-unsaved="false"]')
    assert printed(bucket) == screen
    circuit = (bucket / "circuit.toml").read_text("utf-8")
    assert "# one standard deviation, used where a row states none" in circuit
    assert [*tomllib.loads(circuit)["streams"]] == ["feed", *(name for name, *_ in FIVE)]
    quiet(hand, at_work.desk)
    hand.context.close()


def describe_circuit(hand: Hand) -> None:
    page = hand.page
    hand.press("Control+a")
    hand.type("Tin ore, bucket test")
    hand.tab_to('[data-key="name 1"]')
    hand.press("Control+a")
    hand.type(FIVE[0][0])
    hand.tab_to('[data-key="new name"]')
    for name, *_ in FIVE[2:]:
        hand.type(name)
        hand.type("table", after="Enter")
        page.wait_for_selector(f'tr[data-stream="{name}"]')
        page.wait_for_selector('[data-key="new name"]:focus')
    hand.tab_to('[data-key="new quantity"]')
    for at, (quantity, relative, absolute) in enumerate(
        [("dry mass", "0.3", "5 g"), ("Sn", "3", "0.01 %")]
    ):
        hand.type(quantity, relative)
        hand.type(absolute, after="Enter")
        page.wait_for_selector(f'[data-key="delete error {at}"]')
        page.wait_for_selector('[data-key="new quantity"]:focus')


def fill_in_numbers(hand: Hand) -> None:
    """Each number in its row; the names of the new streams are typed as well."""
    page = hand.page
    hand.settled()  # the part that is gone through is not drawn anew
    hand.press("F6", "F6")
    page.wait_for_selector("td[role=gridcell]:focus")
    hand.press("Control+Home", "ArrowDown", "ArrowRight")
    hand.type("24952", "", "1.01", after="Tab")
    for at, (name, mass, grade) in enumerate(FIVE):
        hand.press("Control+Home", *["ArrowDown"] * (at + 2))
        hand.type(name, mass, "", grade, after="Tab")
    hand.press("ArrowDown")


def undo_all(hand: Hand) -> int:
    count = 0
    while hand.page.is_enabled("#undo"):
        hand.press("Control+z")
        count += 1
        assert count < 200
    return count
