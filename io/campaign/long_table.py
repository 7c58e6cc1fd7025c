"""Many surveys in one table: a column 'survey' says which survey a row belongs to.

The other columns are those of measurements.csv; 'time' and 'kind' are of the survey. What is kept
of each survey is the circuit.toml and its own rows, in their order, as a measurements.csv.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from oretally.flowsheet import Fault, InputError, NodeKind, Place
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.foreign_text import unreadable_character
from oretally.io.campaign.given import GivenSurvey, case_of, kept_name
from oretally.io.campaign.moments import read_moment
from oretally.io.campaign.stock_rows import piles_of, stock_table
from oretally.io.case import CIRCUIT_FILE, MEASUREMENTS_FILE
from oretally.io.definition import STOCKS_FILE, read_circuit
from oretally.io.files import (
    SUFFIXES,
    Cell,
    Table,
    cell_at,
    make_table,
    read_csv_table,
    read_input,
    read_workbook,
    readable_name,
)

__all__ = [
    "KIND",
    "SURVEY",
    "SURVEYS_FILE",
    "TIME",
    "SurveyHeading",
    "headings",
    "long_table",
    "split",
]

SURVEY, TIME, KIND = "survey", "time", "kind"
SURVEYS_FILE = "surveys.csv"
_STREAM = "stream"
_PARQUET = ".parquet"
_COMMA = re.compile(r"([<>]?\s*[+-]?\d+),(\d+(?:[eE][+-]?\d+)?(?:\s*[^\d\s.,:/-].*)?)")


@dataclass(frozen=True, slots=True)
class SurveyHeading:
    """What a table says of a survey beside its measurements."""

    label: str
    time: datetime | None
    kind: str
    rows: tuple[int, ...]


def long_table(path: Path) -> tuple[Table | None, list[Fault]]:
    """Read a table with a column 'survey': CSV, Parquet, or the sheet 'surveys' of a workbook."""
    name = readable_name(path.name)
    suffix = path.suffix.casefold()
    if suffix in SUFFIXES:
        sheets, faults = read_workbook(path, name, ("surveys", "measurements"), key=SURVEY)
        table = sheets.get("surveys", sheets.get("measurements"))
        if table is None and not faults:
            problem = "The workbook has no sheet 'surveys'."
            mend = f"Name the sheet of the measurements so; it needs a column '{SURVEY}'."
            faults = [Fault(problem, mend, Place(file=name))]
        return table, faults
    if suffix == _PARQUET:
        return _parquet_table(path, name)
    return read_csv_table(path, name, key=SURVEY)


def _parquet_table(path: Path, name: str) -> tuple[Table | None, list[Fault]]:
    import pandas as pd

    place = Place(file=name)
    try:
        frame = pd.read_parquet(io.BytesIO(read_input(path)))
    except ImportError:
        mend = "python3 -m pip --python .venv/bin/python install --no-cache-dir '.[parquet]'"
        return None, [Fault("Parquet needs pyarrow.", f"Install it: {mend}", place)]
    except (OSError, ValueError) as error:  # what pyarrow finds wrong is one of these
        problem = f"The file cannot be read as Parquet: {str(error).splitlines()[0]}"
        return None, [Fault(problem, "Write it anew from the program that made it.", place)]
    if _STREAM not in frame.columns and _STREAM in frame.index.names:
        frame = frame.reset_index()
    lines = [[Cell(str(c), place, "", 0, j) for j, c in enumerate(frame.columns)]]
    columns = [frame[c].astype(object).where(frame[c].notna(), None).tolist() for c in frame]
    for i, row in enumerate(zip(*columns, strict=True), start=1):
        lines.append([Cell(_plain(value), place, "", i, j) for j, value in enumerate(row)])
    return make_table(place, lines, key=SURVEY)


def _plain(value: object) -> object:
    """Return a value of a frame as a cell has it: times without the type of the library."""
    to_python = getattr(value, "to_pydatetime", None)
    return to_python() if callable(to_python) else value


def headings(table: Table, faults: list[Fault], *, rows_each: bool) -> list[SurveyHeading]:
    """Return the surveys of a table in the order of their first rows.

    Without ``rows_each``, a survey has one row only. What is wrong is added to ``faults``.
    """
    at = _columns(table)
    if SURVEY not in at:
        problem = f"There is no column '{SURVEY}'."
        mend = "Add it: which survey each row belongs to."
        faults.append(Fault(problem, mend, table.place))
        return []
    found: dict[str, list[int]] = {}
    spelt: dict[str, Cell] = {}
    for i, row in enumerate(table.rows):
        cell = row[at[SURVEY]]
        wrong = _label_fault(cell)
        if wrong is not None:
            faults.append(wrong)
            continue
        other = spelt.setdefault(fold_name(cell.text), cell)
        if other.text != cell.text:
            problem = f"'{cell.text}' and '{other.text}' differ in spaces or capitals only."
            faults.append(Fault(problem, "Write one label in one way.", cell.place))
            continue
        found.setdefault(cell.text, []).append(i)
    return [_heading(table, at, label, rows, faults, many=rows_each)
            for label, rows in found.items()]  # fmt: skip


def _heading(
    table: Table, at: Mapping[str, int], label: str, rows: Sequence[int], faults: list[Fault], *,
    many: bool,
) -> SurveyHeading:  # fmt: skip
    if len(rows) > 1 and not many:
        place = table.rows[rows[1]][at[SURVEY]].place
        faults.append(Fault(f"The survey '{label}' is there twice.", "Take one row out.", place))
    times, kinds = list[tuple[datetime, Cell]](), list[Cell]()
    for i in rows:
        if TIME in at:
            cell = table.rows[i][at[TIME]]
            moment = read_moment(cell.value, cell.place)
            if isinstance(moment, Fault):
                faults.append(moment)
            elif moment is not None:
                times.append((moment, cell))
        if KIND in at and not (cell := table.rows[i][at[KIND]]).blank:
            kinds.append(cell)
    pairs = ((TIME, times[0][1], next((c for m, c in times if m != times[0][0]), None))
             if times else None,
             (KIND, kinds[0], next((c for c in kinds if c.text != kinds[0].text), None))
             if kinds else None)  # fmt: skip
    for what, first, other in (pair for pair in pairs if pair is not None):
        if other is not None:
            problem = f"The survey '{label}' has two {what}s: '{first.text}' and '{other.text}'."
            faults.append(Fault(problem, f"A survey has one {what}.", other.place))
    return SurveyHeading(
        label, times[0][0] if times else None, kinds[0].text if kinds else "", tuple(rows)
    )


def _columns(table: Table) -> dict[str, int]:
    """Return where the columns of the survey stand."""
    found: dict[str, int] = {}
    for j, cell in enumerate(table.header):
        name = cell.text.casefold()
        if name in (SURVEY, TIME, KIND, _STREAM):
            found.setdefault(name, j)
    return found


def _label_fault(cell: Cell) -> Fault | None:
    if cell.blank:
        mend = f"Write it in every row; an empty '{SURVEY}' is not the one above."
        return Fault("The row belongs to no survey.", mend, cell.place)
    wrong = unreadable_character(cell.text, name=True)
    if wrong:
        return Fault(f"A label has the character {wrong}.", "Take it out.", cell.place)
    return None


def split(
    table: Table, circuit: bytes, source: str
) -> tuple[list[GivenSurvey], list[tuple[str, InputError]]]:
    """Cut a table into its surveys, and read each.

    Parameters
    ----------
    table : Table
    circuit : bytes
        The circuit.toml of all of them.
    source : str
        The file as given.

    Returns
    -------
    surveys : list of GivenSurvey
    refused : list of (str, InputError)
        Labels of surveys that cannot be read, and why; cells are those of the table.

    Raises
    ------
    InputError
        If the columns of the surveys are faulty.
    """
    faults: list[Fault] = []
    if table.undecided:
        problem = "Commas in numbers can be read in two ways, and nothing in the table decides."
        faults.append(Fault(problem, "Write numbers with a decimal point.", table.place))
    at = _columns(table)
    if _STREAM not in at:
        faults.append(Fault("There is no column 'stream'.", "Add it.", table.place))
    found = headings(table, faults, rows_each=True)
    if faults:
        raise InputError(faults)
    kept = [j for j in range(len(table.header))
            if j not in {at.get(name) for name in (SURVEY, TIME, KIND)}]  # fmt: skip
    stream = kept.index(at[_STREAM])
    known = read_circuit(circuit.decode(errors="replace"), CIRCUIT_FILE).kinds
    drawn = [name for name, kind, _ in known if kind == NodeKind.STOCKPILE.value]
    piles = piles_of([row[at[_STREAM]] for row in table.rows], drawn)
    good, refused = list[GivenSurvey](), list[tuple[str, InputError]]()
    for heading in found:
        cells = [[row[j] for j in kept] for row in (table.header, *(table.rows[i]
                 for i in heading.rows))]  # fmt: skip
        header, rows = cells[0], cells[1:]
        stocks, streams = stock_table(header, rows, stream, piles)
        case_name = kept_name(f"survey {heading.label}")
        files = {
            f"{case_name}/{CIRCUIT_FILE}": circuit,
            f"{case_name}/{MEASUREMENTS_FILE}": _csv(
                [[c.text for c in row] for row in (header, *streams)], table.decimal, [stream]
            ),
        }
        if piles:
            files[f"{case_name}/{STOCKS_FILE}"] = _csv(stocks, table.decimal, [0, 1])
        try:
            case = case_of(files, heading.label)
        except InputError as error:
            refused.append((heading.label, _at_home(error, [header, *streams], heading.label)))
            continue
        good.append(
            GivenSurvey(
                heading.label, heading.time, heading.kind, files, source,
                _place(cells, table.place.sheet), case.circuit,
            )
        )  # fmt: skip
    return good, refused


def _csv(rows: Sequence[Sequence[str]], decimal: str, names: Collection[int]) -> bytes:
    """Return cells as CSV with a decimal point, but for the columns that hold ``names``."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    for row in rows:
        writer.writerow(
            _pointed(cell) if decimal == "," and j not in names else cell
            for j, cell in enumerate(row)
        )
    return text.getvalue().encode()


def _pointed(cell: str) -> str:
    """Return a number, a limit or an amount with a decimal point; whatever else as it is."""
    number = _COMMA.fullmatch(cell)
    return cell if number is None else f"{number[1]}.{number[2]}"


def _place(cells: Sequence[Sequence[Cell]], sheet: str) -> str:
    """Return sheet and rows, counted from 1 as a spreadsheet counts them: 'rows 5-8, 20'."""
    numbers = sorted({next(c.row for c in row if c.row >= 0) + 1 for row in cells[1:]})
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    told = ", ".join(f"{run[0]}-{run[-1]}" if len(run) > 1 else f"{run[0]}" for run in runs)
    return f"sheet '{sheet}', rows {told}" if sheet else f"rows {told}"


def _at_home(error: InputError, cells: Sequence[Sequence[Cell]], label: str) -> InputError:
    """Return what is wrong with a survey with the cells of the table that it came from."""
    faults = []
    for fault in error.faults:
        place, at = fault.place, cell_at(fault.place.cell)
        if at is not None and place.file.endswith(MEASUREMENTS_FILE):
            row, column = at
            if row < len(cells) and column < len(cells[row]):
                place = cells[row][column].place_of(place.stream, place.quantity)
        elif place.file.endswith((MEASUREMENTS_FILE, STOCKS_FILE)):
            place = replace(place, file=f"{cells[0][0].place.file}, survey '{label}'")
        faults.append(replace(fault, place=place))
    return InputError(faults)
