"""What the quantities of a measurements table are called, and what each measures.

Dry masses, analytes, what stands in for the dry flow; where water is balanced too, the water and
the grades of the solution.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from oretally.flowsheet import Basis, Dimension, Fault, Place, Unit, UnitError, parse_unit
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.faults import did_you_mean
from oretally.flowsheet.survey import in_solution, solution_unit
from oretally.io.cells.headers import Spellings, flow_word

__all__ = ["MASS", "WATER", "QuantityNames", "dissolved_name", "quantities_of", "quantity_unit"]

WATER = "water"
MASS = "mass"  # of a class or a fraction
_FLOWS = {basis.quantity: basis for basis in Basis}
_VOLUMES = {Dimension.MASS: Dimension.VOLUME, Dimension.RATE: Dimension.VOLUME_RATE}
_SOLUTION = re.compile(r"(?P<name>.+?)[\s_]+(?:in[\s_]+)?solution", re.IGNORECASE)
_SWITCH_ON = "Write water = true at the top of the case (in the sheet report: water, yes)"

WET = {Basis.BATCH: "wet mass", Basis.RATE: "wet rate"}
_PULP = {Basis.BATCH: Dimension.VOLUME, Basis.RATE: Dimension.VOLUME_RATE}
SHARES, DENSITIES = ("moisture", "% solids"), ("pulp density", "solids density")
OTHER_QUANTITIES = ("wet mass", "wet rate", "pulp", *SHARES, *DENSITIES)


def quantities_of(basis: Basis) -> dict[str, Dimension]:
    """Return the quantities that stand in for the dry flow, with what they measure."""
    return {
        WET[basis]: basis.dimension,
        "pulp": _PULP[basis],
        **dict.fromkeys(SHARES, Dimension.SHARE),
        **dict.fromkeys(DENSITIES, Dimension.DENSITY),
    }


def dissolved_name(quantity: str) -> str | None:
    """Return the analyte of which a quantity is the grade of the solution; None if of none.

    Examples
    --------
    >>> dissolved_name("Au in solution"), dissolved_name("au solution"), dissolved_name("Au")
    ('Au', 'au', None)
    """
    match = _SOLUTION.fullmatch(" ".join(quantity.split()))
    return None if match is None else match["name"]


def quantity_unit(quantity: str, text: str, dimension: Dimension) -> Unit:
    """Return the unit of a quantity as the balance takes it.

    Water may be given by volume: 1 m3 counts as 1 t. Grades of solution are mass per mass of
    solution, at 1 kg/L.

    Raises
    ------
    UnitError
        If the unit is missing, unknown or of something else.

    Examples
    --------
    >>> quantity_unit("water", "m3/h", Dimension.RATE).to_base(2.0)
    2000.0
    """
    if dissolved_name(quantity) is not None:
        return solution_unit(text)
    if fold_name(quantity) == WATER and dimension in _VOLUMES:
        try:
            volume = parse_unit(text, _VOLUMES[dimension])
        except UnitError as by_volume:
            try:
                return parse_unit(text, dimension)
            except UnitError as by_mass:
                if by_mass.readings:
                    raise
                mend = f"{by_mass.mend}\nBy volume: {by_volume.mend[0].lower()}{by_volume.mend[1:]}"
                raise UnitError(by_mass.problem, mend) from by_mass
        return Unit(volume.symbol, dimension, volume.factor * 1000)
    return parse_unit(text, dimension)


class QuantityNames:
    """Tells what a name means in one case.

    Parameters
    ----------
    basis : Basis
    analytes : sequence of str
        If empty, every other name is an analyte.
    water : bool
        Whether water is balanced too.
    """

    def __init__(self, basis: Basis, analytes: Sequence[str], water: bool) -> None:
        self.basis, self.water = basis, water
        self.analytes = {fold_name(a): a for a in analytes}
        self.others = quantities_of(basis) | {WATER: basis.dimension}
        solutions = [in_solution(a) for a in analytes]
        self.known = Spellings([*_FLOWS, *OTHER_QUANTITIES, WATER, *analytes, *solutions])
        self.found: dict[str, str] = {}

    def canonical(self, name: str) -> str:
        """Return a name as the case spells it, else as written."""
        found = self.found.get(name)
        if found is None:
            found = self.known.find(name) or " ".join(name.split())
            analyte = dissolved_name(found)
            if analyte is not None:
                found = in_solution(self.known.find(analyte) or analyte)
            self.found[name] = found
        return found

    def beside(self, written: str, unit: str) -> str:
        """Return a name with its unit as the case spells it: a dry mass in t/h is a dry rate.

        A unit with several readings will do if all are of the flows of the case.
        """
        word = flow_word(written, self.known)
        if word is None or not self._of_flow(unit):
            return self.canonical(written)
        return WET[self.basis] if word.startswith("wet") else self.basis.quantity

    def _of_flow(self, unit: str) -> bool:
        try:
            parse_unit(unit, self.basis.dimension)
        except UnitError as error:
            return bool(error.readings) and all(self._of_flow(each) for each in error.readings)
        return True

    def dimension(self, name: str, place: Place) -> Dimension | Fault:
        """Return what a quantity measures, or why it cannot be taken."""
        folded = fold_name(name)
        dissolved = dissolved_name(folded)
        known = not self.analytes or folded in self.analytes
        if folded == self.basis.quantity:
            return self.basis.dimension
        if not self.water and (folded == WATER or dissolved is not None):
            what = "Water is" if folded == WATER else "A grade of the solution is"
            return Fault(f"{what} given, but the water of this case is not balanced.",
                         f"{_SWITCH_ON},\nor take it out.", place)  # fmt: skip
        if folded in _FLOWS:
            other = _FLOWS[folded]
            return Fault(
                f"'{name}' belongs to the basis \"{other}\", but this case has the basis "
                f'"{self.basis}".',
                f'Give the {self.basis.quantity},\nor write basis = "{other}".',
                place,
            )
        if folded in ("mass", "weight", "rate", "flow", "tonnage"):
            flow = self.basis.quantity
            return Fault(
                f"'{name}' does not say whether it is wet or dry.",
                f"Name it '{flow}' if it is dry\nor '{flow.replace('dry', 'wet')}' if it is wet, "
                "and give the moisture.",
                place,
            )
        if folded in self.others:
            return self.others[folded]
        if folded in OTHER_QUANTITIES:
            right = "wet mass" if folded == "wet rate" else "wet rate"
            return Fault(
                f"'{name}' does not go with the basis \"{self.basis}\" of this case.",
                f"Give the {right}, or correct the basis.",
                place,
            )
        if dissolved is not None and (not self.analytes or dissolved in self.analytes):
            return Dimension.SOLUTION
        if known:
            return Dimension.GRADE
        listed = [self.basis.quantity, *self.analytes.values()]
        if dissolved is not None:
            return Fault(f"'{name}' is no quantity of this case.",
                         f"Analytes: {', '.join(listed[1:])}. List a new one under [analytes].",
                         place)  # fmt: skip
        otherwise = f"Quantities: {', '.join(listed)}. List a new one under [analytes]."
        mend = did_you_mean(name, listed, otherwise=otherwise)
        return Fault(f"'{name}' is no quantity of this case.", mend, place)

    def of_error(self, name: str) -> Dimension | None:
        """Return what the error of a quantity measures; None if the quantity itself is wrong."""
        folded = fold_name(name)
        measures = {q: b.dimension for q, b in _FLOWS.items()} | self.others
        if folded in measures:
            return measures[folded]
        known = not self.analytes or folded in self.analytes
        dissolved = dissolved_name(folded)
        if dissolved is not None:
            known = not self.analytes or dissolved in self.analytes
            return Dimension.SOLUTION if known and self.water else None
        return Dimension.GRADE if known and folded not in OTHER_QUANTITIES else None
