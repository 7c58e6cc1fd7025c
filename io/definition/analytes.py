"""The analytes of a case, from rows as they were written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from oretally.flowsheet import Analyte, Basis, Dimension, Fault, Place, Unit, UnitError, parse_unit
from oretally.flowsheet.circuit import fold_name
from oretally.io.cells import (
    OTHER_QUANTITIES,
    WATER,
    dissolved_name,
    read_amount,
    read_definition_number,
)
from oretally.io.files import toml_key

__all__ = ["YES_OR_NO", "AnalyteRow", "detection_mend", "read_analytes", "read_dissolved"]

YES_OR_NO = {"true": True, "yes": True, "false": False, "no": False}

_RESERVED = {
    "stream", "note", "notes", "quantity", "value", "unit", "error", "error unit",
    "mass", "passing", "retained", "class mass", "class grades", *OTHER_QUANTITIES,
    WATER,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class AnalyteRow:
    """An analyte as written."""

    name: str
    unit: str
    maximum: object
    detection: object
    place: Place
    dissolved: object = None


def detection_mend(name: str) -> str:
    """Return where the detection limit of an analyte is stated."""
    entry = f'{toml_key(name)} = {{ unit = "%", detection = "0.01 %" }}'
    return f"State it for the analyte: [analytes] {entry}."


def read_analytes(rows: Sequence[AnalyteRow], faults: list[Fault]) -> tuple[Analyte, ...]:
    """Return the analytes; what is wrong with a row is added to ``faults``."""
    found: list[Analyte] = []
    seen: set[str] = set()
    for row in rows:
        if fold_name(row.name) in seen:
            faults.append(
                Fault(f"The analyte '{row.name}' is there twice.", "Take one out.", row.place)
            )
            continue
        if fold_name(row.name) in _RESERVED | {b.quantity for b in Basis}:
            faults.append(
                Fault(f"'{row.name}' cannot be the name of an analyte.", "Rename it.", row.place)
            )
            continue
        dissolved = dissolved_name(row.name)
        if dissolved is not None:
            faults.append(
                Fault(f"'{row.name}' is no analyte of its own but {dissolved}, in the solution.",
                      f"List {dissolved} alone.", row.place)
            )  # fmt: skip
            continue
        seen.add(fold_name(row.name))
        try:
            unit = parse_unit(row.unit, Dimension.GRADE)
        except UnitError as error:
            place = row.place.about(quantity=row.name)
            faults.append(Fault(error.problem, error.mend, place))
            continue
        name = " ".join(row.name.split())
        found.append(Analyte(name, unit, _maximum(row, unit, faults), _detection(row, faults)))
    return tuple(found)


def read_dissolved(rows: Sequence[AnalyteRow], faults: list[Fault]) -> dict[str, bool]:
    """Return which analytes are said to be in the solution, or not; faults are added."""
    stated: dict[str, bool] = {}
    for row in rows:
        if row.dissolved is None or row.dissolved == "":
            continue
        word = str(row.dissolved).strip().casefold()
        if word not in YES_OR_NO:
            faults.append(
                Fault(f"'dissolved' of {row.name} is {row.dissolved}; it says whether the solution "
                      "carries it.", "Write true or false (in a sheet yes or no).",
                      row.place.about(quantity=row.name))
            )  # fmt: skip
        else:
            stated[" ".join(row.name.split())] = YES_OR_NO[word]
    return stated


def _maximum(row: AnalyteRow, unit: Unit, faults: list[Fault]) -> float:
    """Return the largest grade possible, mass per mass."""
    if row.maximum is None or row.maximum == "":
        return 1.0
    largest = unit.from_base(1.0)
    value = read_definition_number(row.maximum)
    if value is None or not 0.0 < value <= largest * (1.0 + 1e-12):
        faults.append(
            Fault(
                f"The max of {row.name} is {row.maximum}; it must be a number above 0 and at "
                f"most {largest:g} {unit}.",
                "Write the grade of the pure mineral, or leave it out.",
                row.place.about(quantity=row.name),
            )
        )
        return 1.0
    return min(unit.to_base(value), 1.0)


def _detection(row: AnalyteRow, faults: list[Fault]) -> float | None:
    """Return the detection limit, mass per mass; None if none is stated."""
    if row.detection in (None, ""):
        return None
    place, amount = row.place.about(quantity=row.name), read_amount(row.detection)
    if amount is None or amount[0] <= 0.0:
        faults.append(
            Fault(f"The detection limit is '{row.detection}'; it is a number above 0 with its "
                  "unit.", 'Write for example detection = "0.01 %".', place)
        )  # fmt: skip
        return None
    try:
        return parse_unit(amount[1], Dimension.GRADE).to_base(amount[0])
    except UnitError as error:
        faults.append(Fault(error.problem, error.mend, place))
        return None
