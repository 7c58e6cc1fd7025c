"""Many surveys in one table: a column 'survey' says which survey a row belongs to.

The other columns are those of measurements.csv; 'time' and 'kind' are of the survey. What is kept
of each survey is the circuit.toml and its own rows, in their order, as a measurements.csv.
"""

from __future__ import annotations

import csv
import io
import re
from bisect import bisect
from collections import defaultdict
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from oretally.flowsheet import Fault, InputError, NodeKind, Place
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.foreign_text import unreadable_character
from oretally.io.campaign.given import GivenSurvey, case_of, kept_name
from oretally.io.campaign.moments import first_number, read_moment
from oretally.io.campaign.stock_rows import piles_of, stock_table
from oretally.io.case import CIRCUIT_FILE, MEASUREMENTS_FILE
from oretally.io.definition import STOCKS_FILE, read_circuit
from oretally.io.files import (
    SUFFIXES,
    Cell,
    Table,
    cell_at,
    cut_numbers,
    make_table,
    number_in_note,
    read_csv_table,
    read_input,
    read_workbook,
    readable_name,
    row_names,
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
    """What a table says of a survey beside its measurements, and what is wrong with that."""

    label: str
    time: datetime | None
    kind: str
    rows: tuple[int, ...]
    faults: tuple[Fault, ...] = ()


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

    Without ``rows_each``, a survey has one row only. What is wrong with the table is added to
    ``faults``; what is wrong with a survey stands with it, as does a row without a label, which
    may be of the survey above it or of that below.
    """
    at = _columns(table)
    if SURVEY not in at:
        problem = f"There is no column '{SURVEY}'."
        mend = "Add it: which survey each row belongs to."
        faults.append(Fault(problem, mend, table.place))
        return []
    found: dict[str, list[int]] = {}
    spelt: dict[str, Cell] = {}
    wrong: dict[str, list[Fault]] = defaultdict(list)
    nameless = list[int]()
    for i, row in enumerate(table.rows):
        cell = row[at[SURVEY]]
        if cell.blank:
            nameless.append(i)
            continue
        character = unreadable_character(cell.text, name=True)
        if character:
            problem = f"A label has the character {character}."
            faults.append(Fault(problem, "Take it out.", cell.place))
            continue
        other = spelt.setdefault(fold_name(cell.text), cell)
        if other.text != cell.text:
            problem = f"'{cell.text}' and '{other.text}' differ in spaces or capitals only."
            wrong[other.text].append(Fault(problem, "Write one label in one way.", cell.place))
            continue
        found.setdefault(cell.text, []).append(i)
    for labels, fault in _nameless_faults(table, at[SURVEY], nameless, found):
        for label in labels:
            wrong[label].append(fault)
        if not labels:
            faults.append(fault)
    mixed = _mixed_dates(table, at)
    return [_heading(table, at, label, rows, [*wrong[label]], mixed, many=rows_each)
            for label, rows in found.items()]  # fmt: skip


def _nameless_faults(
    table: Table, column: int, nameless: Sequence[int], found: Mapping[str, Sequence[int]]
) -> Iterator[tuple[tuple[str, ...], Fault]]:
    """Yield rows without a label as faults, each with the surveys above and below it."""
    label_of = {i: label for label, rows in found.items() for i in rows}
    named = sorted(label_of)
    between: dict[tuple[str, ...], list[Cell]] = defaultdict(list)
    for i in nameless:
        at = bisect(named, i)
        beside = dict.fromkeys(label_of[k] for k in named[max(at - 1, 0) : at + 1])
        between[tuple(beside)].append(table.rows[i][column])
    for labels, cells in between.items():
        problem = f"The row belongs to no survey.{_rows_alike(cells)}"
        mend = f"Write it in every row; an empty '{SURVEY}' is not the one above."
        yield labels, Fault(problem, mend, cells[0].place)


def _rows_alike(cells: Sequence[Cell]) -> str:
    """Return in which rows it is so, where they are several."""
    return f" So it is in {row_names(cells)}." if len(cells) > 1 else ""


def _mixed_dates(table: Table, at: Mapping[str, int]) -> str:
    """Return how a table writes dates if the day stands first in some, the month in others."""
    if TIME not in at:
        return ""
    first = {first_number(text): text for text in {row[at[TIME]].text for row in table.rows}}
    both = "day" in first and "month" in first
    return f"'{first['day']}' and '{first['month']}'" if both else ""


def _heading(
    table: Table, at: Mapping[str, int], label: str, rows: Sequence[int], faults: list[Fault],
    mixed: str, *, many: bool,
) -> SurveyHeading:  # fmt: skip
    """Return what the rows of a survey say of it; ``faults`` are those known of it already."""
    if len(rows) > 1 and not many:
        place = table.rows[rows[1]][at[SURVEY]].place
        faults.append(Fault(f"The survey '{label}' is there twice.", "Take one row out.", place))
    times, kinds = list[tuple[datetime, Cell]](), list[Cell]()
    unread: dict[str, tuple[Fault, list[Cell]]] = {}
    for i in rows:
        if TIME in at:
            cell = table.rows[i][at[TIME]]
            moment = _moment(cell, mixed)
            if isinstance(moment, Fault):
                unread.setdefault(cell.text, (moment, []))[1].append(cell)
            elif moment is not None:
                times.append((moment, cell))
        if KIND in at and not (cell := table.rows[i][at[KIND]]).blank:
            kinds.append(cell)
    faults += [replace(fault, problem=f"{fault.problem}{_rows_alike(cells)}")
               for fault, cells in unread.values()]  # fmt: skip
    pairs = ((TIME, times[0][1], next((c for m, c in times if m != times[0][0]), None))
             if times else None,
             (KIND, kinds[0], next((c for c in kinds if c.text != kinds[0].text), None))
             if kinds else None)  # fmt: skip
    for what, first, other in (pair for pair in pairs if pair is not None):
        if other is not None:
            problem = f"The survey '{label}' has two {what}s: '{first.text}' and '{other.text}'."
            faults.append(Fault(problem, f"A survey has one {what}.", other.place))
    return SurveyHeading(
        label, times[0][0] if times else None, kinds[0].text if kinds else "", tuple(rows),
        tuple(faults),
    )  # fmt: skip


def _moment(cell: Cell, mixed: str) -> datetime | Fault | None:
    """Return the time of a cell; a fault where the table's dates contradict each other."""
    moment = read_moment(cell.value, cell.place)
    if mixed and isinstance(moment, datetime) and first_number(cell.text):
        problem = f"The table has dates with the day first and with the month first: {mixed}."
        return Fault(problem, "Write all of them as 2026-03-14 or 2026-03-14 06:30.", cell.place)
    return moment


def _columns(table: Table) -> dict[str, int]:
    """Return where the columns of the survey stand."""
    found: dict[str, int] = {}
    for j, cell in enumerate(table.header):
        name = cell.text.casefold()
        if name in (SURVEY, TIME, KIND, _STREAM):
            found.setdefault(name, j)
    return found


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

    Notes
    -----
    A note that could be what a decimal comma has moved, see `number_in_note`, is none: it comes of
    a workbook, or of a table that commas do not separate. What is kept is separated by commas, so
    there it stands before the numbers.
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
    known = read_circuit(circuit.decode(errors="replace"), CIRCUIT_FILE).kinds
    drawn = [name for name, kind, _ in known if kind == NodeKind.STOCKPILE.value]
    piles = piles_of([row[at[_STREAM]] for row in table.rows], drawn)
    good, refused = list[GivenSurvey](), list[tuple[str, InputError]]()
    for heading in found:
        lines = [table.header, *(table.rows[i] for i in heading.rows)]
        cells = _notes_first([[row[j] for j in kept] for row in lines])
        header, rows = cells[0], cells[1:]
        stream = next(j for j, cell in enumerate(header) if cell is table.header[at[_STREAM]])
        stocks, streams = stock_table(header, rows, stream, piles)
        home: dict[str, Sequence[Sequence[Cell]]] = {MEASUREMENTS_FILE: [header, *streams]}
        names = {MEASUREMENTS_FILE: [stream], STOCKS_FILE: [0, 1]}
        if piles:
            home[STOCKS_FILE] = stocks
        case_name = kept_name(f"survey {heading.label}")
        files = {f"{case_name}/{CIRCUIT_FILE}": circuit}
        for name, part in home.items():
            files[f"{case_name}/{name}"] = _csv(part, table.decimal, names[name])
        wrong = [*heading.faults]
        try:
            place = _place(streams, rows, table.place.sheet)
            case = case_of(files, heading.label, source=source, place=place)
        except InputError as error:
            wrong += _at_home(error, home, heading.label)
        if wrong:
            refused.append((heading.label, InputError(wrong)))
            continue
        good.append(
            GivenSurvey(
                heading.label, heading.time, heading.kind, files, source,
                place, case.circuit, case.doubled,
            )
        )  # fmt: skip
    return good, refused


def _notes_first(cells: Sequence[Sequence[Cell]]) -> Sequence[Sequence[Cell]]:
    """Return header and rows with the note first, where a comma-separated table would refuse it."""
    header, rows = cells[0], cells[1:]
    notes = number_in_note(header, rows)
    if not any(row[0].row in notes and cut_numbers(header, row) for row in rows):
        return cells
    at = next(iter(notes.values())).column
    j = next(k for k, cell in enumerate(header) if cell.column == at)
    return [[row[j], *row[:j], *row[j + 1 :]] for row in cells]


def _csv(rows: Sequence[Sequence[Cell]], decimal: str, names: Collection[int]) -> bytes:
    """Return cells as CSV with a decimal point, but for the columns that hold ``names``."""
    text = io.StringIO(newline="")
    writer = csv.writer(text, lineterminator="\n")
    for row in rows:
        writer.writerow(
            _pointed(cell.text) if decimal == "," and j not in names else cell.text
            for j, cell in enumerate(row)
        )
    return text.getvalue().encode()


def _pointed(cell: str) -> str:
    """Return a number, a limit or an amount with a decimal point; whatever else as it is."""
    number = _COMMA.fullmatch(cell)
    return cell if number is None else f"{number[1]}.{number[2]}"


def _place(
    streams: Sequence[Sequence[Cell]], rows: Sequence[Sequence[Cell]], sheet: str
) -> str:  # fmt: skip
    """Return sheet and rows of a survey, and which ``rows`` are stocks: 'rows 5-8, 20'.

    They are counted from 1, as a spreadsheet counts them.
    """
    kept, every = ({_number(row) for row in part} for part in (streams, rows))
    stocks = f"; stocks: rows {_runs(every - kept)}" if every - kept else ""
    where = f"rows {_runs(kept)}{stocks}" if kept else f"rows {_runs(every)}"
    return f"sheet '{sheet}', {where}" if sheet else where


def _number(row: Sequence[Cell]) -> int:
    return next(c.row for c in row if c.row >= 0) + 1


def _runs(numbers: Collection[int]) -> str:
    """Return numbers as they are told: '5-8, 20'."""
    runs: list[list[int]] = []
    for number in sorted(numbers):
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{run[0]}-{run[-1]}" if len(run) > 1 else f"{run[0]}" for run in runs)


def _at_home(
    error: InputError, home: Mapping[str, Sequence[Sequence[Cell]]], label: str
) -> list[Fault]:
    """Return what is wrong with a survey with the cells of the table that it came from.

    ``home`` has the cells of each file that was made of them.
    """
    faults = []
    for fault in error.faults:
        place, at = fault.place, cell_at(fault.place.cell)
        name = next((name for name in home if place.file.endswith(name)), "")
        if name:
            row, column = at or (-1, -1)
            lines = home[name]
            if 0 <= row < len(lines) and column < len(lines[row]):
                place = lines[row][column].place_of(place.stream, place.quantity)
            else:
                place = replace(place, file=f"{lines[0][0].place.file}, survey '{label}'")
        faults.append(replace(fault, place=place))
    return faults
