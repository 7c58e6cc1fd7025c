"""A table of many surveys that is wrong in part: told once, and the rest is read all the same."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import openpyxl
import pytest

from oretally.flowsheet import InputError
from oretally.io.campaign import GivenSurvey, open_campaign, surveys_of
from oretally.io.campaign_commands.adding_surveys import added_text
from oretally.io.campaign_commands.one_survey import shown_survey
from oretally.io.case import read_case
from oretally.io.files import given_contents

CIRCUIT = """\
basis = "batch"
[streams]
ore = { to = "bin" }
feed = { from = "bin", to = "mill" }
conc = { from = "mill" }
tails = { from = "mill" }
[nodes]
bin = { kind = "stockpile" }
[errors]
"dry mass" = { relative = 1 }
Au = { relative = 4 }
"""
HEADER = "survey,time,stream,dry mass [t],Au [g/t],note"
MORNING = "2026-03-0{} 06:00"


def _rows(label: str, time: str, tails: str = "90") -> list[str]:
    about = f"{label},{time}"
    return [f"{about},opening stock of bin,50,2.5,", f"{about},feed,100,2.5,",
            f"{about},conc,10,20.5,", f"{about},tails,{tails},0.5,"]  # fmt: skip


ROWS = [row for i in (1, 2, 3) for row in _rows(f"W{i}", MORNING.format(i))]


def _table(folder: Path, rows: Sequence[str], header: str = HEADER) -> tuple[Path, Path]:
    table, circuit = folder / "s.csv", folder / "circuit.toml"
    table.write_text("\n".join([header, *rows, ""]), "utf-8")
    circuit.write_text(CIRCUIT, "utf-8")
    return table, circuit


def _found(folder: Path, rows: Sequence[str], header: str = HEADER) -> tuple[
    list[GivenSurvey], dict[str, str]
]:  # fmt: skip
    """Return the surveys that can be read, and why the others cannot."""
    found = surveys_of(*_table(folder, rows, header))
    return found.surveys, {label: str(error) for label, error in found.refused}


def _told(folder: Path, rows: Sequence[str], header: str = HEADER) -> str:
    """Return what adding says."""
    table, circuit = _table(folder, rows, header)
    return added_text(
        str(folder / "c.db"), [table], circuit, label=None, moment=None, kind=None, correct=False,
        why="", by="her", say=lambda _: None,
    )[0]  # fmt: skip


def _with(rows: Sequence[str], at: int, old: str, new: str) -> list[str]:
    assert old in rows[at]
    return [*rows[:at], rows[at].replace(old, new), *rows[at + 1 :]]


def test_a_unit_that_is_refused_is_told_once_at_its_own_cell(tmp_path: Path) -> None:
    with pytest.raises(InputError) as error:
        _told(tmp_path, ROWS, HEADER.replace("g/t", "oz/ton"))
    assert str(error.value).startswith("s.csv, cell E1, Au: 'oz/ton' can be read in three ways:")
    assert len(error.value.faults) == 1


def test_a_number_of_a_stock_is_told_at_its_own_cell(tmp_path: Path) -> None:
    _, refused = _found(tmp_path, _with(ROWS, 4, "50", "fifty"))
    assert list(refused) == ["W2"]
    assert refused["W2"].startswith("s.csv, cell D6, ")


def test_what_is_wrong_with_many_surveys_is_counted_beyond_the_first(tmp_path: Path) -> None:
    rows = [row for i in range(1, 9) for row in _rows(f"W{i}", MORNING.format(i), "ninety")]
    told = _told(tmp_path, [*rows, *_rows("sound", MORNING.format(9))])
    assert told.startswith("1 added.\n8 could not be read, and are not in the campaign.\n")
    assert told.count("'ninety'") == 5
    assert told.endswith("... and 3 more surveys like these.\n")


def test_a_time_that_cannot_be_read_stops_its_own_survey_only(tmp_path: Path) -> None:
    rows = [*ROWS[:4], *_rows("W2", "3.4.26"), *ROWS[8:]]
    told = _told(tmp_path, rows)
    assert told == (
        "2 added.\n1 could not be read, and are not in the campaign: 'W2'.\n\n"
        "s.csv, cell B6: '3.4.26' is no time that can be read in one way only. So it is in rows 6, "
        "7, 8 and 9.\nWrite it as 2026-03-14 or 2026-03-14 06:30.\n\n"
    )


def test_two_times_and_a_number_of_one_survey_are_told_together(tmp_path: Path) -> None:
    rows = _with(_with(ROWS, 5, "03-02", "03-05"), 7, "90", "ninety")
    surveys, refused = _found(tmp_path, rows)
    assert [s.label for s in surveys] == ["W1", "W3"]
    assert "cell B7: The survey 'W2' has two times" in refused["W2"]
    assert "cell D9, stream 'tails', dry mass" in refused["W2"]


@pytest.mark.parametrize(("row", "stopped"), [(5, ["W2"]), (4, ["W1", "W2"]), (0, ["W1"])])
def test_a_row_of_no_survey_stops_those_that_it_may_belong_to(
    row: int, stopped: list[str], tmp_path: Path
) -> None:
    label = ROWS[row].split(",")[0]
    _, refused = _found(tmp_path, _with(ROWS, row, label, ""))
    assert list(refused) == stopped
    told = (
        f"s.csv, cell A{row + 2}: The row belongs to no survey.\n"
        "Write it in every row; an empty 'survey' is not the one above."
    )
    assert [refused[label] for label in stopped] == [told] * len(stopped)
    assert _told(tmp_path, _with(ROWS, row, label, "")).count("belongs to no survey") == 1


def test_rows_of_no_survey_beside_each_other_are_told_once(tmp_path: Path) -> None:
    rows = _with(_with(ROWS, 5, "W2", ""), 6, "W2", "")
    _, refused = _found(tmp_path, rows)
    assert "belongs to no survey. So it is in rows 7 and 8." in refused["W2"]
    with pytest.raises(InputError, match="belongs to no survey"):
        _found(tmp_path, [row[2:] if row[:1] == "W" else row for row in ROWS])


def test_a_label_that_is_written_in_two_ways_stops_its_survey_only(tmp_path: Path) -> None:
    surveys, refused = _found(tmp_path, _with(ROWS, 6, "W2", "w2"))
    assert [s.label for s in surveys] == ["W1", "W3"]
    assert "'w2' and 'W2' differ in spaces or capitals only." in refused["W2"]


def test_a_date_that_can_be_no_other_day_is_read(tmp_path: Path) -> None:
    rows = [*_rows("W1", "13/04/2026 6:00"), *_rows("W2", "20.4.2026"), *_rows("W3", "5-5-2026")]
    surveys, _ = _found(tmp_path, rows)
    assert [s.time for s in surveys] == [
        datetime(2026, 4, 13, 6), datetime(2026, 4, 20), datetime(2026, 5, 5)
    ]  # fmt: skip
    # the month first in another row: neither is believed, and what is ISO is read
    rows = [*_rows("W1", "13/04/2026"), *_rows("W2", "04/14/2026"), *_rows("W3", "2026-04-15")]
    surveys, refused = _found(tmp_path, rows)
    assert [s.label for s in surveys] == ["W3"]
    for label in ("W1", "W2"):
        assert (
            "the day first and with the month first: '13/04/2026' and '04/14/2026'."
            in (refused[label])
        )
    _, refused = _found(tmp_path, _rows("W1", "31/04/2026"))
    assert "There is no such time as '31/04/2026'." in refused["W1"]


def test_a_decimal_comma_that_moves_a_number_into_the_note_is_told(tmp_path: Path) -> None:
    table, circuit = _table(tmp_path, _with(ROWS, 2, "10,20.5", "10,5,20.5"))
    with pytest.raises(InputError) as error:
        surveys_of(table, circuit)
    assert str(error.value) == (
        "s.csv, cell F4: The note '20.5' is nothing but a number: a decimal comma has probably "
        "moved cells to the right, 10,5 as 10 and 5.\nWrite 10.5,\nor separate by semicolons,\n"
        "or put a word to the note if there was no comma."
    )


def test_a_number_in_the_note_of_a_workbook_is_a_note(tmp_path: Path) -> None:
    """No comma moves a cell there; what is kept is read as it was given."""
    _, circuit = _table(tmp_path, ROWS)
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "surveys"
    for line in [HEADER, *ROWS]:
        cells = [float(c) if c.replace(".", "").isdigit() else c or None for c in line.split(",")]
        sheet.append(cells)
    sheet["D4"], sheet["E4"], sheet["F4"] = 10, 21, 7
    book.save(tmp_path / "s.xlsx")
    found = surveys_of(tmp_path / "s.xlsx", circuit)
    assert not found.refused
    with given_contents({Path(name): kept for name, kept in found.surveys[0].files.items()}):
        measured = read_case(found.surveys[0].case_name).survey.measured("conc", "Au")
    assert measured is not None and (measured.value, measured.note) == (21.0, "7")
    # a number that is wrong in such a row is still told at its own cell
    sheet["E4"] = "high"
    book.save(tmp_path / "s.xlsx")
    ((_, error),) = surveys_of(tmp_path / "s.xlsx", circuit).refused
    sheet["E4"], sheet["D4"], sheet["E5"] = 21, 10, "low"
    book.save(tmp_path / "s.xlsx")
    ((_, other),) = surveys_of(tmp_path / "s.xlsx", circuit).refused
    assert "sheet 'surveys', cell E4, stream 'conc', Au" in str(error)
    assert "sheet 'surveys', cell E5, stream 'tails', Au" in str(other)


UNLIKE = (
    "2 rows of 'feed' give its dry mass as 100 and 105 t (rows 3 and 14), more apart than their "
    "stated errors explain (p 0.00056). Their mean counts: take out what is wrong."
)


def test_two_weights_of_one_stream_are_told_as_it_is_added_and_shown(tmp_path: Path) -> None:
    """By hand: 5 t apart at 1.025 t each, chi-square 11.9 on 1. Rows are those of the table."""
    rows = [*ROWS, ROWS[1].replace("100", "105"), ROWS[6]]
    told = " ".join(_told(tmp_path, rows).split())
    assert told == f"3 added. s.csv, survey 'W1': {UNLIKE}"
    campaign = open_campaign(tmp_path / "c.db")
    case = campaign.case(campaign.entry("W1"))
    assert case.doubled == case.mismatches == (UNLIKE,) and not case.contradictions
    shown, _ = shown_survey(str(tmp_path / "c.db"), "W1", ())
    assert f"s.csv, rows 3-5, 14; stocks: rows 2 {UNLIKE}" in " ".join(shown.split())
    case = campaign.case(campaign.entry("W2"))
    assert any(n.startswith("Alike in every cell, and counted once: rows 8 and 15 of s.csv.")
               for n in case.notes)  # fmt: skip
    assert not case.doubled


def test_two_things_under_one_name_are_told_as_they_are_added(tmp_path: Path) -> None:
    told = " ".join(_told(tmp_path, [*ROWS, ROWS[1].replace("100", "900")]).split())
    assert told == (
        "3 added. s.csv, survey 'W1': Two rows of 'feed' are probably two different things: their "
        "dry mass is 100 and 900 t (rows 3 and 14). Correct the name or the number."
    )
