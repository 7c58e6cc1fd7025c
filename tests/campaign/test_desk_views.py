"""What the desk shows of a campaign is what the commands print, and nothing in it changes."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner

from oretally.flowsheet import InputError
from oretally.io.campaign import open_campaign
from oretally.io.case import read_case
from oretally.io.cli import oretally
from oretally.io.desk.cases import OpenCases
from oretally.io.desk.kept import RecentCases
from oretally.io.desk_campaign import seen, survey_taken_out
from oretally.io.desk_files import GivenCase, files_of_survey, given_case
from oretally.io.files import is_campaign
from oretally.io.forms import make_case


def said(*arguments: str) -> str:
    """What a command prints, its lines joined."""
    found = CliRunner().invoke(oretally, ["campaign", *arguments], catch_exceptions=False)
    return " ".join(found.output.split())


@pytest.fixture(scope="module")
def campaign(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Twelve surveys; of one a number was left out; none of it changes in any test."""
    folder = tmp_path_factory.mktemp("campaign")
    make_case(folder / "gravity", "campaign_gravity")
    file = folder / "gravity.db"
    circuit, table = folder / "gravity" / "plant.toml", folder / "gravity" / "surveys.csv"
    said(str(file), "add", str(table), "--circuit", str(circuit))
    said(
        str(file), "decide", "week 2", "left out", "--of", "ore:Sn", "--why", "spilt", "--by", "me"
    )
    before = file.read_bytes()
    yield file
    assert file.read_bytes() == before
    assert {p.name for p in folder.iterdir()} == {"gravity", "gravity.db"}


def view(campaign: Path, name: str, **job: Any) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    """A view, and the rows told on the way."""
    rows = []

    def say(stage: str, row: dict[str, Any] | None = None) -> None:
        assert stage
        rows.extend([row] if row else [])

    return seen(name, {"file": str(campaign), **job}, say), rows


def test_surveys_are_listed_as_the_command_lists_them(campaign: Path) -> None:
    found, _ = view(campaign, "list")
    listed = said(str(campaign), "list")
    assert found["title"] == "gravity"
    for row in found["rows"]:
        assert " ".join((row["label"], row["time"], row["kind"])) in listed
    (second,) = (row for row in found["rows"] if row["label"] == "week 2")
    assert second["standing"] == "1 measurement left out"
    assert second["decided"][0].endswith("by me: left out: Sn of 'ore': spilt")


def test_surveys_are_judged_as_the_command_shows_them(campaign: Path) -> None:
    labels = ["week 2", "week 9", "week 11", "week 12"]
    _, rows = view(campaign, "surveys", labels=labels)
    assert [(row["label"], row["level"]) for row in rows] == [
        ("week 2", "doubt"), ("week 9", "doubt"), ("week 11", "fault"), ("week 12", "sound")
    ]  # fmt: skip
    for row in rows:
        shown = said(str(campaign), "show", row["label"])
        assert row["brief"] in shown or row["level"] == "fault"
        assert all(each["figure"] in shown for each in row["recovered"])
        assert (row["yet"] or "Not to be used yet").lower() in shown.lower() or not row["yet"]
        assert bool(row["yet"]) == ("Not to be used yet." in shown)
    assert rows[0]["brief"] == "Not checked"
    assert "Sn of 'spiral tails'" in rows[1]["why"]  # which the other surveys tell from the rest
    assert "Check one number first: Sn of 'spiral tails'" in said(str(campaign), "show", "week 9")
    assert rows[2]["why"] in said(str(campaign), "show", "week 11")
    assert rows[2]["recovered"] == []


@pytest.mark.parametrize("name", ["trend", "bias"])
def test_over_time_is_what_the_command_prints(campaign: Path, name: str) -> None:
    found, _ = view(campaign, name)
    printed = said(str(campaign), name).replace(" - ", " ")
    for sentence in (*found["lead"], *found["told"], *found["notes"]):
        assert sentence in printed
    full = said(str(campaign), name, "--full")
    for table in found["tables"]:
        assert table["rows"]
        assert all(cell in full for row in table["rows"] for cell in row)
    assert all(chart["svg"].startswith("<svg ") for chart in found["charts"])


def test_no_other_view(campaign: Path) -> None:
    with pytest.raises(InputError, match="no view 'sources'"):
        view(campaign, "sources")


def test_a_survey_is_taken_out_as_a_case(campaign: Path, tmp_path: Path) -> None:
    found = survey_taken_out(str(campaign), "Week 2")
    assert found.without == ("ore:Sn",)
    assert found.story == (
        "Survey 'week 2' of gravity.db: nothing is written back to the campaign. Left out by "
        "decision, and not in these tables: Sn of 'ore'."
    )
    cases = OpenCases(tmp_path, RecentCases(tmp_path / "recent.json"))
    document = cases.open_survey(campaign, "week 2", found.number, found.given, found.story)
    assert document["readonly"] == found.story
    assert document["survey"] == {"campaign": str(campaign), "label": "week 2"}
    with pytest.raises(InputError, match="nothing is written back"):
        cases.save(document["case"], document["parts"], document["digests"], force=True)
    assert cases.state(document["case"], "w", document["digests"])["changed"] == []
    cases.save_as(document["case"], document["parts"], "week 2")
    kept = open_campaign(campaign)
    given = kept.case(kept.entry("week 2"))
    assert read_case(tmp_path / "week 2").survey == given.survey


def test_a_survey_that_is_a_workbook_is_copied_to_the_last_byte(tmp_path: Path) -> None:
    from_case = tmp_path / "tin"
    make_case(from_case, "tin_table")
    book = tmp_path / "book.xlsx"
    found = CliRunner().invoke(oretally, ["sheet", str(from_case), "--xlsx", str(book)])
    assert found.exit_code == 0, found.output
    data = book.read_bytes()
    files = files_of_survey(
        tmp_path / "a.db", GivenCase("book.xlsx", "workbook", {"book.xlsx": data}), "so"
    )
    stored = files.read()
    assert files.readonly == "so"
    assert files.copied(stored.parts, stored, tmp_path / "b.xlsx") == {tmp_path / "b.xlsx": data}
    with pytest.raises(InputError, match=r"saved as \.xlsx"):
        files.copied(stored.parts, stored, tmp_path / "b.ods")


@pytest.mark.parametrize(
    "names",
    [["../circuit.toml"], ["a/../b"], ["/etc/passwd"], ["a/b/c"], ["a/x", "b/x"], ["a\\b/x"], [],
     ["C:/x"], ["a/x", "y"], ["a/x\x00"]],
)  # fmt: skip
def test_names_that_lead_elsewhere_are_refused(names: list[str]) -> None:
    with pytest.raises(InputError, match="none of a case"):
        given_case(dict.fromkeys(names, b""), "week 1")


def test_only_a_campaign_is_one(campaign: Path, tmp_path: Path) -> None:
    other = tmp_path / "other.db"
    other.write_bytes(b"SQLite format 3\x00" + bytes(100))
    assert is_campaign(campaign)
    assert [is_campaign(path) for path in (other, tmp_path, tmp_path / "none")] == [False] * 3
    cases = OpenCases(campaign.parent, RecentCases(tmp_path / "recent.json"))
    assert {"path": "gravity.db", "kind": "campaign"} in cases.listed()
    assert cases.open_named("gravity.db") == {"campaign": "gravity.db"}
    elsewhere = OpenCases(tmp_path, RecentCases(tmp_path / "recent.json"))
    assert elsewhere.open_recent(str(campaign)) == {"campaign": str(campaign)}
    assert elsewhere.campaign(str(campaign)) == campaign
    for path in ("other.db", "none", "../gravity.db", str(campaign.with_name("x.db")), None):
        with pytest.raises(InputError):
            elsewhere.campaign(path)
