"""The error rules of a case, from rows as they were written."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from oretally.flowsheet import (
    Analyte,
    Basis,
    Dimension,
    ErrorModel,
    ErrorRule,
    Fault,
    Place,
    UnitError,
    parse_unit,
)
from oretally.flowsheet.faults import nearest_name
from oretally.flowsheet.streams import fold_name
from oretally.io.amount import read_amount, read_definition_number
from oretally.io.dry_flows import quantities_of

__all__ = ["FROM_LAB", "ErrorRow", "error_model"]

FROM_LAB = "from lab"
"""Stands in place of an error rule: the precision of the batch's duplicates."""


@dataclass(frozen=True, slots=True)
class ErrorRow:
    """An error rule as written; ``stream`` is empty for a rule of all streams."""

    stream: str
    quantity: str
    relative: object
    absolute: object
    coverage: object
    place: Place


def error_model(
    rows: Sequence[ErrorRow],
    streams: Sequence[str],
    basis: Basis,
    analytes: Sequence[Analyte],
    faults: list[Fault],
    lab: Mapping[str, ErrorRule] | None,
) -> tuple[ErrorModel, frozenset[str]]:
    """Return the rules, and the folded quantities whose rules are faulty.

    Parameters
    ----------
    rows : sequence of ErrorRow
    streams : sequence of str
        Names of the circuit's streams; empty if they could not be read.
    basis : Basis
    analytes : sequence of Analyte
        Empty if the headers of the measurements say what is assayed.
    faults : list of Fault
        What is wrong is added.
    lab : mapping, optional
        Rules that the duplicates of the laboratory batch give, by folded analyte.
    """
    doubted: set[str] = set()
    general: dict[str, ErrorRule] = {}
    own: dict[tuple[str, str], ErrorRule] = {}
    others = quantities_of(basis)
    quantities = [basis.quantity, *(a.name for a in analytes)]
    known_streams = {fold_name(s) for s in streams}
    for row in rows:
        place = row.place.about(stream=row.stream, quantity=row.quantity)
        flow = fold_name(row.quantity) in {b.quantity for b in Basis}
        known = {*map(fold_name, quantities), *others}
        if (analytes or flow) and fold_name(row.quantity) not in known:
            near = nearest_name(row.quantity, quantities)
            mend = f"Did you mean '{near}'?" if near else f"Quantities: {', '.join(quantities)}."
            faults.append(
                Fault(f"An error is stated for '{row.quantity}', which is no quantity of this "
                      f"case (basis \"{basis}\").", mend, place)
            )  # fmt: skip
            continue
        if row.stream and known_streams and fold_name(row.stream) not in known_streams:
            near = nearest_name(row.stream, streams)
            mend = f"Did you mean '{near}'?" if near else f"Streams: {', '.join(streams)}."
            faults.append(Fault("There is no such stream.", mend, place))
            continue
        bulk = basis.dimension if flow else Dimension.GRADE
        key = fold_name(row.quantity)
        if isinstance(row.absolute, str) and row.absolute.strip().casefold() == FROM_LAB:
            rule = _from_lab(key, lab, place, faults)
        else:
            rule = _rule(row, others.get(key, bulk), place, faults)
        if rule is None:
            doubted.add(key)
            continue
        if (fold_name(row.stream), key) in own or (not row.stream and key in general):
            faults.append(Fault("This error is stated twice.", "Take one out.", place))
        elif row.stream:
            own[fold_name(row.stream), key] = rule
        else:
            general[key] = rule
    return ErrorModel(general, own), frozenset(doubted)


def _from_lab(
    key: str, lab: Mapping[str, ErrorRule] | None, place: Place, faults: list[Fault]
) -> ErrorRule | None:
    """Return the rule of the batch's duplicates; a fault if they give none."""
    rule = (lab or {}).get(key)
    if rule is None and lab is not None:
        faults.append(
            Fault("The error is to come from the laboratory batch, but its duplicates give none "
                  "for this quantity: 8 pairs are needed.", "See 'oretally lab', or state the "
                  "error.", place)
        )  # fmt: skip
    return rule


def _rule(
    row: ErrorRow, dimension: Dimension, place: Place, faults: list[Fault]
) -> ErrorRule | None:
    """Return the rule of a row; its faults are added."""
    before = len(faults)
    relative = 0.0 if row.relative in (None, "") else read_definition_number(row.relative)
    if relative is None or relative < 0.0:
        faults.append(
            Fault(f"The relative error is {row.relative}; it is a number of at least 0, in "
                  "percent of the value.", "Write for example relative = 3.", place)
        )  # fmt: skip
    coverage = 1.0 if row.coverage in (None, "") else read_definition_number(row.coverage)
    if coverage is None or coverage <= 0.0:
        faults.append(
            Fault(f"The coverage is {row.coverage}; it says how many standard deviations the "
                  "figures are, a number above 0.", "Write 1, 2 or 3, or leave it out.", place)
        )  # fmt: skip
    absolute, unit = 0.0, None
    if row.absolute not in (None, ""):
        amount = read_amount(row.absolute)
        if amount is None or amount[0] < 0.0:
            faults.append(
                Fault(f"The absolute error is '{row.absolute}'; it is a number of at least 0 "
                      "with its unit.", 'Write for example absolute = "2 g".', place)
            )  # fmt: skip
        else:
            try:
                absolute, unit = amount[0], parse_unit(amount[1], dimension)
            except UnitError as error:
                faults.append(Fault(error.problem, error.mend, place))
    if len(faults) == before and relative == 0.0 and absolute == 0.0:
        faults.append(
            Fault("The stated error is 0: nothing is measured without error.",
                  "State a relative error, an absolute one, or both.", place)
        )  # fmt: skip
    if len(faults) > before or relative is None or coverage is None:
        return None
    return ErrorRule(relative, absolute, unit, coverage)
