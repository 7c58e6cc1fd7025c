"""Units of measure as the trade writes them, and a refusal of what can be read in two ways."""

from __future__ import annotations

from collections.abc import Sequence

from oretally.flowsheet.unit_table import Dimension, Unit, find_unit, units_of

__all__ = ["UnitError", "is_unit", "parse_unit"]


class UnitError(ValueError):
    """A unit is missing, unknown or ambiguous.

    Attributes
    ----------
    problem, mend : str
        What is wrong, and what to write instead.
    readings : tuple of str
        Units that an ambiguous spelling can stand for.
    """

    def __init__(self, problem: str, mend: str, readings: Sequence[str] = ()) -> None:
        self.problem = problem
        self.mend = mend
        self.readings = tuple(readings)
        super().__init__(f"{problem}\n{mend}")


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
    "litre": "l",
    "litres": "l",
    "liter": "l",
    "liters": "l",
    "m\N{SUPERSCRIPT THREE}": "m3",
    "m\N{SUPERSCRIPT THREE}/h": "m3/h",
    "m^3": "m3",
    "m^3/h": "m3/h",
    "gpl": "g/l",
    "sg": "kg/l",
    "g/cc": "g/cm3",
    "g/ml": "g/cm3",
    "g/cm\N{SUPERSCRIPT THREE}": "g/cm3",
    "t/m\N{SUPERSCRIPT THREE}": "t/m3",
    "kg/m\N{SUPERSCRIPT THREE}": "kg/m3",
    "\N{MICRO SIGN}m": "um",
    "\N{GREEK SMALL LETTER MU}m": "um",
    "micron": "um",
    "microns": "um",
    "inch": "in",
    "inches": "in",
}
_OZ_READINGS = "ozt/st = 34.2857 g/t, ozt/t = 31.1035 g/t, ozt/lt = 30.6122 g/t"
_TON_READINGS = "t = 1000 kg, st = 907.185 kg, lt = 1016.047 kg"
_SPOKEN = {
    Dimension.MASS: "a mass",
    Dimension.RATE: "a mass rate",
    Dimension.GRADE: "a grade",
    Dimension.VOLUME: "a volume",
    Dimension.VOLUME_RATE: "a volume rate",
    Dimension.SOLUTION: "a solution grade",
    Dimension.DENSITY: "a density",
    Dimension.LENGTH: "a length",
    Dimension.SHARE: "a share of the mass",
}


def is_unit(text: str) -> bool:
    """Tell whether a spelling is a unit of anything."""
    folded = " ".join(text.split()).casefold()
    return find_unit(_SYNONYMS.get(folded, folded)) is not None


def _offer(dimension: Dimension | None) -> str:
    if dimension is Dimension.RATE:
        return "Write a mass and a time, for example t/h, kg/h, t/d, st/h or lb/h."
    if dimension is Dimension.VOLUME_RATE:
        return "Write a volume and a time, for example m3/h, L/min or usgal/min."
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
    if dimension is Dimension.SOLUTION and folded in ("ppm", "ppb"):
        small = "mg/L" if folded == "ppm" else "ug/L"
        raise UnitError(
            f"'{written}' of a solution can be read in two ways: {small}, or mass by mass, which "
            "differs by the solution's density.",
            f"Write {small} if that is what the laboratory means.",
        )
    unit = find_unit(folded, dimension)
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
            ("ozt/st", "ozt/t", "ozt/lt"),
        )
    if head in tons or tail in tons:
        return UnitError(
            f"'{written}' can be read in three ways: {_TON_READINGS}.",
            "Write t (tonne), st (short ton) or lt (long ton).",
            _with_tons(head, tail, tons),
        )
    if head in ("gal", "gals", "gallon", "gallons", "gpm") or folded == "gpm":
        return UnitError(
            f"'{written}' can be read in two ways: US gallon 3.78541 L, imperial gallon 4.54609 L.",
            "Write usgal or impgal, as in usgal/min.",
            tuple(f"{gallon}{'/min' if folded == 'gpm' else _rate(tail)}"
                  for gallon in ("usgal", "impgal")),
        )  # fmt: skip
    if folded == "oz" or head in ounces:
        return UnitError(
            f"'{written}' can be read in two ways: troy ounce 31.1035 g, "
            "avoirdupois ounce 28.3495 g.",
            "Write ozt for troy ounces; give avoirdupois ounces in lb or g.",
        )
    return UnitError(f"'{written}' is not a unit known here.", _offer(dimension))


def _with_tons(head: str, tail: str, tons: set[str]) -> tuple[str, ...]:
    """Return the spelling with each ton in its place; only those that are units."""
    found = []
    for ton in ("t", "st", "lt"):
        parts = [ton if part in tons else part for part in (head, tail) if part]
        if find_unit("/".join(parts)) is not None:
            found.append("/".join(parts))
    return tuple(found)


def _rate(time: str) -> str:
    return f"/{time}" if time else ""
