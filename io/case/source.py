"""Where a case stands: its files or sheets, brought to rows and the table of measurements."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import oretally.io.laboratory as laboratory
from oretally.flowsheet import (
    Fault,
    InputError,
    Place,
)
from oretally.flowsheet.circuit import fold_name
from oretally.io.definition import (
    STOCKS_FILE,
    DefinitionRows,
    read_circuit_sheets,
    read_circuit_text,
)
from oretally.io.files import (
    SUFFIXES,
    Table,
    Workbook,
    is_file,
    is_folder,
    is_there,
    open_workbook,
    read_csv_table,
    refused_name,
)
from oretally.io.measurements import WEIGHING, is_weighing

__all__ = ["CIRCUIT_FILE", "EXPECTED_FILE", "MEASUREMENTS_FILE", "PRICES_FILE", "SHEETS",
           "case_parts"]  # fmt: skip


SHEETS = (
    "circuit", "nodes", "analytes", "errors", "sources", "report", "containers", "doubts",
    "lab columns", "stocks", "losses", "prices", "reagents", "measurements",
)  # fmt: skip


CIRCUIT_FILE = "circuit.toml"


MEASUREMENTS_FILE = "measurements.csv"
EXPECTED_FILE = "expected.csv"
PRICES_FILE = "prices.csv"


def case_parts(
    path: Path, faults: list[Fault], *, more: Sequence[str] = ()
) -> tuple[DefinitionRows, dict[str, Table], Workbook | None]:
    """Return the definition rows and the tables of a case; stop at once if there is nothing.

    The third is the workbook with the sheet of a laboratory batch alone; None of a folder.

    Parameters
    ----------
    path : Path
        Folder or workbook; it is read once.
    faults : list of Fault
        What is wrong is added.
    more : sequence of str
        Tables wanted beside the measurements, if there are any: 'metallics', 'sizes'.

    Raises
    ------
    InputError
        If there is no case, or nothing in it that could be read.
    """
    name = str(path)
    if (wrong := refused_name(path, "case")) is not None:
        raise InputError([wrong])
    if is_folder(path):
        return *_folder(path, faults, more), None
    if not is_there(path):
        raise InputError(
            [
                Fault(
                    "There is no such file or folder.",
                    f"Check the spelling; a case is a folder with {CIRCUIT_FILE} and "
                    f"{MEASUREMENTS_FILE}, or a workbook.",
                    Place(file=name),
                )
            ]
        )
    if path.suffix.casefold() not in SUFFIXES:
        raise InputError(
            [
                Fault(
                    "This is not a case.",
                    f"Give the folder that holds {CIRCUIT_FILE} and {MEASUREMENTS_FILE}, or a "
                    f"workbook ({', '.join(SUFFIXES)}).",
                    Place(file=name),
                )
            ]
        )
    wanted = (*SHEETS, *more, WEIGHING)
    book = open_workbook(path, path.name, (*wanted, laboratory.LAB_SHEET))
    sheets, refused = book.tables(wanted)
    weighing = sheets.pop(WEIGHING, None)
    if weighing is None or not is_weighing(weighing):  # a sheet of one's own is not read
        weighing = None
        refused = [f for f in refused if fold_name(f.place.sheet) != WEIGHING]
    faults.extend(refused)
    tables = {title: sheets.pop(title) for title in more if title in sheets}
    if not sheets:
        raise InputError(
            faults
            or [
                Fault(
                    "The workbook has none of the sheets of a case.",
                    f"Name them {', '.join(SHEETS)}.",
                    Place(file=path.name),
                )
            ]
        )
    if "measurements" not in sheets:
        faults.append(
            Fault(
                "There is no sheet 'measurements'.",
                "Add it: one row a stream, one column a quantity.",
                Place(file=path.name),
            )
        )
    else:
        tables["measurements"] = sheets["measurements"]
    rows = read_circuit_sheets(sheets, path.name)
    rows.weighing = weighing
    return rows, tables, book.only((laboratory.LAB_SHEET,))


def _folder(
    path: Path, faults: list[Fault], more: Sequence[str]
) -> tuple[DefinitionRows, dict[str, Table]]:
    circuit, measurements = path / CIRCUIT_FILE, path / MEASUREMENTS_FILE
    missing = [
        Fault(f"There is no {file.name} in the folder.", mend, Place(file=str(path)))
        for file, mend in (
            (circuit, "Write it, or start from 'oretally new'."),
            (measurements, "Write it: one row a stream, one column a quantity."),
        )
        if not is_file(file)
    ]
    if missing:
        raise InputError(missing)
    rows = read_circuit_text(circuit, CIRCUIT_FILE)
    if is_file(path / STOCKS_FILE):
        rows.stocks, wrong = read_csv_table(path / STOCKS_FILE, STOCKS_FILE)
        faults.extend(wrong)
    tables = {}
    for file in (measurements, *(path / f"{name}.csv" for name in more)):
        if is_file(file):
            table, wrong = read_csv_table(file, file.name)
            faults.extend(wrong)
            if table is not None:
                tables[file.stem] = table
    return rows, tables
