"""A conversion as text: the number, the exact factor, and where it comes from."""

from __future__ import annotations

from decimal import Decimal, localcontext
from fractions import Fraction

from oretally.flowsheet import UnitError
from oretally.flowsheet.units import Conversion, convert, practice_of
from oretally.io.commands.sieves import names_sieve, sieve_text

__all__ = ["conversion_text", "exactly", "rounded"]

_DIGITS = 6  # significant, at least, of a number that has no end
_IN_FULL = 10  # significant digits up to which a number that has an end is shown to it
_SURE = 15  # significant digits of a float that are all its own


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
                    lines.append(f"  as {reading}: {_equation(convert(*asked), number)}")
                    break
                except UnitError:
                    continue
        return "\n".join([*lines, error.mend]), False
    lines = [_equation(found, number), f"factor  {exactly(found.factor)}, exact"]
    said = [text for text in map(practice_of, (unit, other)) if text]
    lines += [f"{'read' if i == 0 else '':8}{text}" for i, text in enumerate(dict.fromkeys(said))]
    lines += [f"{'from' if i == 0 else '':8}{text}" for i, text in enumerate(found.origins)]
    if found.origins:
        lines.append("        NIST SP 811 (2008), appendix B; NIST Handbook 44, appendix C")
    return "\n".join(lines), True


def _equation(c: Conversion, typed: str) -> str:
    return f"{exactly(c.value)} {c.source} = {rounded(c.result, typed)} {c.target}"


def rounded(number: Fraction, typed: str) -> str:
    """Return the result for a number as typed, with one digit more than that has, and at least 6.

    Digits before the point are all shown; so is a number that ends soon, or with that digit.

    Examples
    --------
    >>> rounded(Fraction("559990.17145379"), "1234567"), rounded(Fraction(240, 7), "1.0")
    ('559990.17', '34.2857')
    >>> rounded(Fraction("28.349523125"), "1"), rounded(Fraction("12345678901000"), "12345678901")
    ('28.3495', '12345678901000')
    """
    mantissa = typed.casefold().partition("e")[0]
    digits = sum(c.isdigit() for c in mantissa.lstrip("+-\N{MINUS SIGN}0., ")) + 1
    digits = max(_DIGITS, digits, len(str(abs(int(number)))))
    whole = _ended(number)
    if whole is not None:
        kept = len(whole.partition("e")[0].replace(".", "").strip("-0"))
        if kept <= max(_IN_FULL, digits):
            return whole
    return f"{float(number):.{min(digits, _SURE)}g}"


def exactly(number: Fraction) -> str:
    """Return a fraction as a decimal if it has an end, else as a fraction with its beginning.

    Examples
    --------
    >>> exactly(Fraction(240, 7)), exactly(Fraction(1, 8)), exactly(Fraction("28.349523125"))
    ('240/7 (34.2857...)', '0.125', '28.349523125')
    """
    whole = _ended(number)
    return f"{number} ({float(number):.{_DIGITS}g}...)" if whole is None else whole


def _ended(number: Fraction) -> str | None:
    """Return a fraction as a decimal to its end; None if it has none."""
    rest = number.denominator
    for prime in (2, 5):
        while rest % prime == 0:
            rest //= prime
    if rest != 1:
        return None
    whole = f"{float(number):.{_SURE}g}"
    if Fraction(whole) == number:
        return whole
    top, below = number.as_integer_ratio()
    with localcontext(prec=len(str(top)) + below.bit_length()):
        return f"{Decimal(top) / Decimal(below):f}"
