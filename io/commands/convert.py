"""A conversion as text: the number, the exact factor, and where it comes from."""

from __future__ import annotations

from fractions import Fraction

from oretally.flowsheet import UnitError
from oretally.flowsheet.units import Conversion, convert, practice_of
from oretally.io.commands.sieves import names_sieve, sieve_text

__all__ = ["conversion_text", "exactly"]

_DIGITS = 6  # significant, of a number that has no end


def conversion_text(number: str, unit: str, other: str) -> tuple[str, bool]:
    """Return the conversion in words, and whether the units could be read in one way only.

    An ambiguous unit is refused with every reading worked out for the number. Sieves are read
    too: '200 mesh [ASTM E11]'.
    """
    if names_sieve(unit) or names_sieve(other):
        return sieve_text(number, unit, other)
    try:
        found = convert(number, unit, other)
    except UnitError as error:
        lines = [error.problem]
        for reading in error.readings:
            for asked in ((number, reading, other), (number, unit, reading)):
                try:
                    lines.append(f"  as {reading}: {_equation(convert(*asked))}")
                    break
                except UnitError:
                    continue
        return "\n".join([*lines, error.mend]), False
    lines = [_equation(found), f"factor  {exactly(found.factor)}, exact"]
    said = [text for text in map(practice_of, (unit, other)) if text]
    lines += [f"{'read' if i == 0 else '':8}{text}" for i, text in enumerate(dict.fromkeys(said))]
    lines += [f"{'from' if i == 0 else '':8}{text}" for i, text in enumerate(found.origins)]
    if found.origins:
        lines.append("        NIST SP 811 (2008), appendix B; NIST Handbook 44, appendix C")
    return "\n".join(lines), True


def _equation(c: Conversion) -> str:
    return f"{exactly(c.value)} {c.source} = {exactly(c.result, brief=True)} {c.target}"


def exactly(number: Fraction, *, brief: bool = False) -> str:
    """Return a fraction as a decimal if it has an end, else as a fraction with its beginning.

    Examples
    --------
    >>> exactly(Fraction(240, 7)), exactly(Fraction(1, 8))
    ('240/7 (34.2857...)', '0.125')
    >>> exactly(Fraction(240, 7), brief=True), exactly(Fraction("28.349523125"), brief=True)
    ('34.2857', '28.3495')
    >>> exactly(Fraction("28.349523125"))
    '28.349523125'
    """
    rest = number.denominator
    for prime in (2, 5):
        while rest % prime == 0:
            rest //= prime
    shown = f"{float(number):.{_DIGITS}g}"
    if rest == 1:
        whole = f"{float(number):.15g}"
        short = len(whole.replace(".", "").strip("-0")) <= 10
        if Fraction(whole) == number and (short or not brief):
            return whole
    return shown if brief else f"{number} ({shown}...)"
