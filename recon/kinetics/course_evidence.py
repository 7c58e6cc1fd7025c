"""How likely it is that one number is wrong, by what the course of a test over time leaves.

Whatever curves a course is held against: with one number free the chi-square of the course, and of
the balance with it, falls from S_0 to S_i. Its size and the slips that may be behind it are weighed
as any other error (`oretally.recon.signatures.evidence`).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from oretally.flowsheet import Position
from oretally.recon.kinetics.over_time import OverTime
from oretally.recon.propagation import adjusted, estimate
from oretally.recon.result import ErrorRates, Slip
from oretally.recon.signatures import (
    PossibleSlips,
    Ways,
    joined_ways,
    log_odds,
    log_size_shares,
    single_log_evidence,
)

__all__ = ["FreedAssay", "WeighedAssay", "own_check", "possible_slips"]

_WORTH, _MOST = 0.15, 3  # share of a suspect's probability from which a slip is told, and how many


@dataclass(frozen=True, slots=True)
class FreedAssay:
    """What is left with one number free, and its error in stated errors, with its variance.

    ``distance`` is that of the course, and what the objective of the balance changes by.
    """

    distance: float
    error: float
    variance: float


def own_check(test: OverTime, place: Position, read: float, sd: float) -> tuple[float, float]:
    """Return the adjustment of a reading in stated errors, and its redundancy.

    Nothing is there of what the balance does not give.
    """
    value = estimate(test.covariance, adjusted(test.covariance, place))
    if value is None:
        return 0.0, 0.0
    return (value[0] - read) / sd, 1.0 - (value[1] / sd) ** 2


def possible_slips(test: OverTime, rates: ErrorRates) -> PossibleSlips:
    """Return the slips that may be behind each number of a survey."""
    model = test.model

    def rate(place: Position) -> float:
        m = slips.written.get(place)
        parts = [] if m is None else [p.source for p in m.parts]
        return rates.of(model.positions.named[place][1], parts)

    slips = PossibleSlips(model.survey, model.positions, rate, rates.measurement)
    return slips


class WeighedAssay:
    """One measurement with its ways of being wrong, and how likely they are."""

    def __init__(
        self, place: Position, freed: FreedAssay, distance: float, slips: PossibleSlips,
        rates: ErrorRates,
    ) -> None:  # fmt: skip
        self.place, self.freed, self.slips, self.gain = place, freed, slips, distance
        self.read, self.sd = slips.as_read(place)
        odds = float(log_odds(np.array(slips.rate(place))))
        free = Ways.free(rates.widths, odds + log_size_shares(rates))
        meant = slips.table([place])
        slip = Ways.slips(
            (self.read - meant.value) / self.sd,
            (meant.sd / self.sd) ** 2 - 1.0,
            odds + meant.log_chance,
            slip=meant.number, scale=meant.scale,
        )  # fmt: skip
        self.meant, self.ways = meant.of(0), joined_ways([free, slip])
        scores = single_log_evidence(freed.error, freed.variance, self.ways)
        self.scores = 0.5 * (distance - freed.distance) + scores
        self.log_odds = float(np.logaddexp.reduce(self.scores))

    def told_slips(self, probability: float, left: float, dof: int) -> tuple[Slip, ...]:
        """Return the slips that may be behind it, the likeliest first.

        ``left`` and ``dof``: chi-square and degrees of freedom with the number freed.
        """
        shares = np.exp(self.scores - self.log_odds)
        free = float(shares[self.ways.slip < 0].sum())
        said = self.read - self.freed.error * self.sd
        told = list[Slip]()
        for j in np.argsort(-shares, kind="stable"):
            number, share = int(self.ways.slip[j]), float(shares[j])
            if number < 0 or share <= _WORTH or len(told) == _MOST:
                continue
            m = self.meant[number]
            spread = self.freed.variance + (m.sd / self.sd) ** 2 - 1.0
            misfit = abs(m.value - said) / self.sd / max(spread, 1e-300) ** 0.5
            odds = float(np.log(share / free)) if free > 0.0 else 700.0
            told.append(
                Slip(m.kind, (self.slips.changed(self.place, m.value),), m.reason,
                     probability * share, min(odds, 700.0), float(misfit), left + misfit**2,
                     dof + 1)
            )  # fmt: skip
        return tuple(told)
