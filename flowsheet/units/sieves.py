"""Sieves: openings by ASTM E11 designation and by series of ISO 565; refusals of the ambiguous.

References
----------
ASTM E11, table 1 (1995 and 2001 editions); ISO 565 and ISO 3310-1, series R20/3 (principal) and
R40/3 (supplementary, holds R20/3). Looked up: 125 mm to 2.80 mm, and 75, 45, 38, 25 and 20 um.
Cited from memory: the other openings below 2.80 mm, and which opening belongs to which series.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from fractions import Fraction
from functools import lru_cache

from oretally.flowsheet.units.parse import UnitError

__all__ = ["SIEVES", "Series", "Sieve", "belongs", "opening_um", "openings_of", "outside"]


class Series(StrEnum):
    """A series of sieve openings."""

    ASTM_E11 = "ASTM E11"
    ISO_R20_3 = "ISO 565 R20/3"
    ISO_R40_3 = "ISO 565 R40/3"


@dataclass(frozen=True, slots=True)
class Sieve:
    """One sieve of ASTM E11.

    Attributes
    ----------
    opening_um : float
        Nominal opening of the square mesh. [um]
    designation : str
        Alternative designation of ASTM E11: inches ('3/8 in') or a number ('No. 200').
    series : frozenset of Series
        The series that hold this opening.
    """

    opening_um: float
    designation: str
    series: frozenset[Series]

    @property
    def number(self) -> Fraction | None:
        """Sieve number (openings per inch, about), None for a designation in inches."""
        head, _, tail = self.designation.partition("No. ")
        return None if head else _fraction(tail)

    @property
    def inches(self) -> Fraction | None:
        """Designation in inches, None for a number; the opening is near it, not equal to it."""
        head, found, _ = self.designation.partition(" in")
        return _fraction(head) if found else None


def _fraction(text: str) -> Fraction:
    """Return '3', '0.265', '3/8', '3 1/2' or '3-1/2' exactly."""
    return sum((Fraction(part) for part in re.split("[ -]+", text)), Fraction(0))


def _held(mark: str) -> frozenset[Series]:
    return frozenset((Series.ISO_R20_3, Series.ISO_R40_3, Series.ASTM_E11)["PS-".index(mark) :])


# opening in um; P: R20/3, principal; S: R40/3 only, supplementary; -: neither
_TABLE = (
    (125000, "5 in", "P"), (106000, "4.24 in", "S"), (100000, "4 in", "-"),
    (90000, "3 1/2 in", "P"), (75000, "3 in", "S"), (63000, "2 1/2 in", "P"),
    (53000, "2.12 in", "S"), (50000, "2 in", "-"), (45000, "1 3/4 in", "P"),
    (37500, "1 1/2 in", "S"), (31500, "1 1/4 in", "P"), (26500, "1.06 in", "S"),
    (25000, "1.00 in", "-"), (22400, "7/8 in", "P"), (19000, "3/4 in", "S"), (16000, "5/8 in", "P"),
    (13200, "0.530 in", "S"), (12500, "1/2 in", "-"), (11200, "7/16 in", "P"),
    (9500, "3/8 in", "S"), (8000, "5/16 in", "P"), (6700, "0.265 in", "S"), (6300, "1/4 in", "-"),
    (5600, "No. 3 1/2", "P"), (4750, "No. 4", "S"), (4000, "No. 5", "P"), (3350, "No. 6", "S"),
    (2800, "No. 7", "P"), (2360, "No. 8", "S"), (2000, "No. 10", "P"), (1700, "No. 12", "S"),
    (1400, "No. 14", "P"), (1180, "No. 16", "S"), (1000, "No. 18", "P"), (850, "No. 20", "S"),
    (710, "No. 25", "P"), (600, "No. 30", "S"), (500, "No. 35", "P"), (425, "No. 40", "S"),
    (355, "No. 45", "P"), (300, "No. 50", "S"), (250, "No. 60", "P"), (212, "No. 70", "S"),
    (180, "No. 80", "P"), (150, "No. 100", "S"), (125, "No. 120", "P"), (106, "No. 140", "S"),
    (90, "No. 170", "P"), (75, "No. 200", "S"), (63, "No. 230", "P"), (53, "No. 270", "S"),
    (45, "No. 325", "P"), (38, "No. 400", "S"), (32, "No. 450", "P"), (25, "No. 500", "-"),
    (20, "No. 635", "-"),
)  # fmt: skip
SIEVES = tuple(Sieve(float(um), name, _held(mark)) for um, name, mark in _TABLE)
"""All sieves of the table, coarsest first."""

_READ = re.compile(
    r"(?P<mark>no\.?|#|mesh)?\s*"
    r"(?P<number>[0-9]{1,3}[ -]+[1-9][0-9]?/[1-9][0-9]?|[1-9][0-9]?/[1-9][0-9]?"
    r"|[0-9]{1,9}(?:\.[0-9]{0,9})?|\.[0-9]{1,9})\s*"
    r"(?P<unit>\u03bcm|um|microns?|mm|cm|inch(?:es)?|in\.?|\"|mesh|#)?"
)
_METRIC = (("mm", 1000), ("cm", 10000), ("um", 1), ("\u03bcm", 1), ("micron", 1), ("microns", 1))
_INCH_UM = 25400
_NAMES = ", ".join(f"'{s}'" for s in Series)
_ASTM = f"'{Series.ASTM_E11}'"


def opening_um(text: str, series: Series | str | None = None) -> float:
    """Read a sieve as the trade writes it.

    Parameters
    ----------
    text : str
        An opening with its unit (um, micron, mm, cm), taken as written whatever the series; or a
        designation: 'No. 200', '#200', '200 mesh', '200', '3/8 in'. Upper and lower case are not
        told apart.
    series : Series or str, optional
        What a designation is of. ISO 565 has no numbers: it names sieves by their openings.

    Returns
    -------
    float
        Nominal opening. [um]

    Raises
    ------
    UnitError
        If the text cannot be read, the series has no such designation, or a designation stands
        without a series and so can be read in several ways.

    Notes
    -----
    Older charts print 74, 44 and 37 um for No. 200, 325 and 400: these are not the openings of
    ASTM E11, which has 75, 45 and 38 um. '74 um' stays 74 um; ``outside`` finds it.

    Examples
    --------
    >>> opening_um("200", "ASTM E11"), opening_um("3/8 in", "ASTM E11"), opening_um("0.075 mm")
    (75.0, 9500.0, 75.0)
    >>> opening_um("200 mesh")
    Traceback (most recent call last):
    ...
    oretally.flowsheet.units.parse.UnitError: '200 mesh' is a sieve number without a series, and \
ASTM E11, Tyler and BS 410 number sieves differently; as ASTM E11 No. 200 it is 75 um.
    Write the opening, '75 um', or give the series 'ASTM E11' if that is meant.
    """
    wanted = None if series is None else _series(series)
    written = " ".join(text.split())
    read = _READ.fullmatch(written.casefold())
    unit = (read["unit"] or "") if read else ""
    length = unit not in ("", "mesh", "#")
    if read is None or (read["mark"] and length):
        raise UnitError(
            f"'{written}' is not the opening or the designation of one sieve.",
            "Write a number (with a point for decimals) and a unit, for example '75 um' or "
            f"'0.075 mm', or a designation and its series, for example '200' and {_ASTM}.",
        )
    number = _fraction(read["number"])
    if number == 0:
        raise UnitError(f"The size '{written}' is not above zero.", "Write the sieve's opening.")
    for name, size in _METRIC:
        if unit == name:
            return float(number * size)
    bare = read["number"] if not unit and not read["mark"] else None
    return _designated(written, number, length, bare, wanted)


@lru_cache
def _designations(in_inches: bool) -> list[tuple[Fraction | None, Sieve]]:
    """Return the sieves with their sizes in inches, or their numbers."""
    return [(s.inches if in_inches else s.number, s) for s in SIEVES]


def _designated(
    written: str, number: Fraction, in_inches: bool, bare: str | None, series: Series | None
) -> float:
    """Return the opening of a designation, or refuse it; ``bare`` is a number with nothing else."""
    known = _designations(in_inches)
    sieve = next((s for value, s in known if value == number), None)
    if series is Series.ASTM_E11 and sieve is not None:
        return sieve.opening_um
    iso = series not in (None, Series.ASTM_E11)
    refused = f"'{written}' is no designation of ASTM E11"
    if iso:
        refused = f"'{written}' is no size of {series}, which names sieves by openings in mm or um"
    # a number alone may be an opening whose unit was left out
    own = f"the opening with its unit, '{bare} mm' or '{bare} um'" if bare else "the opening in um"
    if sieve is None:
        coarser = [s for value, s in known if value and (value > number) == in_inches]
        finer = [s for value, s in known if value and (value > number) != in_inches]
        near = " and ".join(f"{s.designation} = {_um(s.opening_um)}"
                            for s in (*coarser[-1:], *finer[:1]))  # fmt: skip
        length = f"; as a length it is {_um(number * _INCH_UM)}" if in_inches else ""
        mend = f"Write {own}, or a designation of the series {_ASTM}; the nearest: {near}."
        raise UnitError(f"{refused}{length}.", mend)
    opening = _um(sieve.opening_um)
    reading = f"as ASTM E11 {sieve.designation} it is {opening}"
    mend = f"Write the opening, '{opening}', or give the series {_ASTM} if that is meant."
    if bare:
        mend += f" If it is an opening, write its unit: '{bare} mm' or '{bare} um'."
    if iso:
        raise UnitError(f"{refused}; {reading}.", mend)
    readings = (f"{Series.ASTM_E11} {sieve.designation}",)
    if in_inches:
        length = f"as a length {_um(number * _INCH_UM)}"
        problem = f"'{written}' can be read in two ways: {reading}, {length}."
        raise UnitError(problem, mend, readings)
    raise UnitError(
        f"'{written}' is a sieve number without a series, and ASTM E11, Tyler and BS 410 number "
        f"sieves differently; {reading}.",
        mend,
        readings,
    )


def openings_of(series: Series | str) -> tuple[float, ...]:
    """Return the openings of a series in um, coarsest first; UnitError if it is unknown."""
    wanted = _series(series)
    return tuple(s.opening_um for s in SIEVES if wanted in s.series)


def outside(openings_um: Iterable[float], series: Series | str) -> tuple[float, ...]:
    """Return those of the openings [um] that the series does not hold, in the order given.

    Raises
    ------
    UnitError
        If the series is unknown.

    Notes
    -----
    Nominal openings are compared, to 1e-9 of the opening: what lies beyond the table, above
    125 mm for example, counts as outside.

    Examples
    --------
    >>> outside([150.0, 106.0, 74.0], "ASTM E11")
    (74.0,)
    """
    held = openings_of(series)
    return tuple(x for x in openings_um if not any(abs(x - h) <= 1e-9 * h for h in held))


def belongs(openings_um: Iterable[float], series: Series | str) -> bool:
    """Return whether the series holds all of the openings [um]; see ``outside``."""
    return not outside(openings_um, series)


def _series(series: Series | str) -> Series:
    folded = " ".join(series.split()).casefold()
    for known in Series:
        if folded == known.casefold():
            return known
    raise UnitError(f"'{series}' is not a series of sieves known here.", f"Write one of: {_NAMES}.")


def _um(opening: float | Fraction) -> str:
    return f"{float(opening):.10g} um"
