"""Evidence of errors in one reading or two, given what all others say: closed forms.

Others say of a true value x that it is normal. A reading y is sound, y = x + noise, or it came
about in one of several ways: each says that some number h made of y is normal around x, with an
sd t of its own, and how likely the way is. An error of any size, b stated errors, has the density
b^2 exp(-b^2 / 2 w^2) / (sqrt(2 pi) w^3): that is a normal one with the sd w, times b^2 / w^2, so
that its integral over x and the noise is a moment of a normal distribution.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from slip_draws import Case, Chances, digits_exchanged, partners, units_meant

from oretally.flowsheet import Dimension, Position, parse_unit, positions

__all__ = ["Read", "Ways", "exchanged", "log_any", "log_exchange", "log_pair", "log_single",
           "log_sound", "reads_of", "ways_of"]  # fmt: skip

Floats = NDArray[np.float64]
_MOISTURES = 9  # by which a wet mass of unknown moisture is represented


@dataclass(frozen=True)
class Read:
    """A reading of a survey where it stands in the balance problem.

    Attributes
    ----------
    number : int
        In the plant.
    place : Position
    value, sd : float
        In base units.
    size : float
        Base units in one unit of what is written.
    """

    number: int
    place: Position
    value: float
    sd: float
    size: float


@dataclass(frozen=True, eq=False)
class Ways:
    """Ways in which a reading came about, if it is wrong; arrays with one entry a way.

    Attributes
    ----------
    log_chance : ndarray
        Of the way times the factor by which h moves with y.
    h, t : ndarray
        Number that is normal around the true value, and its sd.
    width : ndarray
        w of an error of any size; 0 for a slip.
    slope : float
        Stated error: how far one unit of b moves y.
    """

    log_chance: Floats
    h: Floats
    t: Floats
    width: Floats
    slope: float


def reads_of(case: Case) -> list[Read]:
    """Return the readings of a survey, in the order of the plant."""
    survey = case.survey
    at = positions(case.plant.circuit, survey).readings
    found = []
    for i, m in enumerate(survey.measurements[: len(case.written)]):
        size = m.value_base / float(case.written[i])
        found.append(Read(i, at[m.stream, m.quantity], m.value_base, m.sd_base, size))
    return found


def ways_of(case: Case, read: Read, chances: Chances) -> Ways:
    """Return the ways in which a reading may be wrong, but for an exchange with another."""
    plant, y = case.plant, float(case.written[read.number])
    r = plant.readings[read.number]
    slips = list[tuple[float, float, float]]()  # chance, number, sd as a share of it
    factors = {10.0**p: chances.decimal * c / sum(chances.powers.values())
               for p, c in chances.powers.items()}  # fmt: skip
    meant = units_meant(r)
    for unit in meant:
        factor = r.unit.from_base(parse_unit(unit, r.unit.dimension).to_base(1.0))
        factors[factor] = factors.get(factor, 0.0) + chances.unit / len(meant)
    slips += [(chance * factor, y * factor, r.relative) for factor, chance in factors.items()]
    exchanged = digits_exchanged(y)
    slips += [(chances.digits / len(exchanged), v, r.relative) for v in exchanged]
    taken = chances.decimal + (chances.unit if meant else 0.0) + chances.digits
    if r.unit.dimension is Dimension.MASS and not r.stack and plant.plain.containers:
        empty = [r.unit.from_base(m) for m in plant.plain.containers.values()]
        slips += [(chances.container / len(empty), y - e, r.relative) for e in empty]
        taken += chances.container
    if r.quantity == plant.plain.basis.quantity:
        slips += _wet(y, r.relative, chances)
        taken += chances.wet
    taken += chances.swapped if partners(plant, read.number) else 0.0
    slips = [s for s in slips if 0.0 < s[1] <= r.largest]
    size = read.size
    w = np.array(chances.widths)
    share = (1.0 - taken) * np.array(chances.shares) / sum(chances.shares)
    h = np.array([v * size for _, v, _ in slips])
    t = np.array([v * size * e for _, v, e in slips])
    return Ways(
        log_chance=np.log(np.concatenate([share, [c for c, _, _ in slips]])),
        h=np.concatenate([np.full(w.size, read.value), h]),
        t=np.concatenate([read.sd * np.sqrt(1.0 + w**2), t]),
        width=np.concatenate([w, np.zeros(h.size)]),
        slope=read.sd,
    )


def _wet(y: float, relative: float, chances: Chances) -> list[tuple[float, float, float]]:
    """Return dry masses of a wet one, every moisture as likely: a row of normal densities."""
    low, high = chances.moisture
    step = (high - low) / _MOISTURES
    moisture = low + step * (0.5 + np.arange(_MOISTURES))
    spread = 0.5 * step / (1.0 - moisture)
    return [
        (chances.wet / _MOISTURES * (1.0 - m), y * (1.0 - m), float(np.hypot(relative, s)))
        for m, s in zip(moisture.tolist(), spread.tolist(), strict=True)
    ]


def _log_normal(gap: Floats, variance: Floats) -> Floats:
    return np.asarray(-0.5 * (gap**2 / variance + np.log(2.0 * np.pi * variance)))


def log_any(u: float, v: float, width: float) -> float:
    """Return the log density of an error estimated as u, with the variance v, before looking."""
    total = width**2 + v
    mean, left = u * width**2 / total, width**2 * v / total
    return float(_log_normal(np.array(u), np.array(total))) + float(
        np.log((mean**2 + left) / width**2)
    )


def log_single(ways: Ways, said: float, variance: float) -> Floats:
    """Return the log density of a wrong reading in each way, where the others say ``said``."""
    total = variance + ways.t**2
    gap = ways.h - said
    part = ways.log_chance + _log_normal(gap, total)
    w, any_size = ways.width, ways.width > 0.0
    w, to = w[any_size], ways.slope * w[any_size] ** 2
    mean, left = to * gap[any_size] / total[any_size], w**2 - to**2 / total[any_size]
    part[any_size] += np.log((mean**2 + left) / w**2)
    return np.asarray(part)


def log_pair(one: Ways, other: Ways, said: Floats, cov: Floats) -> float:
    """Return the log density of two wrong readings, where the others say ``said``."""
    a, b = (cov[i, i] + w.t**2 for i, w in enumerate((one, other)))
    a, b = a[:, None], b[None, :]
    c = cov[0, 1]
    det = a * b - c**2
    x, y = (one.h - said[0])[:, None], (other.h - said[1])[None, :]
    square = (b * x**2 - 2.0 * c * x * y + a * y**2) / det
    part = (
        one.log_chance[:, None] + other.log_chance
        - 0.5 * (square + np.log(det)) - np.log(2.0 * np.pi)
    )  # fmt: skip
    # moments of the errors' sizes, given both numbers
    p, q = one.slope * one.width[:, None] ** 2, other.slope * other.width[None, :] ** 2
    mean, mean_ = p * (b * x - c * y) / det, q * (a * y - c * x) / det
    left, left_ = one.width[:, None] ** 2 - p**2 * b / det, other.width**2 - q**2 * a / det
    both = p * q * c / det  # the covariance of the sizes: minus the entry of the inverse
    first, second = mean**2 + left, mean_**2 + left_
    joint = first * second + 4.0 * mean * mean_ * both + 2.0 * both**2
    w, w_ = (one.width > 0.0)[:, None], (other.width > 0.0)[None, :]
    with np.errstate(divide="ignore", invalid="ignore"):
        moment = np.where(
            w & w_, joint / (one.width[:, None] * other.width) ** 2,
            np.where(w, first / one.width[:, None] ** 2,
                     np.where(w_, second / other.width**2, 1.0)),
        )  # fmt: skip
        part = part + np.log(moment)
    return float(np.logaddexp.reduce(part, axis=None))


def exchanged(one: Read, other: Read, case: Case) -> Floats | None:
    """Return the values and sds of two readings changed back, shape (2, 2); None if impossible."""
    readings, written = case.plant.readings, case.written
    r, s = readings[one.number], readings[other.number]
    here = r.unit.from_base(s.unit.to_base(float(written[other.number])))
    there = s.unit.from_base(r.unit.to_base(float(written[one.number])))
    if here > r.largest or there > s.largest:
        return None
    values = np.array([here * one.size, there * other.size])
    return np.array([values, values * [r.relative, s.relative]])


def log_exchange(back: Floats, said: Floats, cov: Floats) -> float:
    """Return the log density of two readings that changed places, the chance not counted."""
    gap, total = back[0] - said, cov + np.diag(back[1] ** 2)
    return float(-0.5 * (gap @ np.linalg.solve(total, gap) + np.linalg.slogdet(total)[1])
                 - 0.5 * gap.size * np.log(2.0 * np.pi))  # fmt: skip


def log_sound(reads: Sequence[Read], cov: Floats) -> float:
    """Return the log of the constant of the density of sound readings."""
    total = cov + np.diag([r.sd**2 for r in reads])
    return float(-0.5 * np.linalg.slogdet(total)[1] - 0.5 * len(reads) * np.log(2.0 * np.pi))
