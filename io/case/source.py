"""Where a case stands: its files or sheets, brought to rows and the table of measurements."""

from __future__ import annotations

from pathlib import Path

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
from oretally.io.files import SUFFIXES, Table, read_csv_table, read_workbook
from oretally.io.measurements import WEIGHING, is_weighing

__all__ = ["CIRCUIT_FILE", "EXPECTED_FILE", "MEASUREMENTS_FILE", "SHEETS", "case_parts"]


SHEETS = (
    "circuit", "nodes", "analytes", "errors", "sources", "report", "containers", "doubts",
    "lab columns", "stocks", "losses", "prices", "measurements",
)  # fmt: skip


CIRCUIT_FILE = "circuit.toml"


MEASUREMENTS_FILE = "measurements.csv"


EXPECTED_FILE = "expected.csv"


def case_parts(path: Path, faults: list[Fault]) -> tuple[DefinitionRows, Table | None]:
    """Return the definition rows and the measurements table; stop at once if there is nothing."""
    name = str(path)
    if path.is_dir():
        return _folder(path, faults)
    if not path.exists():
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
    sheets, wrong = read_workbook(path, path.name, (*SHEETS, WEIGHING))
    weighing = sheets.pop(WEIGHING, None)
    if weighing is None or not is_weighing(weighing):  # a sheet of one's own is not read
        weighing = None
        wrong = [f for f in wrong if fold_name(f.place.sheet) != WEIGHING]
    faults.extend(wrong)
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
    rows = read_circuit_sheets(sheets, path.name)
    rows.weighing = weighing
    return rows, sheets.get("measurements")


def _folder(path: Path, faults: list[Fault]) -> tuple[DefinitionRows, Table | None]:
    circuit, measurements = path / CIRCUIT_FILE, path / MEASUREMENTS_FILE
    missing = [
        Fault(f"There is no {file.name} in the folder.", mend, Place(file=str(path)))
        for file, mend in (
            (circuit, "Write it, or start from 'oretally new'."),
            (measurements, "Write it: one row a stream, one column a quantity."),
        )
        if not file.is_file()
    ]
    if missing:
        raise InputError(missing)
    rows = read_circuit_text(circuit, CIRCUIT_FILE)
    if (path / STOCKS_FILE).is_file():
        rows.stocks, wrong = read_csv_table(path / STOCKS_FILE, STOCKS_FILE)
        faults.extend(wrong)
    table, wrong = read_csv_table(measurements, MEASUREMENTS_FILE)
    faults.extend(wrong)
    return rows, table
