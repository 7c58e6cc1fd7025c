"""A decimal comma without quotation marks in a comma-separated table moves cells to the right."""

from __future__ import annotations

from pathlib import Path

import pytest

from oretally.io.files import read_csv_table

HEAD = "stream,dry mass [kg],Cu [%],Au [g/t],note"
ROWS = ("feed,1000,0.9,1.2,", "conc,455.5,24.1,8.6,", "tails,545,0.3,0.4,")


def _told(folder: Path, rows: tuple[str, ...], head: str = HEAD) -> list[str]:
    path = folder / "measurements.csv"
    path.write_text("\n".join([head, *rows, ""]), "utf-8")
    return [str(fault) for fault in read_csv_table(path, "measurements.csv")[1]]


MOVED = {
    "without a comma at the end": ("conc,455,24,1,8.6", (
        "measurements.csv, cell E3: The note '8.6' is nothing but a number: a decimal comma has "
        "probably moved cells to the right, 455,24 as 455 and 24 or 24,1 as 24 and 1.\n"
        "Write 455.24\nor 24.1,\nor separate by semicolons,\n"
        "or put a word to the note if there was no comma.")),
    "with it": ("conc,455.5,24,1,8.6,", (
        "measurements.csv, cell E3: The note '8.6' is nothing but a number: a decimal comma has "
        "probably moved cells to the right, 24,1 as 24 and 1.\nWrite 24.1,\nor separate by "
        "semicolons,\nor put a word to the note if there was no comma.")),
    "the second half in the note": ("conc,455.5,24.1,8,6", (
        "measurements.csv, cell E3: The note '6' is nothing but a number: a decimal comma has "
        "probably moved cells to the right, 8,6 as 8 and 6.\nWrite 8.6,\nor separate by "
        "semicolons,\nor put a word to the note if there was no comma.")),
    "a limit": ("conc,455.5,<0,01,8.6,", (
        "measurements.csv, cell E3: The note '8.6' is nothing but a number: a decimal comma has "
        "probably moved cells to the right, <0,01 as <0 and 01.\nWrite <0.01,\nor separate by "
        "semicolons,\nor put a word to the note if there was no comma.")),
    "nothing in the last column": ("conc,455,5,24.1,,", (
        "measurements.csv, cell D3: The row has a cell more than the header: a decimal comma has "
        "probably moved cells to the right, 455,5 as 455 and 5.\nWrite 455.5,\nor separate by "
        "semicolons,\nor clear the last cell if there was no comma.")),
}  # fmt: skip


@pytest.mark.parametrize("name", list(MOVED))
def test_it_is_told_with_the_row_and_the_likely_reading(name: str, tmp_path: Path) -> None:
    row, told = MOVED[name]
    assert _told(tmp_path, (ROWS[0], row, ROWS[2])) == [told]


def test_several_rows_are_one_fault(tmp_path: Path) -> None:
    (told,) = _told(tmp_path, ("feed,1000,0,9,1.2,", ROWS[1], "tails,545.5,0,3,0.4,"))
    assert "1000,0 as 1000 and 0 or 0,9 as 0 and 9. So it is in rows 2 and 4.\n" in told


SOUND = {
    "no number of the row can be cut": ("conc,455.5,24.1,8.6,7", HEAD, ","),
    "words": ("conc,455,24,8.6,7 assays", HEAD, ","),
    "semicolons": ("conc,455,24,8.6,7", HEAD, ";"),
    "whole numbers, and no note": ("conc,455,24,8.6,", HEAD, ","),
    "no column of notes": ("conc,455,24,8", HEAD.removesuffix(",note"), ","),
}


@pytest.mark.parametrize("name", list(SOUND))
def test_what_is_no_shift_is_read(name: str, tmp_path: Path) -> None:
    row, head, delimiter = SOUND[name]
    rest = tuple(r.removesuffix(",") if head != HEAD else r for r in (ROWS[0], ROWS[2]))
    lines = tuple(line.replace(",", delimiter) for line in (rest[0], row, rest[1]))
    assert _told(tmp_path, lines, head.replace(",", delimiter)) == []


def test_a_comma_at_the_end_of_every_row_is_none_too_many(tmp_path: Path) -> None:
    rows = ("feed,1000,1,", "conc,455,24,", "tails,545,0.3,")
    assert _told(tmp_path, rows, "stream,dry mass [kg],Cu [%]") == []
