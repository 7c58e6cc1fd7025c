"""Units of measure as the trade writes them, and a refusal of what can be read in two ways."""

from __future__ import annotations

from collections.abc import Sequence

from oretally.flowsheet.units.ambiguous import ambiguity
from oretally.flowsheet.units.table import Dimension, Unit, find_unit, offered_units

__all__ = ["UnitError", "is_unit", "parse_unit", "practice_of"]


class UnitError(ValueError):
    """A unit is missing, unknown or ambiguous.

    Attributes
    ----------
    problem, mend : str
        What is wrong, and what to write instead.
    readings : tuple of str
        What an ambiguous spelling can stand for: units, sieves of a series.
    """

    def __init__(self, problem: str, mend: str, readings: Sequence[str] = ()) -> None:
        self.problem = problem
        self.mend = mend
        self.readings = tuple(readings)
        super().__init__(f"{problem}\n{mend}")


_SYNONYMS = {
    "pct": "%",
    "percent": "%",
    **dict.fromkeys(
        (
            "wt%",
            "wt %",
            "wt.%",
            "wt. %",
            "%wt",
            "% wt",
            "mass%",
            "mass %",
            "weight %",
            "% w/w",
            "%w/w",
            "w/w%",
            "w/w %",
            "wt pct",
            "weight percent",
            "mass percent",
        ),
        "%",
    ),
    "kgs": "kg",
    "lbs": "lb",
    "tonne": "t",
    "tonnes": "t",
    "tph": "t/h",
    "tpd": "t/d",
    "gpt": "g/t",
    "short ton": "st",
    "short tons": "st",
    "long ton": "lt",
    "long tons": "lt",
    "at": "assay ton",
    "assay tons": "assay ton",
    "short assay ton": "assay ton",
    "short assay tons": "assay ton",
    "long assay tons": "long assay ton",
    "troy oz": "ozt",
    "troy ounce": "ozt",
    "troy ounces": "ozt",
    "litre": "l",
    "litres": "l",
    "liter": "l",
    "liters": "l",
    "pennyweight": "dwt",
    "pennyweights": "dwt",
    "pwt": "dwt",
    "grains": "grain",
    "gr/st": "grain/st",  # grams go with tonnes, and only grains with short and long tons
    "gr/lt": "grain/lt",
    "gm": "g",
    "gms": "g",
    "gram": "g",
    "grams": "g",
    "ppmw": "ppm",
    "ppbw": "ppb",
    "gpl": "g/l",
    "sg": "kg/l",
    "g/cc": "g/cm3",
    "g/ml": "g/cm3",
    "micron": "um",
    "microns": "um",
    "inch": "in",
    "inches": "in",
}
_TIMES = {
    "hr": "h", "hrs": "h", "hour": "h", "hours": "h", "day": "d", "days": "d", "week": "wk",
    "sec": "s", "second": "s", "mins": "min", "minute": "min",
}  # fmt: skip
"""Below a stroke only: alone they are no units."""
_PRACTICE = {
    "gpt": "'gpt' is read as gram per tonne (g/t): common practice, no source",
    "gr/st": "'gr/st' is read as grain per short ton",
    "gr/lt": "'gr/lt' is read as grain per long ton",
    "tph": "'tph' is read as tonne per hour (t/h): common practice, no source",
    "tpd": "'tpd' is read as tonne per day (t/d): common practice, no source",
    "at": "'AT' is read as assay ton, that of the short ton",
    "assay ton": "'assay ton' is read as that of the short ton",
    "assay tons": "'assay tons' is read as those of the short ton",
}
_LETTERS = str.maketrans({
    "\N{GREEK SMALL LETTER MU}": "u",  # the micro sign too, once it is folded
    "\N{SUPERSCRIPT TWO}": "2",
    "\N{SUPERSCRIPT THREE}": "3",
    "^": "",
})  # fmt: skip
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
    Dimension.PER_TIME: "a rate constant",
}


def is_unit(text: str) -> bool:
    """Tell whether a spelling is a unit of anything."""
    return find_unit(_symbol(text)) is not None


def practice_of(text: str) -> str:
    """Return how a spelling is read that only common practice makes plain; empty for others."""
    return _PRACTICE.get(_folded(text), "")


def _folded(text: str) -> str:
    """Return a spelling in lower case, micro and powers in plain letters, spaces about / closed."""
    plain = " ".join(text.split()).casefold().translate(_LETTERS)
    return plain.replace(" /", "/").replace("/ ", "/")


def _symbol(text: str) -> str:
    """Return the symbol that a spelling stands for, whole or part by part; itself if none."""
    folded = _folded(text)
    head, stroke, tail = folded.partition("/")
    if not stroke or folded in _SYNONYMS:
        return _SYNONYMS.get(folded, folded)
    tail = _TIMES.get(tail, _SYNONYMS.get(tail, tail))
    parts = f"{_SYNONYMS.get(head, head)}/{tail}"
    return _SYNONYMS.get(parts, parts)


def _offer(dimension: Dimension | None) -> str:
    if dimension is Dimension.RATE:
        return "Write a mass and a time, for example t/h, kg/h, t/d, st/h or lb/h."
    if dimension is Dimension.VOLUME_RATE:
        return "Write a volume and a time, for example m3/h, L/min or usgal/min."
    names = offered_units(dimension) if dimension else ("kg", "t", "t/h", "%", "g/t", "ozt/st")
    return f"Write one of: {', '.join(names)}."


def parse_unit(text: str, dimension: Dimension | None = None) -> Unit:
    """Read a unit as the trade writes it.

    Parameters
    ----------
    text : str
        The spelling, for example ``'g/t'``. Upper and lower case are not told apart, but for
        'Mg' and 'ML' (also 'MG', 'Ml'), which are refused: mega-, or milli-.
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
    oretally.flowsheet.units.parse.UnitError: 'oz/ton' can be read in three ways: ozt/st = \
34.2857 g/t, ozt/t = 31.1035 g/t, ozt/lt = 30.6122 g/t.
    Write the one the laboratory means.
    """
    written = " ".join(text.split())
    folded = _symbol(text)
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
    refused = ambiguity(written, folded)
    if refused is not None:
        raise UnitError(*refused)
    unit = find_unit(folded, dimension)
    if unit is None:
        raise UnitError(f"'{written}' is not a unit known here.", _offer(dimension))
    if dimension is not None and unit.dimension is not dimension:
        raise UnitError(
            f"'{written}' is the unit of {_SPOKEN[unit.dimension]}, "
            f"but {_SPOKEN[dimension]} is wanted.",
            _offer(dimension),
        )
    return unit
