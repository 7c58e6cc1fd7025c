"""A campaign in the page: all surveys, what is told over time, one click to a survey."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from axe_page import grave
from click.testing import CliRunner
from desk_browser import AtWork, quiet

from oretally.io.case import read_case
from oretally.io.cli import oretally

if TYPE_CHECKING:
    from playwright.sync_api import Browser


def campaign_of(*arguments: str) -> str:
    """Run a command on the campaign in the current folder; return what it prints."""
    done = CliRunner().invoke(oretally, ["campaign", "mill.db", *arguments], catch_exceptions=False)
    assert done.exit_code == 0
    return done.stdout


def test_from_all_surveys_to_one_and_back(
    at_work: AtWork, browser: Browser, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = at_work.copies("mill", "campaign_gravity")
    monkeypatch.chdir(folder)
    circuit, table = "campaign_gravity/plant.toml", folder / "campaign_gravity" / "surveys.csv"
    header, *lines = table.read_text("utf-8").splitlines()
    some = [line for line in lines if line.startswith(("week 8", "week 9", "week 10", "week 11"))]
    table.write_text("\n".join([header, *some]) + "\n", "utf-8")
    campaign_of("add", str(table), "--circuit", circuit)
    campaign_of("decide", "week 9", "left out", "--of", "spiral tails:Sn", "--why", "spilt")
    before = (folder / "mill.db").read_bytes()
    hand, desk = at_work.hand(browser), at_work.desk
    page = hand.page
    hand.start(desk)
    page.fill("#start form input", "mill/mill.db")
    page.click("#start form button")
    for part in ("surveys", "trend", "bias"):
        page.wait_for_selector(f"#{part}[aria-busy=false]")
    rows = dict(line.split("\t", 1) for line in page.inner_text("#surveys tbody").splitlines()
                if line.startswith("week"))  # fmt: skip
    assert list(rows) == ["week 8", "week 9", "week 10", "week 11"]
    assert "No balance" in rows["week 11"]
    told = " ".join(campaign_of("trend").split())
    assert page.inner_text("#trend .lead-line:first-of-type") in told
    page.select_option("#trend select", "2")
    name = page.inner_text("#trend option:nth-child(3)")
    assert page.locator("#trend figure svg title").text_content() == name
    assert grave(page) == []

    page.click('#surveys button:text-is("week 9")')
    screen = hand.screen()
    assert page.inner_text("#path") == "mill/mill.db: week 9"
    story, shown = campaign_of("show", "week 9").split("\n\n", 1)
    assert "spilt" in story
    assert screen == shown
    figure = rows["week 9"].split("\t")[3].removesuffix(" %")
    assert f"Recovered: {figure} % of the Sn" in " ".join(shown.split())
    page.reload()
    hand.settled()
    page.click('#warnings button:text-is("Save as …")')
    page.fill("dialog input", "mill/week_9")
    page.click('dialog button[type="submit"]')
    page.wait_for_selector('#path:text-is("mill/week_9")')
    assert read_case(folder / "week_9").survey.measured("spiral tails", "Sn") is None
    hand.start(desk)
    page.click('#start button:text-is("mill")')
    page.wait_for_selector("#surveys table")
    assert (folder / "mill.db").read_bytes() == before
    quiet(hand, desk)
    hand.context.close()
