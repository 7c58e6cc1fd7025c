"""Common slips of pen, unit and scale: what a reading would be without each.

A slip is proposed where the corrected reading agrees with what the other measurements say. The
chances here only rank slips against each other and against an error of any size; they are common
practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from math import exp, inf, log, log1p, pi

from oretally.flowsheet import Dimension, Unit, parse_unit
from oretally.recon.findings import ErrorRates

__all__ = ["Reading", "Undone", "log_density_of_any_error", "log_normal", "undone"]

DECIMAL, UNIT, DIGITS, CONTAINER, WET, SWAPPED = 0.25, 0.15, 0.10, 0.10, 0.15, 0.15
"""Chances of each kind of slip, given that a number is wrong; the rest is an error of any size."""

_DIGITS = 8  # that anybody writes
MOISTURE = (0.03, 0.25)  # of a wet mass that is reported as dry

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
_SAME_UNIT = {"ppm": "g/t", "mg/kg": "g/t"}


@dataclass(frozen=True, slots=True)
class Reading:
    """A measurement as written, with what the others say: ``said`` and its sd, in ``unit``."""

    value: float
    sd: float
    unit: Unit
    said: float
    said_sd: float

    @property
    def largest(self) -> float:
        """Number that a grade cannot exceed in this unit; infinite for a flow."""
        return self.unit.from_base(1.0) if self.unit.dimension is Dimension.GRADE else inf


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


def undone(reading: Reading, containers: Mapping[str, float]) -> Iterator[Undone]:
    """Yield the reading without each slip that may have happened to it.

    Parameters
    ----------
    reading : Reading
    containers : mapping of str to float
        Names and empty masses of the containers in use, in kg; for masses.
    """
    for power, share in ((1, 0.35), (2, 0.1), (3, 0.05), (-1, 0.35), (-2, 0.1), (-3, 0.05)):
        places = "one place" if abs(power) == 1 else f"{abs(power)} places"
        side = "left" if power > 0 else "right"  # the point stands too far to that side
        yield from _scaled(
            reading, "decimal point", f"the decimal point {places} too far to the {side}",
            10.0**power, DECIMAL * share,
        )  # fmt: skip
    yield from _units(reading)
    yield from _digits(reading)
    if reading.unit.dimension in (Dimension.MASS, Dimension.RATE):
        yield from _containers(reading, containers)
        yield from _wet(reading)


def _scaled(
    reading: Reading, kind: str, reason: str, factor: float, chance: float
) -> Iterator[Undone]:
    value, sd = reading.value * factor, reading.sd * factor
    if 0.0 < value <= reading.largest:
        fit = log_normal(value - reading.said, sd, reading.said_sd)
        yield Undone(kind, reason, value, sd, fit + log(factor) + log(chance))


def _units(reading: Reading) -> Iterator[Undone]:
    written = _SAME_UNIT.get(reading.unit.symbol, reading.unit.symbol)
    pairs = [m for w, m in _CONFUSED.get(reading.unit.dimension, ()) if w == written]
    for meant in pairs:
        other = parse_unit(meant)
        factor = reading.unit.from_base(other.to_base(1.0))
        reason = f"the number is in {meant}, not in {reading.unit.symbol}"
        yield from _scaled(reading, "unit", reason, factor, UNIT / len(pairs))


def _digits(reading: Reading) -> Iterator[Undone]:
    """Yield the number with two neighbouring digits changed round."""
    text = format(Decimal(repr(float(reading.value))).normalize(), "f")
    if len(text.replace(".", "").strip("0")) > _DIGITS:
        return  # computed, not written
    places = [i for i, c in enumerate(text) if c.isdigit()]
    found = set()
    for a, b in zip(places[:-1], places[1:], strict=True):
        letters = list(text)
        letters[a], letters[b] = letters[b], letters[a]
        found.add("".join(letters))
    values = sorted({float(t) for t in found} - {reading.value})
    for value in values:
        if 0.0 < value <= reading.largest:
            fit = log_normal(value - reading.said, reading.sd, reading.said_sd)
            chance = DIGITS / len(values)
            yield Undone("digits", "two digits changed round", value, reading.sd, fit + log(chance))


def _containers(reading: Reading, containers: Mapping[str, float]) -> Iterator[Undone]:
    if reading.unit.dimension is not Dimension.MASS:
        return
    for name, empty in containers.items():
        value = reading.value - reading.unit.from_base(empty)
        if value > 0.0:
            fit = log_normal(value - reading.said, reading.sd, reading.said_sd)
            yield Undone(
                "container", f"the mass of the container '{name}' not taken off", value,
                reading.sd, fit + log(CONTAINER / len(containers)),
            )  # fmt: skip


def _wet(reading: Reading) -> Iterator[Undone]:
    """Yield the dry mass, if the reading can be a wet one: any moisture is as likely."""
    if min(reading.said, reading.value) <= 0.0:
        return
    low, high = MOISTURE
    moisture = 1.0 - reading.said / reading.value
    slack = (reading.sd + reading.said_sd) / reading.value
    if low <= moisture <= high and moisture > 3.0 * slack:
        density = reading.said / reading.value**2 / (high - low)
        yield Undone(
            "wet mass", f"a wet mass, at {100.0 * moisture:.2g} % moisture, given as dry",
            reading.said, reading.sd, log(density) + log(WET),
        )  # fmt: skip


def log_normal(gap: float, sd: float, other_sd: float) -> float:
    """Return the logarithm of a normal density at ``gap``, the variances of both added."""
    variance = sd**2 + other_sd**2
    return -0.5 * (gap**2 / variance + log(2.0 * pi * variance))


def log_density_of_any_error(reading: Reading, rates: ErrorRates) -> float:
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
    rest = 1.0 - (DECIMAL + UNIT + DIGITS + CONTAINER + WET + SWAPPED)
    return log(density + anywhere) - log(reading.sd) + log1p(rest - 1.0)
