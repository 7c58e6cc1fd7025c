"""Sheets of .xlsx and .ods workbooks, as tables of located cells; the file is only read."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from oretally.flowsheet import Fault, Place
from oretally.io.table import Cell, Table, address, make_table

__all__ = ["SUFFIXES", "Sheets", "read_workbook"]

SUFFIXES = (".xlsx", ".xlsm", ".ods")
_MEMBER, _TOTAL, _RATIO = 64 * 2**20, 128 * 2**20, 200  # what an honest workbook stays below
_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"  # compound file: old .xls, or an encrypted workbook
_ERRORS = {"#DIV/0!", "#N/A", "#NAME?", "#NULL!", "#NUM!", "#REF!", "#VALUE!"}

Sheets = dict[str, Table]


def read_workbook(path: Path, name: str, wanted: Sequence[str]) -> tuple[Sheets, list[Fault]]:
    """Read the wanted sheets; their names may be spelt in any case.

    Returns
    -------
    sheets : dict of str to Table
        Empty sheets are left out.
    faults : list of Fault
    """
    place = Place(file=name)
    try:
        data = path.read_bytes()
    except OSError as error:
        reason = error.strerror or "unreadable"
        return {}, [Fault(f"The file cannot be read: {reason}.", "Check its name.", place)]
    refused = _refusal(data, place)
    if refused:
        return {}, [refused]
    try:
        found = _ods_cells(data, name) if path.suffix == ".ods" else _xlsx_cells(data, name)
    except Exception as error:  # the readers raise whatever a broken file provokes
        kind = type(error).__name__
        return {}, [
            Fault(
                f"The workbook is damaged and cannot be read ({kind}).",
                "Open it in a spreadsheet program and save it anew.",
                place,
            )
        ]
    sheets: Sheets = {}
    faults: list[Fault] = []
    for title, lines in found:
        key = " ".join(title.split()).casefold()
        if key not in wanted or all(cell.blank for line in lines for cell in line):
            continue
        table, wrong = make_table(Place(file=name, sheet=title), lines)
        faults.extend(wrong)
        if table is not None:
            sheets[key] = table
    return sheets, faults


def _refusal(data: bytes, place: Place) -> Fault | None:
    """Return why the bytes are not opened at all, or None."""
    if data.startswith(_OLE):
        return Fault(
            "The workbook is protected by a password, or in the old .xls format.",
            "Save it as .xlsx without a password.",
            place,
        )
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as archive:
            members = archive.infolist()
    except (zipfile.BadZipFile, NotImplementedError, ValueError, OSError):
        mend = "Save it as .xlsx or .ods from a spreadsheet program."
        return Fault("The file is not a workbook, or it is cut off.", mend, place)
    total = sum(member.file_size for member in members)
    packed = max(sum(member.compress_size for member in members), 1)
    largest = max((member.file_size for member in members), default=0)
    if largest > _MEMBER or total > _TOTAL or total / packed > _RATIO:
        return Fault(
            f"The workbook unpacks to {total / 2**20:.0f} MiB, "
            f"{total / packed:.0f} times its size; that is not opened.",
            "Copy the sheets that matter into a new workbook.",
            place,
        )
    return None


def _xlsx_cells(data: bytes, name: str) -> Iterable[tuple[str, list[list[Cell]]]]:
    """Return titles and cells; formulas are read beside their saved values."""
    import openpyxl

    values = openpyxl.load_workbook(io.BytesIO(data), data_only=True)
    formulas = openpyxl.load_workbook(io.BytesIO(data))
    found = []
    for sheet in values.worksheets:
        both = zip(sheet.iter_rows(), formulas[sheet.title].iter_rows(), strict=True)
        lines = [
            [
                _xlsx_cell(
                    # a formula that came to an empty text was computed: its cell is blank
                    "" if cell.value is None and cell.data_type == "str" else cell.value,
                    written.value,
                    name,
                    sheet.title,
                    cell.coordinate,
                )  # fmt: skip
                for cell, written in zip(row, formula_row, strict=True)
            ]
            for row, formula_row in both
        ]
        found.append((sheet.title, lines))
    return found


def _xlsx_cell(value: Any, written: Any, name: str, sheet: str, where: str) -> Cell:
    place = Place(file=name, sheet=sheet, cell=where)
    is_formula = (isinstance(written, str) and written.startswith("=")) or (
        written is not None and not isinstance(written, str | int | float | bool) and value is None
    )
    if is_formula and value is None:
        return Cell(
            None,
            place,
            f"The cell holds a formula ({written}) without a saved value; open the workbook in "
            "a spreadsheet program and save it, so that the value is stored.",
        )
    if isinstance(value, str) and value.strip() in _ERRORS:
        return Cell(None, place, f"The cell shows the error {value.strip()}.")
    if isinstance(value, str):
        value = value.strip() or None
    return Cell(float(value) if type(value) is int else value, place)


def _ods_cells(data: bytes, name: str) -> Iterable[tuple[str, list[list[Cell]]]]:
    import python_calamine

    book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(data))
    found = []
    for title in book.sheet_names:
        rows = book.get_sheet_by_name(title).to_python(skip_empty_area=False)
        lines = [
            [
                Cell(
                    (value.strip() or None) if isinstance(value, str) else value,
                    Place(file=name, sheet=title, cell=address(i, j)),
                )
                for j, value in enumerate(row)
            ]
            for i, row in enumerate(rows)
        ]
        found.append((title, lines))
    return found
