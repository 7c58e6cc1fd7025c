"""Common slips of pen, unit and scale: what a reading would be without each.

A slip that leads to a reading that agrees with what the others say is likelier than an error of
any size, and by how much follows from the chances here. They are our own choice: no source counts
slips in the log sheets of mills and laboratories.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from math import exp, inf, log, pi

import numpy as np

from oretally.flowsheet import Dimension, Unit, parse_unit
from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.result import ErrorRates

__all__ = [
    "ANY_SIZE", "CONTAINER", "DECIMAL", "DIGITS", "MOISTURE", "MOISTURE_SD", "MULTIPLIED",
    "SWAPPED", "UNIT", "WET", "Column", "Meant", "MeasuredReading", "Undone",
    "log_density_of_any_error", "log_normal", "meant", "undone", "wet_reason",
]  # fmt: skip

DECIMAL, UNIT, DIGITS, CONTAINER, WET, SWAPPED = 0.15, 0.10, 0.08, 0.15, 0.08, 0.14
"""Chances of each kind of slip, given that a number is wrong: our own choice."""
ANY_SIZE = 1.0 - (DECIMAL + UNIT + DIGITS + CONTAINER + WET + SWAPPED)
"""The rest: an error of any size."""
MOISTURE, MOISTURE_SD = 0.14, 0.06
"""Of a wet mass that is reported as dry, normal: our own choice."""
MULTIPLIED = ("decimal point", "unit", "digits", "wet mass")
"""Kinds of slips after which the stated error of a number is in proportion to what was meant."""
_TWICE = 0.2  # of the slips with a container, that it was taken off once too often
_LEAST_MOISTURE = 0.01  # below which no mass is called wet
_DECIMALS = ((1, 0.35), (2, 0.1), (3, 0.05), (-1, 0.35), (-2, 0.1), (-3, 0.05))
_MILLIONS = tuple((places, 0.02) for places in (6, 9, -6, -9))  # of masses and rates

_DIGITS = 8  # that anybody writes
_PLACES, _EXACT = 17, 9e15  # decimal places and integers that are exact

# units taken for each other: (written, meant)
_CONFUSED = {
    Dimension.GRADE: (
        ("g/t", "ozt/st"), ("g/t", "ozt/t"), ("ozt/st", "g/t"), ("ozt/t", "g/t"), ("%", "g/t"),
        ("g/t", "%"), ("%", "g/g"), ("g/g", "%"), ("g/t", "ppb"), ("ozt/st", "ozt/t"),
    ),
    Dimension.MASS: (
        ("kg", "lb"), ("lb", "kg"), ("kg", "g"), ("g", "kg"), ("t", "st"), ("st", "t"),
        ("t", "lt"), ("g", "lb"), ("g", "ozt"), ("kg", "t"), ("t", "kg"),
    ),
    Dimension.RATE: (
        ("t/h", "st/h"), ("st/h", "t/h"), ("t/h", "lt/h"), ("t/h", "t/d"), ("t/d", "t/h"),
        ("kg/h", "lb/h"), ("lb/h", "kg/h"), ("kg/h", "kg/d"), ("t/d", "st/d"), ("kg/h", "t/h"),
        ("t/h", "kg/h"), ("kg/h", "kg/min"), ("kg/min", "kg/h"), ("g/min", "g/h"),
    ),
}  # fmt: skip
_FAR_CONFUSED = {"t": "g", "g": "t"}  # a header that names the unit of another table
_FAR = 0.05  # of the slips of a unit
_SAME_UNIT = {"ppm": "g/t", "mg/kg": "g/t"}


@dataclass(frozen=True, slots=True)
class MeasuredReading:
    """A measurement as written, with what the others say: ``said`` and its sd, in ``unit``."""

    value: float
    sd: float
    unit: Unit
    said: float
    said_sd: float


@dataclass(frozen=True, slots=True)
class Undone:
    """A reading without a slip.

    Attributes
    ----------
    kind, reason : str
    value, sd : float
        Corrected, in the unit of the reading.
    log_odds : float
        Logarithm of the density of the reading, given what the others say, times the chance of
        the slip.
    """

    kind: str
    reason: str
    value: float
    sd: float
    log_odds: float


@dataclass(frozen=True, slots=True)
class Meant:
    """What a number was meant to be, if a slip happened to it.

    Attributes
    ----------
    kind, reason : str
    value, sd : float
        In the unit of the number.
    log_chance : float
        Logarithm of the chance of the slip, given that the number is wrong, times the derivative of
        the value with respect to the number: with it the density of the number is that of the
        value, given what the others say.
    """

    kind: str
    reason: str
    value: float
    sd: float
    log_chance: float


@dataclass(frozen=True, slots=True, eq=False)
class Column:
    """What many numbers of one unit were meant to be, if one slip happened to them.

    Attributes
    ----------
    kind, reason : str
    value, sd, log_chance : ndarray, shape (n,)
        As in `Meant`; NaN where it can be no such slip.
    """

    kind: str
    reason: str
    value: Floats
    sd: Floats
    log_chance: Floats

    def of(self, i: int) -> Meant:
        """Return the slip of one number."""
        value, sd, chance = self.value[i], self.sd[i], self.log_chance[i]
        return Meant(self.kind, self.reason, float(value), float(sd), float(chance))


def meant(
    value: Floats, sd: Floats, unit: Unit, *, containers: Mapping[str, float], dry: bool = True
) -> list[Column]:
    """Return what numbers may have been meant to be, one column for each slip that fits their kind.

    Parameters
    ----------
    value, sd : ndarray, shape (n,)
        As written, and their stated errors, in ``unit``.
    unit : Unit
    containers : mapping of str to float
        Names and empty masses of the containers in use, in kg; for masses.
    dry : bool
        Whether they are dry masses or rates, which may be wet ones.
    """
    largest = unit.from_base(1.0) if unit.dimension is Dimension.GRADE else inf
    found = []
    for column in _all_meant(value, sd, unit, containers, dry):
        with np.errstate(invalid="ignore"):
            fits = (value > 0.0) & (column.value > 0.0) & (column.value <= largest)
            fits &= column.value != value
        if fits.any():
            found.append(replace(column, value=np.where(fits, column.value, np.nan)))
    return found


def _all_meant(
    value: Floats, sd: Floats, unit: Unit, containers: Mapping[str, float], dry: bool
) -> Iterator[Column]:
    flow = unit.dimension in (Dimension.MASS, Dimension.RATE)
    for power, share in (*_DECIMALS, *(_MILLIONS if flow else ())):
        places = "one place" if abs(power) == 1 else f"{abs(power)} places"
        side = "left" if power > 0 else "right"  # the point stands too far to that side
        yield _scaled(
            value, sd, "decimal point", reason=f"the decimal point {places} too far to the {side}",
            factor=10.0**power, chance=DECIMAL * share,
        )  # fmt: skip
    pairs = _confused(unit)
    far = _FAR_CONFUSED.get(unit.symbol)
    if far is not None:
        factor, reason = _taken_for(unit, far)
        yield _scaled(value, sd, "unit", reason=reason, factor=factor, chance=_FAR * UNIT)
    for factor, reason in pairs:
        yield _scaled(value, sd, "unit", reason=reason, factor=factor, chance=UNIT / len(pairs))
    swapped = _digits_swapped(value)
    chance = np.log(DIGITS / np.maximum(np.isfinite(swapped).sum(axis=1), 1))
    for other in swapped.T:
        yield Column("digits", "two digits changed round", other, sd * other / value, chance)
    if unit.dimension is Dimension.MASS:
        yield from _containers(value, sd, unit, containers)
    if dry and flow:
        share = 1.0 - MOISTURE
        spread = ((share * sd) ** 2 + (MOISTURE_SD * value) ** 2) ** 0.5
        yield _sure("wet mass", "a wet mass given as dry", share * value, spread,
                    log(share) + log(WET))  # fmt: skip


def _sure(kind: str, reason: str, value: Floats, sd: Floats, log_chance: float) -> Column:
    return Column(kind, reason, value, sd, np.full(value.shape, log_chance))


def _scaled(
    value: Floats, sd: Floats, kind: str, *, reason: str, factor: float, chance: float
) -> Column:
    return _sure(kind, reason, value * factor, sd * factor, log(factor) + log(chance))


@lru_cache(maxsize=64)
def _confused(unit: Unit) -> tuple[tuple[float, str], ...]:
    """Return the factors of the units that one is taken for, each with the slip in words."""
    written = _SAME_UNIT.get(unit.symbol, unit.symbol)
    names = [m for w, m in _CONFUSED.get(unit.dimension, ()) if w == written]
    return tuple(_taken_for(unit, name) for name in names)


def _taken_for(unit: Unit, name: str) -> tuple[float, str]:
    """Return the factor of a unit that another is taken for, and the slip in words."""
    factor = unit.from_base(parse_unit(name).to_base(1.0))
    return factor, f"the number is in {name}, not in {unit.symbol}"


def _digits_swapped(value: Floats) -> Floats:
    """Return numbers with two neighbouring digits changed round, in every way.

    Shape (n, most ways), each row in order, NaN behind. A number is an integer over a power of ten,
    both exact: their quotient is the number that is read from its digits.
    """
    whole, places = _written(value)
    n_digits = int(places.max(initial=0)) + 1
    n_digits = max(n_digits, len(str(int(whole.max(initial=0)))))
    found = np.full((value.size, max(n_digits - 1, 1)), np.nan)
    for p in range(n_digits - 1):
        low, high = whole // 10**p % 10, whole // 10 ** (p + 1) % 10
        # a zero stands before the point, none before other digits: neither read nor meant
        first = (whole < 10 ** (p + 2)) & (p + 1 > places)
        there = (whole > 0) & ((whole >= 10 ** (p + 1)) | (p + 1 <= places)) & (low != high)
        there &= ~(first & (low == 0))
        other = (whole + (low - high) * 9 * 10**p) / 10.0**places
        found[:, p] = np.where(there & (other > 0.0), other, np.nan)
    found.sort(axis=1)
    again = found[:, 1:] == found[:, :-1]
    if again.any():
        found[:, 1:][again] = np.nan
        found.sort(axis=1)
    return found[:, : int(np.isfinite(found).sum(axis=1).max(initial=0))]


def _written(value: Floats) -> tuple[Ints, Ints]:
    """Return numbers as integers and decimal places; 0 for what was computed, not written."""
    whole, places = np.zeros(value.size, dtype=np.int64), np.zeros(value.size, dtype=np.int64)
    most = 10.0**_DIGITS
    left = np.flatnonzero((value > 0.0) & (value < _EXACT))
    for p in range(_PLACES + 1):
        shifted = value[left] * 10.0**p
        if p > 0:  # behind the point no digits are to spare; before it zeros at the end are none
            left, shifted = left[shifted < most], shifted[shifted < most]
        if not left.size:
            break
        m = np.rint(shifted)
        same = m / 10.0**p == value[left]
        whole[left[same]], places[left[same]] = m[same].astype(np.int64), p
        left = left[~same]
    long = np.flatnonzero(whole >= 10**_DIGITS)
    for i in long.tolist():
        if len(str(whole[i]).strip("0")) > _DIGITS:
            whole[i] = 0
    return whole, places


def _containers(
    value: Floats, sd: Floats, unit: Unit, containers: Mapping[str, float]
) -> Iterator[Column]:
    """Yield the masses without a container that was not taken off, with one taken off twice."""
    for name, empty in containers.items():
        mass = unit.from_base(empty)
        chance = log(CONTAINER / len(containers))
        reason = f"the mass of the container '{name}' not taken off"
        yield _sure("container", reason, value - mass, sd, chance + log(1.0 - _TWICE))
        reason = f"the mass of the container '{name}' taken off once too often"
        yield _sure("container", reason, value + mass, sd, chance + log(_TWICE))


def undone(
    reading: MeasuredReading, containers: Mapping[str, float], *, dry: bool = True
) -> Iterator[Undone]:
    """Yield the reading without each slip that may have happened to it, beside what others say.

    ``dry`` says whether it was given as dry, so that it may be a wet one.
    """
    value, sd = np.array([reading.value]), np.array([reading.sd])
    for column in meant(value, sd, reading.unit, containers=containers, dry=dry):
        m = column.of(0)
        fit = log_normal(m.value - reading.said, m.sd, reading.said_sd)
        if m.kind != "wet mass":
            yield Undone(m.kind, m.reason, m.value, m.sd, fit + m.log_chance)
        elif reading.said < (1.0 - _LEAST_MOISTURE) * reading.value and reading.said > 0.0:
            reason = wet_reason(reading.value, reading.said)
            yield Undone(m.kind, reason, reading.said, reading.sd, fit + m.log_chance)


def wet_reason(value: float, dry: float) -> str:
    """Return a mass's being wet in words, with its moisture."""
    return f"a wet mass, at {100.0 * (1.0 - dry / value):.2g} % moisture, given as dry"


def log_normal(gap: float, sd: float, other_sd: float) -> float:
    """Return the logarithm of a normal density at ``gap``, the variances of both added."""
    variance = sd**2 + other_sd**2
    return -0.5 * (gap**2 / variance + log(2.0 * pi * variance))


def log_density_of_any_error(reading: MeasuredReading, rates: ErrorRates) -> float:
    """Return the logarithm of the density of the reading, if it has an error of any size.

    With b the error in stated errors, b^2 exp(-b^2 / (2 w^2)) / (sqrt(2 pi) w^3), for each w of
    the rates; far out, where that vanishes, the reading is as likely as any of its size.
    """
    b = (reading.value - reading.said) / reading.sd
    density = 0.0
    for w, share in zip(rates.widths, rates.shares, strict=True):
        density += (
            share / sum(rates.shares) * b**2 / w**3 * exp(-0.5 * (b / w) ** 2) / (2.0 * pi) ** 0.5
        )
    anywhere = 0.01 * reading.sd / (abs(reading.value) + abs(reading.said) + reading.sd)
    return log(density + anywhere) - log(reading.sd) + log(ANY_SIZE)
