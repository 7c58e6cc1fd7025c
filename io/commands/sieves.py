"""A sieve designation as an opening, and an opening as a designation, in words."""

from __future__ import annotations

import re
from fractions import Fraction

from oretally.flowsheet import Dimension, Unit, UnitError, parse_unit
from oretally.flowsheet.units import SIEVES, Series, Sieve, opening_um, read_exactly

__all__ = ["names_sieve", "sieve_text"]

_SIEVE = re.compile(r"mesh\b|^(?:#|no\.|no\b)|\[|^\d[\d\s./-]*in(?:ch(?:es)?)?\.?$", re.IGNORECASE)
_BARE = {"mesh", "#", "no.", "no"}
_ASTM = Series.ASTM_E11.value
_FROM = f"from    {_ASTM}, table 1: nominal openings"


def names_sieve(unit: str) -> bool:
    """Tell whether the unit of a conversion is a sieve: 'mesh', '200 mesh [ASTM E11]', '#'."""
    return _SIEVE.search(unit.strip()) is not None


def sieve_text(number: str, unit: str, other: str) -> tuple[str, bool]:
    """Return an opening or a designation in words, and whether there is one answer.

    Parameters
    ----------
    number : str
        Of the sieve; 1 if the unit names the sieve itself.
    unit, other : str
        One of them names a sieve, the other is a length. A series stands in brackets, as in
        ``'mesh [ASTM E11]'``.

    Examples
    --------
    >>> print(sieve_text("200", "mesh [ASTM E11]", "mm")[0])
    200 mesh [ASTM E11] = 0.075 mm
    from    ASTM E11, table 1: nominal openings
    """
    try:
        if not names_sieve(unit):
            return _designation(number, unit, other)
        if names_sieve(other):
            raise UnitError(f"'{unit}' and '{other}' are both designations of sieves.",
                            "Write a length on one side, for example um.")  # fmt: skip
        return _opening(number, unit, other)
    except UnitError as error:
        return f"{error.problem}\n{error.mend}", False


def _parts(text: str) -> tuple[str, str | None]:
    """Return a designation and its series; None if it has none."""
    head, _, tail = text.partition("[")
    return " ".join(head.split()), " ".join(tail.strip().removesuffix("]").split()) or None


def _opening(number: str, unit: str, other: str) -> tuple[str, bool]:
    """Convert a designation to a length."""
    head, series = _parts(unit)
    to = parse_unit(other, Dimension.LENGTH)
    if head.casefold() in _BARE:
        head = f"{number.strip()} {head}" if head.casefold() == "mesh" else f"No. {number.strip()}"
    elif re.search(r"\d", head) is None:
        raise _no_series(head)
    elif read_exactly(number) != 1:
        raise UnitError(f"'{unit}' names one sieve, not {number} of them.",
                        f"Write: convert 1 \"{unit}\" {other}.")  # fmt: skip
    try:
        um = opening_um(head, series)
    except UnitError as error:
        sieve = _by_astm(head)
        if series is not None or sieve is None:
            raise
        lines = [error.problem, *_readings(head, sieve, to)]
        mend = f'Write "{head} [{_ASTM}]" if that is meant, else the opening on its plate.'
        return "\n".join([*lines, mend]), False
    named = f"{head} [{_series(series)}]" if series else head
    return f"{named} = {_length(um, to)}\n{_FROM}", True


def _readings(head: str, sieve: Sieve, to: Unit) -> list[str]:
    """Return what a designation without a series can stand for, worked out in a unit."""
    shown = _length(sieve.opening_um, to)
    iso = [s.value for s in (Series.ISO_R20_3, Series.ISO_R40_3) if s in sieve.series]
    held = f"{' and '.join(iso)} {'hold' if len(iso) > 1 else 'holds'} {shown}"
    if not iso:
        held = f"neither R20/3 nor R40/3 holds {shown}"
    lines = [f"  as {head} [{_ASTM}]: {shown}"]
    if sieve.inches is not None:
        length = float(sieve.inches * 25400)
        return [*lines, f"  as a length: {_length(length, to)}"]
    return [*lines, f"  as ISO 565: no reading, it names sieves by their openings; {held}",
            "  as Tyler or BS 410: not in the tables here"]  # fmt: skip


def _designation(number: str, unit: str, other: str) -> tuple[str, bool]:
    """Convert a length to a designation."""
    size = read_exactly(number) * parse_unit(unit, Dimension.LENGTH).factor * 1_000_000
    head, series = _parts(other)
    if head.casefold() not in _BARE:
        raise _no_series(head) if re.search(r"\d", head) is None else UnitError(
            f"'{other}' names one sieve.", f"Write \"mesh [{_ASTM}]\" for what is sought."
        )  # fmt: skip
    given = f"{number.strip()} {unit.strip()}"
    sieve = next((s for s in SIEVES if Fraction(s.opening_um) == size), None)
    if series is not None and _series(series) != _ASTM:
        raise UnitError(f"{_series(series)} names sieves by openings in mm or um.",
                        f"Write um or mm\nor \"mesh [{_ASTM}]\".")  # fmt: skip
    if sieve is None:
        coarser = [s for s in SIEVES if Fraction(s.opening_um) > size][-1:]
        finer = [s for s in SIEVES if Fraction(s.opening_um) < size][:1]
        near = " and ".join(f"{s.designation} = {s.opening_um:.10g} um" for s in (*coarser, *finer))
        raise UnitError(f"{_ASTM} has no sieve of {given}.", f"The nearest: {near}.")
    if series is None:
        raise UnitError(
            f"'{other}' does not say of which series: {_ASTM}, Tyler and BS 410 number sieves "
            f"differently.\n  as {_ASTM}: {given} = {sieve.designation}",
            f"Write \"{head} [{_ASTM}]\" if that is meant.",
        )  # fmt: skip
    return f"{given} = {sieve.designation} [{_ASTM}]\n{_FROM}", True


def _no_series(head: str) -> UnitError:
    return UnitError(
        f"'{head}' is no series of sieves known here.",
        f"Write the series in brackets: \"mesh [{_ASTM}]\"\nor the opening that stands on the "
        "sieve.",
    )  # fmt: skip


def _by_astm(head: str) -> Sieve | None:
    """Return the sieve that a designation names in ASTM E11; None if it names none."""
    try:
        um = opening_um(head, Series.ASTM_E11)
    except UnitError:
        return None
    return next((s for s in SIEVES if s.opening_um == um), None)


def _series(text: str) -> str:
    """Return the series as it is spelt; UnitError if it is unknown."""
    known = next((s.value for s in Series if s.value.casefold() == text.casefold()), None)
    if known is None:
        listed = ", ".join(f"'{s}'" for s in Series)
        raise UnitError(
            f"'{text}' is not a series of sieves known here.", f"Write one of: {listed}."
        )
    return known


def _length(um: float, to: Unit) -> str:
    return f"{float(Fraction(um) / 1_000_000 / to.factor):.10g} {to}"
