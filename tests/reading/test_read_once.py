"""A workbook is opened once, whatever is taken from it: the case, its batch, which row heads it."""

from __future__ import annotations

from pathlib import Path

import openpyxl
import pytest
from workbook_files import ods, saved

from oretally.io import read_case
from oretally.io.files.budget import Meter, read_bytes
from oretally.io.laboratory import read_lab
from oretally.io.plan import read_plan_case

BATCH = [
    ["sample", "type", "analyte", "value", "unit", "certified", "certified sd"],
    ["S1", "standard", "Sn", 30.2, "%", 30.0, 0.2],
    ["feed", "sample", "Sn", 0.82, "%"],
]


@pytest.fixture
def opened(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    """The names of the files of which bytes were read."""
    names = list[str]()

    def counted(path: Path, meter: Meter) -> bytes:
        names.append(path.name)
        return read_bytes(path, meter)

    monkeypatch.setattr("oretally.io.files.workbook.read_bytes", counted)
    return names


def _batch(book: openpyxl.Workbook, title: str = "lab") -> None:
    sheet = book.create_sheet(title)
    for row in BATCH:
        sheet.append(row)


def test_without_a_batch(tmp_path: Path, opened: list[str]) -> None:
    for path in (saved(tmp_path / "c.xlsx"), ods(tmp_path / "c.ods")):
        case = read_case(path)
        assert opened.pop() == path.name and not opened
        assert len(case.survey.measurements) == 6


def test_with_a_batch(tmp_path: Path, opened: list[str]) -> None:
    path = saved(tmp_path / "c.xlsx", _batch)
    read_case(path)
    assert opened == ["c.xlsx"]
    opened.clear()
    assert [b.analyte for b in read_lab(path).batches] == ["Sn"]
    assert opened == ["c.xlsx"]


def test_a_sheet_of_another_name_takes_one_more(tmp_path: Path, opened: list[str]) -> None:
    """Its name stands in the sheet 'lab columns', which must be read first."""

    def change(book: openpyxl.Workbook) -> None:
        _batch(book, "certificate 7")
        sheet = book.create_sheet("lab columns")
        for row in (("setting", "name", "value"), ("sheet", "", "certificate 7")):
            sheet.append(row)

    path = saved(tmp_path / "c.xlsx", change)
    read_case(path)
    assert len(opened) == 2
    opened.clear()
    assert [b.analyte for b in read_lab(path).batches] == ["Sn"]
    assert len(opened) == 2


def test_a_plan_looks_at_the_measurements_it_has_read(tmp_path: Path, opened: list[str]) -> None:
    """Once for what can be measured, once for what was."""
    read_plan_case(saved(tmp_path / "c.xlsx"))
    assert len(opened) == 2
