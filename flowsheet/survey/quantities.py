"""What the quantities of a survey mean: of which carrier of a stream, flow or grade.

A quantity is a name. Bulk solids bear the plain names ('dry mass', 'Sn'); the others say what they
are of: 'mass in -75+38 um', 'Sn in -75+38 um', 'Au in solution'.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from oretally.flowsheet.survey.size_grid import Run
from oretally.flowsheet.survey.survey import Survey
from oretally.flowsheet.units import Dimension, Unit, parse_unit

__all__ = ["Kind", "Meaning", "amount_unit", "class_grade", "class_share", "in_solution",
           "meanings", "solution_unit"]  # fmt: skip

_METRIC = ("t", "kg", "g", "mg")


class Kind(StrEnum):
    """What a quantity is."""

    DRY = "flow of dry solids"
    WATER = "flow of water or solution"
    WET = "flow of solids and water together"
    GRADE = "grade of the dry solids"
    SHARE = "share of the dry solids in a size class"
    CLASS_GRADE = "grade of a size class"
    SOLIDS = "share of solids in the pulp"
    SOLUTION = "grade of the solution"


@dataclass(frozen=True, slots=True)
class Meaning:
    """What a quantity is of.

    Attributes
    ----------
    kind : Kind
    unit : Unit
        In which it is shown where it was not measured.
    analyte : int or None
        Of a grade.
    run : Run or None
        Of a size class.
    """

    kind: Kind
    unit: Unit
    analyte: int | None = None
    run: Run | None = None

    @property
    def is_flow(self) -> bool:
        """Whether it is a mass or a rate."""
        return self.kind in (Kind.DRY, Kind.WATER, Kind.WET)


def class_share(label: str) -> str:
    """Return the name of the share of a size class."""
    return f"mass in {label}"


def class_grade(analyte: str, label: str) -> str:
    """Return the name of the grade of an analyte in a size class."""
    return f"{analyte} in {label}"


def in_solution(analyte: str) -> str:
    """Return the name of the grade of an analyte in the solution."""
    return f"{analyte} in solution"


def solution_unit(symbol: str) -> Unit:
    """Return a unit of solution grade as mass per mass of solution, at 1 kg/L.

    Examples
    --------
    >>> solution_unit("mg/L").to_base(5.0)
    5e-06
    """
    unit = parse_unit(symbol, Dimension.SOLUTION)
    return Unit(unit.symbol, Dimension.GRADE, unit.factor / 1000)


def amount_unit(survey: Survey, quantity: str, largest: float) -> Unit:
    """Return the unit for amounts of a quantity: the survey's, or a smaller metric one.

    ``largest`` is the largest amount to be shown. [kg or kg/h]
    """
    unit = survey.flow_unit
    mass, slash, time = unit.symbol.partition("/")
    if quantity in (survey.basis.quantity, "water") or mass not in _METRIC:
        return unit
    for smaller in _METRIC[_METRIC.index(mass) :]:
        unit = parse_unit(f"{smaller}{slash}{time}")
        if unit.from_base(largest) >= 1.0:
            break
    return unit


def meanings(survey: Survey) -> dict[str, Meaning]:
    """Return the meaning of every quantity that a survey may have, in the order shown."""
    percent, flow = parse_unit("%", Dimension.SHARE), survey.flow_unit
    found = {survey.basis.quantity: Meaning(Kind.DRY, flow)}
    if survey.water:
        found["water"] = Meaning(Kind.WATER, flow)
        found[survey.basis.quantity.replace("dry", "wet")] = Meaning(Kind.WET, flow)
        found["% solids"] = Meaning(Kind.SOLIDS, percent)
    for k, a in enumerate(survey.analytes):
        found[a.name] = Meaning(Kind.GRADE, a.unit, k)
    for k, a in enumerate(survey.analytes):
        if a.name in survey.dissolved:
            found[in_solution(a.name)] = Meaning(Kind.SOLUTION, solution_unit("mg/L"), k)
    for run in survey.sizes.all_runs:
        label = survey.sizes.label(run)
        found[class_share(label)] = Meaning(Kind.SHARE, percent, run=run)
        for k, a in enumerate(survey.analytes):
            found[class_grade(a.name, label)] = Meaning(Kind.CLASS_GRADE, a.unit, k, run)
    return found
