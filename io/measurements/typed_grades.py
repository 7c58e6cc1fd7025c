"""Grades that were typed, held against the laboratory's certificate; and those not typed yet."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import partial
from statistics import fmean

import oretally.io.laboratory as laboratory
from oretally.flowsheet import Analyte, Basis, Dimension, Unit
from oretally.flowsheet.circuit import fold_name
from oretally.io.cells import Grade, TypedValue, quantity_unit
from oretally.io.files import Cell, Table
from oretally.io.measurements.table import Entry, read_entries

__all__ = ["GradeDifference", "MissingGrades", "TypedGrades", "held_against"]

_SAME = 1e-9  # relative: one number, converted
_DIGITS = re.compile(r"\d+(?:[.,](\d*))?(?:[eE]([+-]?\d{1,3}))?")


@dataclass(frozen=True, slots=True)
class GradeDifference:
    """A typed grade that is none of the certificate's.

    ``elsewhere`` names the streams of which the certificate has just that grade.
    """

    stream: str
    analyte: str
    cell: Cell
    typed: str
    readings: tuple[laboratory.SampleReading, ...]
    elsewhere: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MissingGrades:
    """Readings of the certificate that stand in no cell yet; ``unit`` is that of the column."""

    stream: str
    analyte: str
    unit: Unit
    readings: tuple[laboratory.SampleReading, ...]


@dataclass(frozen=True, slots=True)
class TypedGrades:
    """What a measurements table has of a certificate.

    Attributes
    ----------
    agreeing : int
        Typed grades that are those of the certificate.
    differences : tuple of GradeDifference
        In the order of the table.
    missing : tuple of MissingGrades
        Nothing is missing of a stream and analyte of which a typed grade differs or cannot be read.
    no_column : tuple of str
        Analytes of the certificate that the table has no column for.
    """

    agreeing: int
    differences: tuple[GradeDifference, ...]
    missing: tuple[MissingGrades, ...]
    no_column: tuple[str, ...]


def held_against(
    table: Table, certificate: laboratory.AssayCertificate, analytes: Sequence[Analyte],
    basis: Basis, *, water: bool = False,
) -> TypedGrades:  # fmt: skip
    """Return how grades of solids and solution in a measurements table stand to a certificate.

    A typed grade agrees if it is one of the readings of its stream, or the mean of several, in
    whatever unit, to the digits that were typed.

    Parameters
    ----------
    table : Table
        Wide or long; what cannot be read is left to `read_survey`.
    certificate : AssayCertificate
    analytes : sequence of Analyte
        Known ones; if empty, every other header with the unit of a grade is one.
    basis, water
        As for `read_entries`.
    """
    read = read_entries(table, basis, [a.name for a in analytes], [], water=water)
    columns = {
        fold_name(name): (name, unit)
        for name, unit in read.quantities
        if unit.dimension is Dimension.GRADE
    }
    known = {fold_name(a.name): a for a in analytes}
    typed: dict[tuple[str, str], list[Entry]] = {}
    for entry in read.entries:
        if fold_name(entry.quantity) in columns:
            at = (fold_name(entry.stream.text), fold_name(entry.quantity))
            typed.setdefault(at, []).append(entry)
    agreeing, differences, missing = 0, list[GradeDifference](), list[MissingGrades]()
    lacking = dict[str, None]()
    for (stream, key), readings in certificate.readings.items():
        if key not in columns:
            lacking.setdefault(readings[0].analyte)
            continue
        name, unit = columns[key]
        analyte = known.get(key) or Analyte(name, unit)
        cells = typed.get((fold_name(stream), key), [])
        read_cells = [(entry.value, _read(entry, table, analyte)) for entry in cells]
        there = [(cell, found) for cell, found in read_cells if found is not None]
        off = [each for each in there if not _agrees(each[1], readings)]
        agreeing += len(there) - len(off)
        differences += [
            GradeDifference(stream, name, cell, _shown(cell, found), readings,
                            _elsewhere(found, stream, key, certificate))
            for cell, found in off
        ]  # fmt: skip
        doubtful = off or len(there) < len(cells)
        left = () if doubtful else _left([found for _, found in there], readings)
        if left:
            missing.append(MissingGrades(stream, name, unit, left))
    differences.sort(key=lambda d: (d.cell.row, d.cell.column))
    return TypedGrades(agreeing, tuple(differences), tuple(missing), tuple(lacking))


def _read(entry: Entry, table: Table, analyte: Analyte) -> TypedValue | str | None:
    """Return the grade of a cell, the word that stands for none, or None if it cannot be read."""
    unit_of = partial(quantity_unit, analyte.name, dimension=Dimension.GRADE)
    found = Grade(unit_of=unit_of, title=analyte.name, analyte=analyte).read(
        entry.value, table, entry.unit, stream=entry.stream.text, quantity=entry.quantity
    )
    return found if isinstance(found, TypedValue | str) else None


def _shown(cell: Cell, found: TypedValue | str) -> str:
    if isinstance(found, TypedValue) and not found.own_unit:
        return f"{cell.text} {found.unit}"
    return cell.text


def _agrees(typed: TypedValue | str, readings: Sequence[laboratory.SampleReading]) -> bool:
    if not isinstance(typed, TypedValue):
        return False
    return any(_same(typed, r.found) for r in readings) or _is_mean(typed, readings)


def _same(typed: TypedValue, found: TypedValue) -> bool:
    """Tell whether a typed number is another, to its own digits, both bounded the same way."""
    if typed.reading[1:] != found.reading[1:]:
        return False
    return abs(typed.base - found.base) <= _rounding(typed) + _SAME * found.base


def _is_mean(typed: TypedValue, readings: Sequence[laboratory.SampleReading]) -> bool:
    bounded = (True in r.found.reading[1:] for r in readings)
    if len(readings) < 2 or True in typed.reading[1:] or any(bounded):
        return False
    mean = fmean(r.found.base for r in readings)
    return abs(typed.base - mean) <= _rounding(typed) + _SAME * mean


def _rounding(typed: TypedValue) -> float:
    """Return half a unit of the last digit that was typed, in the base unit."""
    digits = _DIGITS.search(typed.cell.text)
    if digits is None:
        return 0.0
    places = len(digits[1] or "") - int(digits[2] or 0)
    return typed.unit.to_base(float(Decimal(5).scaleb(-places - 1)))


def _elsewhere(
    typed: TypedValue | str, stream: str, key: str, certificate: laboratory.AssayCertificate
) -> tuple[str, ...]:
    if not isinstance(typed, TypedValue):
        return ()
    others = ((name, found) for (name, a), found in certificate.readings.items()
              if a == key and name != stream)  # fmt: skip
    return tuple(name for name, found in others if any(_same(typed, r.found) for r in found))


def _left(
    typed: Sequence[TypedValue | str], readings: Sequence[laboratory.SampleReading]
) -> tuple[laboratory.SampleReading, ...]:
    """Return the readings that no typed grade stands for; a mean stands for all of them."""
    left = list(readings)
    for each in typed:
        if not isinstance(each, TypedValue):
            continue
        found = next((r for r in left if _same(each, r.found)), None)
        if found is None:
            return ()
        left.remove(found)
    return tuple(left)
