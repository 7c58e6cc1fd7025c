"""A number in another unit, with the exact factor and where it comes from."""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction

from oretally.flowsheet.units.parse import UnitError, is_unit, parse_unit
from oretally.flowsheet.units.table import Dimension, Unit, find_unit, origin_of

__all__ = ["Conversion", "convert", "read_exactly"]

_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,2})?")
# groups of three with one mark between them, and a decimal mark that is another
_THOUSANDS = re.compile(
    r"(?P<whole>[+-]?\d{1,3}(?P<mark>[,. '\u2019\u00a0\u202f_])\d{3}(?:(?P=mark)\d{3})*)"
    r"(?P<rest>(?:(?!(?P=mark))[.,]\d*)?)"
)


@dataclass(frozen=True, slots=True)
class Conversion:
    """A number converted exactly.

    Attributes
    ----------
    value : Fraction
        As given, in ``source``.
    source, target : Unit
    """

    value: Fraction
    source: Unit
    target: Unit

    @property
    def factor(self) -> Fraction:
        """Size of the source unit in target units."""
        return self.source.factor / self.target.factor

    @property
    def result(self) -> Fraction:
        """The number in the target unit."""
        return self.value * self.factor

    @property
    def origins(self) -> tuple[str, ...]:
        """Definitions that the factor follows from; empty for powers of ten."""
        return tuple(dict.fromkeys((*origin_of(self.source), *origin_of(self.target))))


def read_exactly(text: str) -> Fraction:
    """Return a decimal number exactly as written.

    Raises
    ------
    UnitError
        If it is not a number; a comma is refused with its readings.
    """
    written = text.strip().replace("\N{MINUS SIGN}", "-")
    if _NUMBER.fullmatch(written):
        return Fraction(written)
    decimal, thousands = written.replace(",", "."), _THOUSANDS.fullmatch(written)
    mend = "Write decimals with a point, and nothing between thousands."
    if thousands and not thousands["rest"] and _NUMBER.fullmatch(decimal):
        plain = written.replace(",", "")
        problem = f"'{text}' has a comma: it can be read as {decimal} or as {plain}."
        raise UnitError(problem, mend)
    if _NUMBER.fullmatch(decimal):
        raise UnitError(f"'{text}' has a decimal comma: {decimal}.", mend)
    if thousands:
        plain = "".join(thousands["whole"].split(thousands["mark"]))
        plain += thousands["rest"].replace(",", ".")
        raise UnitError(f"'{text}' has marks between its thousands: {plain}.", mend)
    raise UnitError(f"'{text}' is not a number.", "Write it as in 0.31 or 12.5.")


def convert(value: str, source: str, target: str) -> Conversion:
    """Convert a number as written.

    Raises
    ------
    UnitError
        If the number or a unit cannot be read, or the two measure different things. For a unit
        with several readings, ``readings`` names them.

    Examples
    --------
    >>> found = convert("0.31", "ozt/st", "g/t")
    >>> found.factor, float(found.result)
    (Fraction(240, 7), 10.628571428571428)
    """
    number = read_exactly(value)
    wanted = parse_unit(target)
    try:
        given = parse_unit(source, wanted.dimension)
    except UnitError as error:
        if error.readings or not is_unit(source):
            raise
        other = parse_unit(source)
        # a symbol such as % or g/L measures several things: the one that both have
        for dimension in Dimension:
            there = find_unit(wanted.symbol.casefold(), dimension)
            if there is not None and there.dimension is other.dimension:
                return Conversion(number, other, there)
        raise
    return Conversion(number, given, wanted)
