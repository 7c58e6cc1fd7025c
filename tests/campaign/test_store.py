"""A campaign keeps what was given; nothing is changed, lost, or half there."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest
import sqlalchemy as sa
from campaign_surveys import EXAMPLES, PLANT, TABLE, example_campaign

import oretally.io.campaign.database as database
import oretally.io.campaign.schema as schema
from oretally.flowsheet import InputError
from oretally.io.campaign import (
    BALANCE,
    LEAVE_OUT,
    TAKE_BACK,
    GivenSurvey,
    in_this_process,
    kept_case,
    kept_results,
    make_results,
    missing,
    open_campaign,
    surveys_of,
    verified,
)
from oretally.io.case import read_case


def _case(name: str, **said: object) -> GivenSurvey:
    case, files = kept_case(EXAMPLES / name)
    return replace(GivenSurvey(name, None, "", files, name, "", case.circuit), **said)  # type: ignore[arg-type]


def test_a_survey_is_read_again_as_it_was_given(tmp_path: Path) -> None:
    campaign = open_campaign(tmp_path / "c.db", create=True)
    names = ["tin_table", "month_with_stockpile", "tails_by_size", "leach_test"]
    campaign.add([_case(name) for name in names], by="me")
    book, files = kept_case(EXAMPLES / "tin_table" / "tin_table.xlsx")
    campaign.add([GivenSurvey("book", None, "", files, "", "", book.circuit)], by="me")
    found = {d.label: d for d in open_campaign(tmp_path / "c.db").dated_surveys()}
    assert found.keys() == {*names, "book"}
    for name in names:
        case = read_case(EXAMPLES / name)
        assert found[name].survey == case.survey
        assert found[name].circuit == case.circuit
    assert found["book"].survey == book.survey


def test_order_of_time_and_one_circuit(tmp_path: Path) -> None:
    campaign = example_campaign(tmp_path / "c.db")
    found = campaign.dated_surveys()
    times = [d.time for d in found if d.time is not None]
    assert len(found) == 12
    assert times == sorted(times)
    assert len({id(d.circuit) for d in found}) == 1
    assert {d.kind for d in found} == {"day", "night"}


def test_twice_is_once_and_another_is_refused(tmp_path: Path) -> None:
    campaign = open_campaign(tmp_path / "c.db", create=True)
    campaign.add([_case("tin_table")], by="me")
    assert not campaign.add([_case("tin_table")], by="me")[0].new
    other = _case("wrong_head", label="tin_table")
    with pytest.raises(InputError, match="has another survey 'tin_table'"):
        campaign.add([_case("tails_by_size"), other], by="me")
    assert [e.label for e in campaign.entries()] == ["tin_table"]  # all or none


def test_a_correction_supersedes_and_both_stay(tmp_path: Path) -> None:
    campaign = open_campaign(tmp_path / "c.db", create=True)
    campaign.add([_case("tin_table")], by="me")
    old = campaign.entry("TIN_table")
    corrected = _case("wrong_head", label="tin_table")
    campaign.add([corrected], by="her", correct=True, why="assayed again")
    (new,) = campaign.entries()
    assert (new.supersedes, new.why, new.added_by) == (old.number, "assayed again", "her")
    assert [e.number for e in campaign.history(new)] == [new.number, old.number]
    assert [e.current for e in campaign.entries(every=True)] == [False, True]
    assert campaign.case(old).survey == read_case(EXAMPLES / "tin_table").survey
    assert campaign.dated_surveys()[0].survey == read_case(EXAMPLES / "wrong_head").survey


def test_left_out_and_taken_back_in(tmp_path: Path) -> None:
    campaign = example_campaign(tmp_path / "c.db")
    entry = campaign.entry("week 9")
    measured = ("spiral tails", "Sn")
    campaign.decide(entry, LEAVE_OUT, why="mistyped", by="me", stream=measured[0], quantity="Sn")
    survey = next(d.survey for d in campaign.dated_surveys() if d.label == "week 9")
    assert survey.measured(*measured) is None
    campaign.decide(entry, LEAVE_OUT, why="all of it", by="me")
    assert "week 9" not in [d.label for d in campaign.dated_surveys()]
    campaign.decide(entry, TAKE_BACK, why="no", by="me")
    assert len(campaign.dated_surveys()) == 12
    assert [d.why for d in campaign.decisions()] == ["mistyped", "all of it", "no"]


@pytest.mark.parametrize("table", [t.name for t in schema.tables.sorted_tables])
def test_nothing_is_changed_or_taken_out(tmp_path: Path, table: str) -> None:
    campaign = example_campaign(tmp_path / "c.db")
    make_results(campaign, missing(campaign, BALANCE), BALANCE, in_this_process)
    campaign.decide(campaign.entries()[0], "checked", why="x", by="me")
    column = schema.tables.tables[table].columns.keys()[-1]
    for statement in (f"DELETE FROM {table}", f"UPDATE {table} SET {column} = {column}"):
        with pytest.raises(sa.exc.IntegrityError, match="kept as it is"):
            with campaign.database.writing() as connection:
                connection.exec_driver_sql(statement)


def test_times_are_all_of_one_sort(tmp_path: Path) -> None:
    campaign = example_campaign(tmp_path / "c.db")
    zoned = _case("tin_table", time=datetime(2026, 3, 1, tzinfo=UTC))
    with pytest.raises(InputError, match="offset"):
        campaign.add([zoned], by="me")


def test_results_are_made_once_and_found_again(tmp_path: Path) -> None:
    campaign = example_campaign(tmp_path / "c.db")
    todo = missing(campaign, BALANCE)
    make_results(campaign, todo[:5], BALANCE, in_this_process)
    assert missing(campaign, BALANCE) == todo[5:]
    make_results(campaign, missing(campaign, BALANCE), BALANCE, in_this_process)
    found = kept_results(campaign, BALANCE)
    reasons = [r.reason for r in found.values() if r.reason]
    assert len(found) == 12
    assert len(reasons) == 1
    assert "nothing fixes the scale" in reasons[0]
    entry = campaign.entry("week 1")
    campaign.decide(entry, LEAVE_OUT, why="x", by="me", stream="ore", quantity="Sn")
    assert missing(campaign, BALANCE) == [entry]  # it is another question now
    assert not verified(campaign, in_this_process).faults


def test_results_of_an_older_version_are_counted(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    campaign = example_campaign(tmp_path / "c.db")
    with monkeypatch.context() as then:
        then.setattr("oretally.io.campaign.results.version", lambda _: "0.1")
        make_results(campaign, missing(campaign, BALANCE)[:3], BALANCE, in_this_process)
    found = verified(campaign, in_this_process)
    assert (found.results, found.older, found.faults) == (0, 3, [])


def test_verify_finds_what_was_changed_behind_its_back(tmp_path: Path) -> None:
    campaign = example_campaign(tmp_path / "c.db")
    make_results(campaign, missing(campaign, BALANCE), BALANCE, in_this_process)
    with sqlite3.connect(tmp_path / "c.db") as connection:
        connection.execute("DROP TRIGGER results_update")
        connection.execute("DROP TRIGGER survey_files_update")
        connection.execute("DROP TRIGGER files_update")
        connection.execute("UPDATE results SET content = replace(content, '1', '2')")
        connection.execute(
            "UPDATE files SET content = CAST(replace(content, '0.', '1.') AS BLOB) "
            "WHERE hash IN "
            "(SELECT hash FROM survey_files WHERE survey = 1 AND name LIKE '%.csv')"
        )
    connection.close()
    text = "\n".join(verified(campaign, in_this_process).faults)
    assert "a result is not what was written" in text
    assert "'week 1' is not what was given" in text


def test_a_newer_schema_and_others_are_refused(tmp_path: Path) -> None:
    example_campaign(tmp_path / "c.db")
    with sqlite3.connect(tmp_path / "c.db") as connection:
        connection.execute("PRAGMA user_version = 99")
    connection.close()
    with pytest.raises(InputError, match="newer oretally wrote"):
        open_campaign(tmp_path / "c.db")
    with sqlite3.connect(tmp_path / "other.db") as connection:
        connection.execute("CREATE TABLE mine (x)")
    connection.close()
    with pytest.raises(InputError, match="no campaign"):
        open_campaign(tmp_path / "other.db", create=True)
    (tmp_path / "text").write_text("not a database at all, but long enough to be one" * 9)
    with pytest.raises(InputError, match="no campaign"):
        open_campaign(tmp_path / "text", create=True)
    with pytest.raises(InputError, match="There is no such campaign"):
        open_campaign(tmp_path / "nowhere.db")
    with pytest.raises(InputError, match="a folder"):
        open_campaign(tmp_path, create=True)
    (tmp_path / "empty").touch()
    with pytest.raises(InputError, match="no campaign in the file yet"):
        open_campaign(tmp_path / "empty")
    assert not open_campaign(tmp_path / "empty", create=True).entries()


@pytest.mark.parametrize("share", [0.2, 0.5, 0.9])
def test_a_truncated_file_is_told(tmp_path: Path, share: float) -> None:
    example_campaign(tmp_path / "c.db")
    whole = (tmp_path / "c.db").read_bytes()
    (tmp_path / "c.db").write_bytes(whole[: int(share * len(whole))])
    with pytest.raises(InputError, match="damaged or cut short"):
        open_campaign(tmp_path / "c.db").dated_surveys()


def test_an_upgrade_makes_a_copy_first(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    example_campaign(tmp_path / "c.db")
    steps: dict[int, Sequence[str]] = {2: ["ALTER TABLE decisions ADD COLUMN mood TEXT"]}
    monkeypatch.setattr(schema, "SCHEMA", 2)
    monkeypatch.setattr(schema, "MIGRATIONS", {2: ["CREATE TABLE half (x)", "no SQL"]})
    with pytest.raises(sa.exc.OperationalError):  # a mistake of ours: all of it is taken back
        open_campaign(tmp_path / "c.db")
    monkeypatch.setattr(schema, "MIGRATIONS", steps)
    assert len(open_campaign(tmp_path / "c.db").dated_surveys()) == 12
    assert len(open_campaign(tmp_path / "c.db").dated_surveys()) == 12
    monkeypatch.setattr(schema, "SCHEMA", 1)
    with pytest.raises(InputError, match="newer"):
        open_campaign(tmp_path / "c.db")
    copies = sorted(p.name for p in tmp_path.iterdir() if p.name != "c.db")
    assert copies == ["c.db.schema-1", "c.db.schema-1-2"]
    assert len(open_campaign(tmp_path / copies[0]).dated_surveys()) == 12


def test_a_second_writer_waits_and_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(database, "_WAIT", 0.05)
    campaign = example_campaign(tmp_path / "c.db")
    other = sqlite3.connect(tmp_path / "c.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(InputError, match="Another program has been writing"):
        campaign.add([_case("tin_table")], by="me")
    assert len(campaign.entries()) == 12  # reading goes on
    other.execute("COMMIT")
    other.close()
    assert campaign.add([_case("tin_table")], by="me")[0].new


def test_a_full_disk_is_told_and_nothing_is_lost(tmp_path: Path) -> None:
    campaign = example_campaign(tmp_path / "c.db")

    def small(connection: sqlite3.Connection, _: object) -> None:
        pages = connection.execute("PRAGMA page_count").fetchone()[0]
        connection.execute(f"PRAGMA max_page_count = {pages}")  # as if there were no room

    sa.event.listen(campaign.database.engine, "connect", small)
    with pytest.raises(InputError, match="disk is full"):
        campaign.add([_case("tails_by_size"), _case("tin_table")], by="me")
    again = open_campaign(tmp_path / "c.db")
    assert len(again.dated_surveys()) == 12
    assert not again.database.damage()


def test_the_surveys_that_cannot_be_read_are_named_by_their_cells(tmp_path: Path) -> None:
    lines = TABLE.read_text("utf-8").splitlines()
    lines[8] = lines[8].replace(",13.3", ",thirteen")
    (tmp_path / "s.csv").write_text("\n".join(lines))
    found = surveys_of(tmp_path / "s.csv", PLANT)
    assert len(found.surveys) == 11
    ((label, error),) = found.refused
    assert label == "week 2"
    assert "s.csv, cell G9" in str(error)
