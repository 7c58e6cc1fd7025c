"""A table that a case may have: a CSV file of its folder, or a sheet of its workbook."""

from __future__ import annotations

from pathlib import Path

from oretally.flowsheet import Fault
from oretally.io.files.csv_table import read_csv_table
from oretally.io.files.table import Table
from oretally.io.files.workbook import SUFFIXES, read_workbook

__all__ = ["case_table"]


def case_table(
    path: Path, file: str, faults: list[Fault], *, key: str | None = None
) -> Table | None:
    """Return a table of a case, faults added; None if it has none.

    Parameters
    ----------
    path : Path
        Folder or workbook.
    file : str
        Name of the file; the sheet has the same name without '.csv'.
    faults : list of Fault
    key : str, optional
        Column that tells the header, see `make_table`; found by the name if not given.
    """
    if path.is_dir() and (path / file).is_file():
        table, wrong = read_csv_table(path / file, file, key=key)
        faults.extend(wrong)
        return table
    if path.suffix.casefold() in SUFFIXES and path.is_file():
        sheet = file.removesuffix(".csv")
        sheets, wrong = read_workbook(path, path.name, (sheet,), key=key)
        faults.extend(wrong)
        return sheets.get(sheet)
    return None
