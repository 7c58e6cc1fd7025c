"""What a case says of its slips: containers in use, and how often its numbers are badly wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from oretally.flowsheet import Basis, Dimension, Fault, Place, Survey, UnitError, parse_unit
from oretally.flowsheet.faults import nearest_name
from oretally.flowsheet.quantities import meanings
from oretally.flowsheet.streams import fold_name
from oretally.io.amount import read_amount, read_share
from oretally.recon.findings import ErrorRates

__all__ = ["ContainerRow", "DoubtRow", "container_masses", "error_rates"]

_ANY, _LOSS = "measurement", "loss"


@dataclass(frozen=True, slots=True)
class ContainerRow:
    """A container and its empty mass, as written."""

    name: str
    mass: object
    place: Place


@dataclass(frozen=True, slots=True)
class DoubtRow:
    """How often a quantity is badly wrong, in percent, as written."""

    quantity: str
    percent: object
    place: Place


def container_masses(rows: Sequence[ContainerRow], faults: list[Fault]) -> dict[str, float]:
    """Return the empty masses in kg; what is wrong is added to ``faults``."""
    masses: dict[str, float] = {}
    for row in rows:
        place = row.place.about(quantity="empty mass")
        amount = read_amount(row.mass)
        if amount is None or amount[0] <= 0.0:
            faults.append(
                Fault(f"The mass of the container '{row.name}' is '{row.mass}'; it is a number "
                      "above 0 with its unit.", 'Write for example "bucket" = "1.25 kg".', place)
            )  # fmt: skip
            continue
        if row.name in masses:
            faults.append(
                Fault(f"The container '{row.name}' is there twice.", "Take one out.", place)
            )
            continue
        try:
            masses[row.name] = parse_unit(amount[1], Dimension.MASS).to_base(amount[0])
        except UnitError as error:
            faults.append(Fault(error.problem, error.mend, place))
    return masses


def error_rates(rows: Sequence[DoubtRow], survey: Survey, faults: list[Fault]) -> ErrorRates:
    """Return the rates of gross errors; what is wrong is added to ``faults``."""
    quantities = [survey.basis.quantity, *(a.name for a in survey.analytes)]
    quantities += [q for q, m in meanings(survey).items() if m.run is None and q not in quantities]
    spelling = {fold_name(q): q for q in (*quantities, _ANY, _LOSS)}
    other = {fold_name(b.quantity) for b in Basis} - {fold_name(survey.basis.quantity)}
    shares: dict[str, float] = {}
    for row in rows:
        place = row.place.about(quantity=row.quantity)
        key = fold_name(row.quantity)
        share = read_share(row.percent)
        if key not in spelling:
            near = None if key in other else nearest_name(row.quantity, list(spelling.values()))
            known = ", ".join(spelling.values())
            mend = f"Did you mean '{near}'?" if near else f"Known here: {known}."
            faults.append(Fault(f"'{row.quantity}' is no quantity of this case.", mend, place))
        elif share is None:
            faults.append(
                Fault(f"How often it is badly wrong is given as {row.percent}; it is a number "
                      "above 0 and below 50, in percent.", "Write for example 3.", place)
            )  # fmt: skip
        elif spelling[key] in shares:
            faults.append(Fault("This is stated twice.", "Take one out.", place))
        else:
            shares[spelling[key]] = share
    default = ErrorRates()
    return ErrorRates(
        measurement=shares.pop(_ANY, default.measurement),
        loss=shares.pop(_LOSS, default.loss),
        by_quantity=shares,
    )
