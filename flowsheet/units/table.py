"""The table of units: exact factors and where they come from.

Sources: NIST Special Publication 811 (2008), appendix B, and NIST Handbook 44, appendix C (from
memory): 1 lb = 0.453 592 37 kg = 7000 grains = 16 avoirdupois ounces, 1 troy ounce = 480 grains,
1 pennyweight = 24 grains, 1 short ton = 2000 lb, 1 long ton = 2240 lb, 1 in = 25.4 mm, 1 US gallon
= 231 in3, 1 imperial gallon = 4.546 09 L, all exact. Assay tons: E.E. Bugbee, A Textbook of Fire
Assaying (from memory); the long one C. and J.J. Beringer, A Text-book of Assaying, 9th ed. (1904).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction

__all__ = ["Dimension", "Unit", "find_unit", "offered_units", "origin_of", "units_of"]


class Dimension(StrEnum):
    """What a unit measures."""

    MASS = "mass"
    RATE = "rate"
    GRADE = "grade"
    VOLUME = "volume"
    VOLUME_RATE = "volume rate"
    SOLUTION = "solution grade"
    DENSITY = "density"
    LENGTH = "length"
    SHARE = "share"
    PER_TIME = "rate constant"


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of measure.

    Attributes
    ----------
    symbol : str
        The spelling shown to the user.
    dimension : Dimension
    factor : Fraction
        Exact size in the base unit of its dimension: kg, kg/h, mass per mass (1 = 100 %), m3,
        m3/h, kg/m3 (solution grades and densities), m, 1/h.
    """

    symbol: str
    dimension: Dimension
    factor: Fraction

    def to_base(self, value: float) -> float:
        """Convert a value in this unit to the base unit of its dimension."""
        numerator, denominator = self.factor.as_integer_ratio()
        return value * numerator / denominator

    def from_base(self, value: float) -> float:
        """Convert a value in the base unit to this unit."""
        numerator, denominator = self.factor.as_integer_ratio()
        return value * denominator / numerator

    def __str__(self) -> str:
        return self.symbol


_LB = Fraction(45359237, 100000000)
_GRAIN = _LB / 7000
_OZT, _DWT, _OZAV = 480 * _GRAIN, 24 * _GRAIN, _LB / 16
_INCH = Fraction(254, 10000)
_MASS: dict[str, Fraction] = {
    "mg": Fraction(1, 1000000),
    "g": Fraction(1, 1000),
    "kg": Fraction(1),
    "t": Fraction(1000),
    "lb": _LB,
    "st": 2000 * _LB,
    "lt": 2240 * _LB,
    "ozt": _OZT,
    "dwt": _DWT,
    "grain": _GRAIN,
    "ozav": _OZAV,
}
_SAMPLE: dict[str, Fraction] = {  # weighed out only: a rate of them says nothing
    "assay ton": _MASS["st"] / _OZT * _MASS["mg"],
    "long assay ton": _MASS["lt"] / _OZT * _MASS["mg"],
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
    "lb/t": _LB / 1000,
    "lb/lt": Fraction(1, 2240),
    "ozt/st": _OZT / _MASS["st"],
    "ozt/t": _OZT / _MASS["t"],
    "ozt/lt": _OZT / _MASS["lt"],
    "mg/g": Fraction(1, 1000),
    "ug/g": Fraction(1, 1000000),
    "mg/t": Fraction(1, 1000000000),
    "ug/kg": Fraction(1, 1000000000),
    "ng/g": Fraction(1, 1000000000),
    **{
        f"{amount}/{ton}": _MASS[amount] / _MASS[ton]
        for amount, tons in {
            "dwt": ("st", "t", "lt"),
            "grain": ("st", "t", "lt"),
            "ozav": ("st", "t", "lt"),
            "g": ("st", "lt"),
            "kg": ("st", "lt"),
        }.items()
        for ton in tons
    },
}
_RARE = {
    "dwt",
    "grain",
    "ozav",
    "megalitre",
    *_SAMPLE,
    *list(_GRADE)[list(_GRADE).index("ozt/lt") + 1 :],
}
"""Accepted wherever they are met, but not offered to who has yet to choose a unit."""
_VOLUME: dict[str, Fraction] = {  # in m3
    "mL": Fraction(1, 1000000),
    "L": Fraction(1, 1000),
    "m3": Fraction(1),
    "megalitre": Fraction(1000),  # spelt out: 'ML' is used for the millilitre too
    "ft3": (12 * _INCH) ** 3,
    "usgal": 231 * _INCH**3,
    "impgal": Fraction(454609, 100000000),
}
_LENGTH: dict[str, Fraction] = {  # in m
    "um": Fraction(1, 1000000),
    "mm": Fraction(1, 1000),
    "cm": Fraction(1, 100),
    "m": Fraction(1),
    "in": _INCH,
}
_CONCENTRATION = {  # in kg/m3
    "g/L": Fraction(1),
    "mg/L": Fraction(1, 1000),
    "ug/L": Fraction(1, 1000000),
    "g/m3": Fraction(1, 1000),
    "kg/m3": Fraction(1),
}
_DENSITY = {  # in kg/m3
    "kg/L": Fraction(1000),
    "g/cm3": Fraction(1000),
    "t/m3": Fraction(1000),
    "kg/m3": Fraction(1),
    "g/L": Fraction(1),
    "lb/ft3": _LB / _VOLUME["ft3"],
}
_SHARE = {"%": Fraction(1, 100), "g/g": Fraction(1)}
_ORIGINS = {
    "lb": "1 lb = 0.45359237 kg exactly (international pound, 1959)",
    "ozt": "1 ozt = 480 grains of 1/7000 lb = 31.1034768 g exactly",
    "dwt": "1 dwt (pennyweight) = 1/20 ozt = 24 grains of 1/7000 lb = 1.55517384 g exactly",
    "grain": "1 grain = 1/7000 lb = 64.79891 mg exactly",
    "ozav": "1 ozav (avoirdupois ounce) = 1/16 lb = 28.349523125 g exactly",
    "st": "1 st (short ton) = 2000 lb",
    "lt": "1 lt (long ton) = 2240 lb",
    "assay ton": "1 assay ton = 175/6 g exactly: 1 mg in it is 1 ozt in a short ton "
    "(Bugbee, A Textbook of Fire Assaying)",
    "long assay ton": "1 long assay ton = 98/3 g exactly: 1 mg in it is 1 ozt in a long ton "
    "(Beringer, A Text-book of Assaying)",
    "t": "1 t = 1000 kg",
    "in": "1 in = 25.4 mm exactly",
    "megalitre": "1 megalitre = 1000 m3",
    "ft3": "1 ft = 304.8 mm exactly",
    "usgal": "1 US gallon = 231 cubic inches, 1 in = 25.4 mm exactly",
    "impgal": "1 imperial gallon = 4.54609 L exactly",
    "ppm": "1 ppm = 1 g/t, mass by mass",
    "ppb": "1 ppb = 1 mg/t, mass by mass",
    "wk": "1 week = 168 h",
    "d": "1 d = 24 h",
}
_LB_TOO = {"st", "lt", "ozt", "dwt", "grain", "ozav"}


def _per_time(amounts: dict[str, Fraction]) -> dict[str, Fraction]:
    return {
        f"{amount}/{time}": size / hours
        for amount, size in amounts.items()
        for time, hours in _TIME.items()
    }


def _table() -> dict[Dimension, dict[str, Unit]]:
    factors = {
        Dimension.MASS: _MASS | _SAMPLE,
        Dimension.RATE: _per_time(_MASS),
        Dimension.GRADE: _GRADE,
        Dimension.VOLUME: _VOLUME,
        Dimension.VOLUME_RATE: _per_time(_VOLUME),
        Dimension.SOLUTION: _CONCENTRATION,
        Dimension.DENSITY: _DENSITY,
        Dimension.LENGTH: _LENGTH,
        Dimension.SHARE: _SHARE,
        Dimension.PER_TIME: {f"1/{time}": 1 / hours for time, hours in _TIME.items()},
    }
    return {d: {s: Unit(s, d, f) for s, f in table.items()} for d, table in factors.items()}


_UNITS = _table()
_FOLDED = {d: {s.casefold(): u for s, u in table.items()} for d, table in _UNITS.items()}


def find_unit(folded: str, dimension: Dimension | None = None) -> Unit | None:
    """Return the unit of a symbol in lower case, of the dimension if there is one; or None."""
    if dimension is not None and folded in _FOLDED[dimension]:
        return _FOLDED[dimension][folded]
    return next((table[folded] for table in _FOLDED.values() if folded in table), None)


def units_of(dimension: Dimension) -> tuple[str, ...]:
    """Return the accepted symbols of one dimension."""
    return tuple(_UNITS[dimension])


def offered_units(dimension: Dimension) -> tuple[str, ...]:
    """Return the symbols that are proposed to users, in that order; rare ones are left out."""
    return tuple(s for s in _UNITS[dimension] if s not in _RARE)


def origin_of(unit: Unit) -> tuple[str, ...]:
    """Return where the size of a unit comes from: the definitions of its parts.

    Examples
    --------
    >>> origin_of(find_unit("st/h"))
    ('1 st (short ton) = 2000 lb', '1 lb = 0.45359237 kg exactly (international pound, 1959)')
    """
    parts = unit.symbol.split("/")
    found = [_ORIGINS[p] for p in parts if p in _ORIGINS]
    for sample, ton in (("assay ton", "st"), ("long assay ton", "lt")):
        if sample in parts:
            found += [_ORIGINS["ozt"], _ORIGINS[ton]]
    if any(p in _LB_TOO for p in parts):
        found.append(_ORIGINS["lb"])
    return tuple(dict.fromkeys(found))
