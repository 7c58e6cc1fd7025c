"""Grades of a certificate written into blank cells of the measurements; all else stays.

A number that somebody typed is never written over. Readings beyond the rows that a stream has go
into rows of their own below the table: they are replicates.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

from oretally.flowsheet import Fault, InputError, Place, Unit
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.survey import in_solution
from oretally.io.case import MEASUREMENTS_FILE, SHEETS
from oretally.io.certificate.streams import CaseCertificate, case_certificate
from oretally.io.files import (
    FileChanged,
    Table,
    address,
    digest_of,
    is_folder,
    read_input,
    replace_file,
    toml_key,
    toml_text,
    unchanged_since,
)
from oretally.io.grids import csv_bytes, csv_grid, reached_sheets, workbook_bytes, workbook_grids
from oretally.io.laboratory import LabTable, SampleReading
from oretally.io.measurements import WEIGHING, MissingGrades, grade_columns

__all__ = ["FilledGrade", "fill_grades"]

_PLAIN = re.compile(r"\d+(?:\.\d+)?")
_SHEET = "measurements"
_REPLICATE = "replicate"
_READ = {*SHEETS, "sizes", "metallics", "lab", WEIGHING}  # what a formula elsewhere comes to is not
Grid = list[list[str]]


@dataclass(frozen=True, slots=True)
class FilledGrade:
    """A grade that was written: what it is of, the sample's label, the text and its cell."""

    stream: str
    analyte: str
    label: str
    text: str
    cell: str


def fill_grades(path: Path, batch: LabTable) -> tuple[CaseCertificate, tuple[FilledGrade, ...]]:
    """Write the grades that are missing; return how the case stood before, and what was written.

    Parameters
    ----------
    path : Path
        Of the case.
    batch : LabTable
        Its laboratory batch.

    Raises
    ------
    InputError
        If the case cannot be read, no sample is of one of its streams, or the file cannot be
        written without touching more than blank cells.
    """
    folder = is_folder(path)
    file = path / MEASUREMENTS_FILE if folder else path
    place, digest = Place(file=file.name), digest_of(file)  # before anything of it is read
    found = case_certificate(path, batch, needed=True)
    table = None if found is None else found.plan.table
    if found is None or table is None:
        raise _refused("There is no table of measurements to fill.", "Write it: one row a stream, "
                       "one column a quantity.", place)  # fmt: skip
    if not found.certificate.labels:
        raise InputError([_nothing_matched(found)])
    if faults := list(_not_of_these(found, place)):
        raise InputError(faults)
    data = read_input(file)
    if folder:
        grid = csv_grid(data, file.name)
        rows, told = _with_grades([list(row) for row in grid.rows], table, found, table.decimal)
        made = csv_bytes(grid, rows)
    else:
        made, told = _in_workbook(data, file.name, table, found)
    if made != data:
        _write(file, made, digest)
    return found, told


def _nothing_matched(found: CaseCertificate) -> Fault:
    place, labels = Place(file=found.path.name), found.certificate.unknown
    problem = "No sample of the batch is of a stream of this case"
    if not labels:
        return Fault(f"{problem}.", "Give samples the type 'sample'.", place)
    stream, label = next(iter(found.plan.labels.items()))
    called = ", ".join(f"'{name}'" for name in labels[:3])
    return Fault(
        f"{problem}: they are called {called}{' and so on' if len(labels) > 3 else ''}.",
        f"Say which is which under [lab]: samples = {{ {toml_key(labels[0])} = "
        f"{toml_text(stream)} }}\nor send them under the labels of 'oretally sheet', as '{label}' "
        f"for '{stream}'.",
        place,
    )


def _not_of_these(found: CaseCertificate, place: Place) -> Iterator[Fault]:
    """Yield what cannot be: a grade of solids where none are, of a solution where there is none."""
    circuit = found.plan.definition.circuit
    content = {} if circuit is None else {s.name: s.content for s in circuit.streams}
    of_solution = {in_solution(a.name) for a in found.plan.analytes}
    for m in found.typed.missing:
        has, where = content[m.stream], replace(place, stream=m.stream, quantity=m.analyte)
        labels = ", ".join(f"'{r.label}'" for r in m.readings)
        if m.analyte in of_solution and not has.has_water:
            yield Fault(f"The batch has {m.analyte} in {labels}, and '{m.stream}' carries no "
                        "solution.", "Correct the sample in the batch, or what the stream carries.",
                        where)  # fmt: skip
        elif m.analyte not in of_solution and not has.has_solids:
            mend = f"If it is of the solution, give it there as '{m.analyte} in solution', in mg/L."
            yield Fault(f"The batch has {m.analyte} of solids in {labels}, and '{m.stream}' "
                        "carries none.", mend, where)  # fmt: skip


def _refused(problem: str, mend: str, place: Place) -> InputError:
    return InputError([Fault(problem, mend, place)])


def _write(file: Path, made: bytes, digest: str | None) -> None:
    place = Place(file=file.name)
    try:
        if not os.stat(file).st_mode & 0o222 or not os.access(file, os.W_OK):
            raise _refused("It is read-only, so it stays.", "Let it be written to.", place)
        replace_file(file, made, judge=unchanged_since(digest))
    except FileChanged as late:
        raise _refused("It was changed meanwhile.", "Ask once more.", place) from late
    except OSError as error:
        raise _refused(f"It cannot be written: {error.strerror}.", "See whether the folder may be "
                       "written to.", place) from error  # fmt: skip


def _in_workbook(
    data: bytes, name: str, table: Table, found: CaseCertificate
) -> tuple[bytes, tuple[FilledGrade, ...]]:
    read = workbook_grids(data, name, {_SHEET})
    place = Place(file=name)
    if read.readonly and not read.computed:
        raise _refused(read.readonly, "Then fill that one.", place)
    title = next(iter(read.grids))
    before = read.grids[title]
    rows, told = _with_grades([list(row) for row in before], table, found, ".")
    if read.computed:
        changed = {(title, j) for _, j in _changed(before, rows)}
        if reached_sheets(data, changed) & _READ:
            raise _refused("Formulas of the workbook depend on cells that would be filled, and "
                           "only a spreadsheet program can bring them up to date.", "Type the "
                           "grades there, or take these formulas out.", place)  # fmt: skip
    return workbook_bytes(data, name, read.grids, {title: rows}), told


def _changed(before: Grid, after: Grid) -> Iterator[tuple[int, int]]:
    for i, row in enumerate(after):
        old = before[i] if i < len(before) else []
        for j, text in enumerate(row):
            if text != (old[j] if j < len(old) else ""):
                yield i, j


@dataclass(slots=True)
class _Rows:
    """A grid that is filled: what stands where, and rows that come below."""

    grid: Grid
    table: Table
    decimal: str
    told: list[FilledGrade] = field(default_factory=list)
    added: list[int] = field(default_factory=list)

    @property
    def words(self) -> dict[str, int]:
        """Where each header stands."""
        return {fold_name(c.text): c.column for c in self.table.header}

    def at(self, word: str) -> int:
        return self.words[word]

    def put(self, i: int, j: int, text: str) -> None:
        self.grid[i] += [""] * (j + 1 - len(self.grid[i]))
        self.grid[i][j] = text

    def blank(self, i: int, j: int) -> bool:
        return j >= len(self.grid[i]) or not self.grid[i][j].strip()

    def below(self, stream: str) -> int:
        """Return a new row of a stream, below the table."""
        while self.grid and not any(text.strip() for text in self.grid[-1]):
            self.grid.pop()
        self.grid.append([])
        self.added.append(len(self.grid) - 1)
        self.put(self.added[-1], self.at("stream"), stream)
        return self.added[-1]

    def write(self, i: int, j: int, reading: SampleReading, missing: MissingGrades) -> None:
        text = _text(reading, missing.unit, self.decimal)
        self.put(i, j, text)
        self.told.append(
            FilledGrade(missing.stream, missing.analyte, reading.label, text, address(i, j))
        )


def _with_grades(
    grid: Grid, table: Table, found: CaseCertificate, decimal: str
) -> tuple[Grid, tuple[FilledGrade, ...]]:
    """Return the grid with the missing grades, and what was written."""
    definition = found.plan.definition
    names = [a.name for a in found.plan.analytes]
    water = definition.water.balanced
    columns = grade_columns(table, definition.basis, names, water=water)
    rows = _Rows(grid, table, decimal)
    for missing in found.typed.missing:
        if columns:
            _wide(rows, missing, columns[fold_name(missing.analyte)])
        else:
            _long(rows, missing)
    _number_alike(rows)
    return rows.grid, tuple(rows.told)


def _of_stream(rows: _Rows, stream: str) -> list[int]:
    """Return the rows of a stream, those below the table too."""
    column, key = rows.at("stream"), fold_name(stream)
    return [
        i for i in range(rows.table.header[0].row + 1, len(rows.grid))
        if column < len(rows.grid[i]) and fold_name(rows.grid[i][column]) == key
    ]  # fmt: skip


def _wide(rows: _Rows, missing: MissingGrades, column: int) -> None:
    blank = [i for i in _of_stream(rows, missing.stream) if rows.blank(i, column)]
    for k, reading in enumerate(missing.readings):
        i = blank[k] if k < len(blank) else rows.below(missing.stream)
        rows.write(i, column, reading, missing)


def _long(rows: _Rows, missing: MissingGrades) -> None:
    quantity, value, unit = (rows.at(word) for word in ("quantity", "value", "unit"))
    blank = [
        i for i in _of_stream(rows, missing.stream)
        if rows.blank(i, value) and fold_name(rows.grid[i][quantity]) == fold_name(missing.analyte)
    ]  # fmt: skip
    for k, reading in enumerate(missing.readings):
        if k < len(blank):
            i = blank[k]
            if rows.blank(i, unit):
                rows.put(i, unit, missing.unit.symbol)
        else:
            i = rows.below(missing.stream)
            rows.put(i, quantity, missing.analyte)
            rows.put(i, unit, missing.unit.symbol)
        rows.write(i, value, reading, missing)


def _number_alike(rows: _Rows) -> None:
    """Give added rows that are alike in every cell numbers: else they would count once."""
    top = rows.table.header[0].row
    texts = [tuple(text.strip() for text in row) for row in rows.grid]
    groups: dict[tuple[str, ...], list[int]] = {}
    for i in range(top + 1, len(texts)):
        groups.setdefault(_cut(texts[i]), []).append(i)
    added = set(rows.added)
    alike = [group for group in groups.values() if len(group) > 1 and added & set(group)]
    if not alike:
        return
    word = next((w for w in rows.words if w in (_REPLICATE, f"{_REPLICATE}s")), "")
    column = rows.words[word] if word else max(len(row) for row in rows.grid)
    if not word:
        rows.put(top, column, _REPLICATE)
    for group in alike:
        for number, i in enumerate(group, start=1):
            if rows.blank(i, column):
                rows.put(i, column, str(number))


def _cut(row: Sequence[str]) -> tuple[str, ...]:
    end = len(row)
    while end and not row[end - 1]:
        end -= 1
    return tuple(row[:end])


def _text(reading: SampleReading, unit: Unit, decimal: str) -> str:
    """Return a reading as it is typed: digits as certified, with its unit where that is another.

    Nothing is converted, so that a cell can be found again on the certificate.
    """
    found = reading.found
    written = found.cell.text.lstrip("<> ")
    digits = re.match(r"[\d.,]+", written)
    text = digits[0] if digits else ""
    if reading.decimal == ",":
        text = text.replace(",", ".")
    if not _PLAIN.fullmatch(text) or float(text) != found.value:
        text = repr(found.value).removesuffix(".0")
    sign = "<" if found.reading.below else ">" if found.reading.above else ""
    text = f"{sign}{text.replace('.', decimal)}"
    return text if found.unit == unit else f"{text} {found.unit.symbol}"
