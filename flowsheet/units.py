"""Units of measure: exact factors, and a refusal of whatever can be read in two ways.

Sources of the factors: NIST Special Publication 811 (2008), appendix B, and NIST Handbook 44,
appendix C (from memory): 1 lb = 0.453 592 37 kg, 1 troy ounce = 480/7000 lb, 1 short ton = 2000 lb,
1 long ton = 2240 lb, all exact.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

__all__ = ["Dimension", "Unit", "UnitError", "parse_unit", "units_of"]


class Dimension(StrEnum):
    """What a unit measures."""

    MASS = "mass"
    RATE = "rate"
    GRADE = "grade"


class UnitError(ValueError):
    """A unit is missing, unknown or ambiguous; ``mend`` says what to write instead."""

    def __init__(self, problem: str, mend: str) -> None:
        self.problem = problem
        self.mend = mend
        super().__init__(f"{problem}\n{mend}")


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of measure.

    Attributes
    ----------
    symbol : str
        The spelling shown to the user.
    dimension : Dimension
        Mass, rate or grade.
    factor : Fraction
        Exact size in the base unit of its dimension: kg, kg/h, or mass per mass (1 = 100 %).
    """

    symbol: str
    dimension: Dimension
    factor: Fraction

    def to_base(self, value: float) -> float:
        """Convert a value in this unit to the base unit (kg, kg/h, mass per mass)."""
        return value * self.factor.numerator / self.factor.denominator

    def from_base(self, value: float) -> float:
        """Convert a value in the base unit to this unit."""
        return value * self.factor.denominator / self.factor.numerator

    def __str__(self) -> str:
        return self.symbol


_LB = Fraction(45359237, 100000000)
_OZT = _LB * Fraction(480, 7000)
_MASS: dict[str, Fraction] = {
    "mg": Fraction(1, 1000000),
    "g": Fraction(1, 1000),
    "kg": Fraction(1),
    "t": Fraction(1000),
    "lb": _LB,
    "st": 2000 * _LB,
    "lt": 2240 * _LB,
    "ozt": _OZT,
}
_TIME: dict[str, Fraction] = {  # in hours
    "s": Fraction(1, 3600),
    "min": Fraction(1, 60),
    "h": Fraction(1),
    "d": Fraction(24),
    "wk": Fraction(168),
}
_GRADE: dict[str, Fraction] = {
    "%": Fraction(1, 100),
    "g/g": Fraction(1),
    "g/kg": Fraction(1, 1000),
    "kg/t": Fraction(1, 1000),
    "g/t": Fraction(1, 1000000),
    "mg/kg": Fraction(1, 1000000),
    "ppm": Fraction(1, 1000000),
    "ppb": Fraction(1, 1000000000),
    "lb/st": Fraction(1, 2000),
    "ozt/st": _OZT / _MASS["st"],
    "ozt/t": _OZT / _MASS["t"],
    "ozt/lt": _OZT / _MASS["lt"],
}


def _table() -> dict[str, Unit]:
    table = {s: Unit(s, Dimension.MASS, f) for s, f in _MASS.items()}
    table |= {s: Unit(s, Dimension.GRADE, f) for s, f in _GRADE.items()}
    for mass, kilograms in _MASS.items():
        for time, hours in _TIME.items():
            symbol = f"{mass}/{time}"
            table[symbol] = Unit(symbol, Dimension.RATE, kilograms / hours)
    return table


_UNITS = _table()
_SYNONYMS = {
    "pct": "%",
    "percent": "%",
    "kgs": "kg",
    "lbs": "lb",
    "tonne": "t",
    "tonnes": "t",
    "tph": "t/h",
    "tpd": "t/d",
    "t/hr": "t/h",
    "kg/hr": "kg/h",
    "t/day": "t/d",
    "gpt": "g/t",
    "short ton": "st",
    "short tons": "st",
    "long ton": "lt",
    "long tons": "lt",
    "troy oz": "ozt",
    "troy ounce": "ozt",
    "troy ounces": "ozt",
}
_OZ_READINGS = "ozt/st = 34.2857 g/t, ozt/t = 31.1035 g/t, ozt/lt = 30.6122 g/t"
_TON_READINGS = "t = 1000 kg, st = 907.185 kg, lt = 1016.047 kg"
_SPOKEN = {Dimension.MASS: "a mass", Dimension.RATE: "a mass rate", Dimension.GRADE: "a grade"}


def units_of(dimension: Dimension) -> tuple[str, ...]:
    """Return the accepted symbols of one dimension, in the order they are shown to users."""
    return tuple(s for s, unit in _UNITS.items() if unit.dimension is dimension)


def _offer(dimension: Dimension | None) -> str:
    if dimension is Dimension.RATE:
        return "Write a mass and a time, for example t/h, kg/h, t/d, st/h or lb/h."
    names = units_of(dimension) if dimension else ("kg", "t", "t/h", "%", "g/t", "ozt/st")
    return f"Write one of: {', '.join(names)}."


def parse_unit(text: str, dimension: Dimension | None = None) -> Unit:
    """Read a unit as the trade writes it.

    Parameters
    ----------
    text : str
        The spelling, for example ``'g/t'``. Upper and lower case are not told apart.
    dimension : Dimension, optional
        What it must measure.

    Returns
    -------
    Unit

    Raises
    ------
    UnitError
        If the unit is missing, unknown, measures something else, or can be read in two ways.

    Examples
    --------
    >>> parse_unit("ozt/st").factor
    Fraction(3, 87500)
    >>> parse_unit("oz/ton")
    Traceback (most recent call last):
    ...
    oretally.flowsheet.units.UnitError: 'oz/ton' can be read in three ways: ozt/st = 34.2857 g/t, \
ozt/t = 31.1035 g/t, ozt/lt = 30.6122 g/t.
    Write the one the laboratory means.
    """
    written = " ".join(text.split())
    folded = written.casefold()
    folded = _SYNONYMS.get(folded, folded)
    if not folded:
        spoken = _SPOKEN[dimension] if dimension else "a number"
        raise UnitError(f"{spoken} stands without a unit.".capitalize(), _offer(dimension))
    unit = _UNITS.get(folded)
    if unit is None:
        raise _unknown(written, folded, dimension)
    if dimension is not None and unit.dimension is not dimension:
        raise UnitError(
            f"'{written}' is the unit of {_SPOKEN[unit.dimension]}, "
            f"but {_SPOKEN[dimension]} is wanted.",
            _offer(dimension),
        )
    return unit


def _unknown(written: str, folded: str, dimension: Dimension | None) -> UnitError:
    """Return the refusal of a spelling that is not in the table, with its readings if any."""
    head, _, tail = folded.partition("/")
    tons = {"ton", "tons", "tn"}
    ounces = {"oz", "ozs", "opt", "ounce", "ounces"}
    if folded == "opt" or (head in ounces | {"ozt"} and tail in tons | {"t", "st", "lt"}):
        return UnitError(
            f"'{written}' can be read in three ways: {_OZ_READINGS}.",
            "Write the one the laboratory means.",
        )
    if head in tons or tail in tons:
        return UnitError(
            f"'{written}' can be read in three ways: {_TON_READINGS}.",
            "Write t (tonne), st (short ton) or lt (long ton).",
        )
    if head in ounces:
        return UnitError(
            f"'{written}' can be read in two ways: troy ounce 31.1035 g, "
            "avoirdupois ounce 28.3495 g.",
            "Write ozt for troy ounces; give avoirdupois ounces in lb or g.",
        )
    return UnitError(f"'{written}' is not a unit known here.", _offer(dimension))
