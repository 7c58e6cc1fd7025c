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
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.faults import did_you_mean
from oretally.flowsheet.survey import in_solution
from oretally.io.cells import (
    WATER,
    quantities_of,
    quantity_unit,
    read_amount,
    read_definition_number,
)

__all__ = ["CLASS_GRADES", "CLASS_MASS", "FROM_LAB", "REAGENTS_ADDED", "REAGENTS_LEFT",
           "SOLUTION_ADDED", "SOLUTION_SAMPLED", "ErrorRow", "Scope", "error_model",
           "read_rule"]  # fmt: skip

FROM_LAB = "from lab"
"""Stands in place of an error rule: the precision of the batch's duplicates."""
CLASS_MASS, CLASS_GRADES = "class mass", "class grades"
"""Rules of size classes: of the mass or share of each, and of the grades of all analytes."""
SOLUTION_SAMPLED, SOLUTION_ADDED = "solution sampled", "solution added"
REAGENTS_ADDED, REAGENTS_LEFT = "reagents added", "reagents left"
"""Rules of a leach over time: of its volumes, and of all its reagents."""
_OVER_TIME = (SOLUTION_SAMPLED, SOLUTION_ADDED, REAGENTS_ADDED, REAGENTS_LEFT)


@dataclass(frozen=True, slots=True)
class ErrorRow:
    """An error rule as written; ``stream`` is empty for a rule of all streams."""

    stream: str
    quantity: str
    relative: object
    absolute: object
    coverage: object
    place: Place


@dataclass(frozen=True, slots=True)
class Scope:
    """Quantities and streams that a case has, as far as they are known.

    Attributes
    ----------
    basis : Basis
    streams : sequence of str
        Empty if they could not be read.
    analytes : sequence of Analyte
        Empty if the headers of the measurements say what is assayed.
    """

    basis: Basis
    streams: Sequence[str]
    analytes: Sequence[Analyte]

    def dimension(self, quantity: str) -> Dimension:
        """Return what a quantity measures."""
        key = fold_name(quantity)
        if key == CLASS_MASS:
            return Dimension.SHARE
        if key in _OVER_TIME:
            return Dimension.SOLUTION if key == REAGENTS_LEFT else Dimension.MASS
        flow = key in {WATER, *(b.quantity for b in Basis)}
        bulk = self.basis.dimension if flow else Dimension.GRADE
        return quantities_of(self.basis).get(key, bulk)

    def fault(self, stream: str, quantity: str, place: Place, what: str) -> Fault | None:
        """Return what is wrong with the names that a row bears; ``what`` is what it states."""
        quantities = [self.basis.quantity, *(a.name for a in self.analytes)]
        known = {*map(fold_name, quantities), *quantities_of(self.basis), WATER}
        known |= {fold_name(in_solution(a.name)) for a in self.analytes}
        if fold_name(quantity) in (CLASS_MASS, CLASS_GRADES):
            if what != "An error":
                return Fault(f"{what} is stated for '{quantity}'; of size classes only whole "
                             "errors are read.", "State the whole error under [errors].",
                             place)  # fmt: skip
            known |= {CLASS_MASS, CLASS_GRADES}
        if what == "An error":
            known |= set(_OVER_TIME)
        flow = fold_name(quantity) in {b.quantity for b in Basis}
        if (self.analytes or flow) and fold_name(quantity) not in known:
            mend = did_you_mean(
                quantity,
                [*quantities, CLASS_MASS, CLASS_GRADES],
                otherwise=f"Quantities: {', '.join(quantities)}.",
            )
            return Fault(f"{what} is stated for '{quantity}', which is no quantity of this case "
                         f'(basis "{self.basis}").', mend, place)  # fmt: skip
        if stream and self.streams and fold_name(stream) not in map(fold_name, self.streams):
            mend = did_you_mean(stream, self.streams, "Streams")
            return Fault("There is no such stream.", mend, place)
        return None


def error_model(
    rows: Sequence[ErrorRow],
    scope: Scope,
    faults: list[Fault],
    lab: Mapping[str, ErrorRule] | None,
) -> tuple[ErrorModel, frozenset[str]]:
    """Return the rules, and the folded quantities whose rules are faulty.

    Parameters
    ----------
    rows : sequence of ErrorRow
    scope : Scope
    faults : list of Fault
        What is wrong is added.
    lab : mapping, optional
        Rules that the duplicates of the laboratory batch give, by folded analyte.
    """
    doubted: set[str] = set()
    general: dict[str, ErrorRule] = {}
    own: dict[tuple[str, str], ErrorRule] = {}
    for row in rows:
        place, key = (
            row.place.about(stream=row.stream, quantity=row.quantity),
            fold_name(row.quantity),
        )
        wrong = scope.fault(row.stream, row.quantity, place, "An error")
        if wrong is not None:
            faults.append(wrong)
            continue
        if isinstance(row.absolute, str) and row.absolute.strip().casefold() == FROM_LAB:
            rule = _from_lab(key, lab, place, faults)
        else:
            dimension = scope.dimension(row.quantity)
            if key == CLASS_MASS and _is_mass(row.absolute):
                dimension = Dimension.MASS
            rule = read_rule(row, dimension, place, faults)
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


def _read_as(quantity: str) -> str:
    """Return the quantity whose units those of a rule are: volumes of solution count as masses."""
    key = fold_name(quantity)
    if key == REAGENTS_LEFT:
        return in_solution("reagent")
    return WATER if key in _OVER_TIME else quantity


def _is_mass(absolute: object) -> bool:
    """Tell whether an amount has the unit of a mass."""
    amount = read_amount(absolute)
    if amount is None:
        return False
    try:
        return parse_unit(amount[1]).dimension is Dimension.MASS
    except UnitError:
        return False


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


def read_rule(
    row: ErrorRow, dimension: Dimension, place: Place, faults: list[Fault]
) -> ErrorRule | None:
    """Return the rule of a row; what is wrong with it is added to ``faults``."""
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
                absolute = amount[0]
                unit = quantity_unit(_read_as(row.quantity), amount[1], dimension)
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
