"""Which errors stay, and which numbers were wrong once: the one that explains most first.

Errors that stay and errors of one survey are weighed by one measure, what they gain, against the
scatter of their own measurement; the larger is taken, and the rest is judged again without it.
Each that was taken is weighed again whenever another one joins it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.recon.other_surveys import UsualReadings
from oretally.recon.persistent_bias.chance_gains import ChanceGains, chance_gains
from oretally.recon.persistent_bias.chance_numbers import (
    ChanceNumbers,
    chance_numbers,
    scatter_of,
)
from oretally.recon.persistent_bias.effects import Effect, Fit, Gains, fit_of, gains_of
from oretally.recon.persistent_bias.rows import ErrorForm, OneTimeError
from oretally.recon.persistent_bias.stacked_evidence import (
    StackedEvidence,
    bias_candidates,
    stacked_evidence_of,
)
from oretally.recon.persistent_bias.survey_evidence import SurveyEvidence
from oretally.recon.propagation import SEEN
from oretally.recon.result import ErrorPlace, ErrorRates

__all__ = ["UNLIKELIER", "FoundErrors", "Search"]

UNLIKELIER = 2.0 * float(np.log(20.0))
"""Twice the logarithm of odds of 20 to 1: what gains so much less is no longer told."""
_ONE_TIME = 0.01  # level of one-time errors, of all numbers of the campaign together
_LOSS = float(np.log(ErrorRates().loss / ErrorRates().measurement))
"""Logarithm of how much rarer a node loses unseen than a number is wrong."""
_SEVERAL_SD = 2.0
_MOST = 20  # errors that stay
_SWEEPS = 3
_SEED = 31_337


@dataclass(frozen=True, eq=False)
class FoundErrors:
    """Errors that stay, with the evidence that is left.

    Attributes
    ----------
    surveys : list of SurveyEvidence
        Without one-time errors.
    stack : StackedEvidence
    effects : list of Effect
    p : list of float
    one_time : list of OneTimeError
    """

    surveys: list[SurveyEvidence]
    stack: StackedEvidence
    effects: list[Effect]
    p: list[float]
    one_time: list[OneTimeError]


class Search:
    """The search for errors that stay in the evidence of surveys.

    Parameters
    ----------
    surveys : sequence of SurveyEvidence
        At least one.
    time : ndarray, shape (n_surveys,)
    alpha : float
        Chance of any error that stays in a sound campaign.
    """

    def __init__(self, surveys: Sequence[SurveyEvidence], time: Floats, alpha: float) -> None:
        self.surveys, self.time, self.alpha = list(surveys), time, alpha
        self.stack = stacked_evidence_of(self.surveys, bias_candidates(self.surveys))
        self.own, self.sees = self.stack.own, self.stack.sees
        self.chance: ChanceGains = chance_gains(self.stack.J, self.sees, time, seed=_SEED)
        self.limit = self.chance.limit(alpha)
        # an amount is told only where it is 20 times likelier than a share of the value
        offset = [c.form is ErrorForm.OFFSET for c in self.stack.candidates]
        self.less = np.where(offset, UNLIKELIER, 0.0)

    def found(self) -> FoundErrors:
        """Return all that was found."""
        effects, one_time = list[Effect](), list[OneTimeError]()
        if self.stack.candidates:
            while len(effects) < _MOST:
                fit = self.fit(effects)
                best, gain, p = self._next(self.gains(fit))
                worst = self._wrong_once(fit)
                largest = max((abs(z) for z, _ in worst.values()), default=0.0) ** 2
                if p < self.alpha and gain >= largest:
                    effects = self._weighed_again([*effects, best])
                elif worst:
                    one_time += [self._without(s, i, z) for s, (z, i) in worst.items()]
                else:
                    break
        chances = [self._p_of(effects, i) for i in range(len(effects))]
        kept = [i for i, each in enumerate(chances) if each < self.alpha]
        return FoundErrors(
            self.surveys, self.stack, [effects[i] for i in kept], [chances[i] for i in kept],
            sorted(one_time, key=lambda e: e.number),
        )  # fmt: skip

    def fit(self, effects: Sequence[Effect]) -> Fit:
        """Return effects fitted together."""
        return fit_of(self.stack.J, self.stack.g, effects, self.time)

    def gains(self, fit: Fit) -> Gains:
        """Return what further ones would gain."""
        return gains_of(self.stack.J, fit, self.own, self.sees, self.time)

    def _next(self, gains: Gains) -> tuple[Effect, float, float]:
        """Return the best further effect, what it gains against its scatter, its chance.

        Of the candidates that stand out of their scatter, the one that gains most.
        """
        log_chance = _log_chance(gains)
        out = log_chance <= max(self.limit, float(log_chance.min()))
        j = int(np.argmax(np.where(out, gains.best - self.less, -np.inf)))
        against = float(gains.best[j] / max(1.0, gains.scatter[j]))
        return gains.effect(j), against, self.chance.p(float(log_chance[j]))

    def _p_of(self, effects: Sequence[Effect], i: int) -> float:
        gains = self.gains(self.fit([e for k, e in enumerate(effects) if k != i]))
        return self.chance.p(float(_log_chance(gains)[effects[i].candidate]))

    def _weighed_again(self, effects: list[Effect]) -> list[Effect]:
        """Return effects, each the best one beside all others."""
        for _ in range(_SWEEPS if len(effects) > 1 else 0):
            before = list(effects)
            for effect in before:
                others = [e for e in effects if e is not effect]
                best, _, p = self._next(self.gains(self.fit(others)))
                effects = [*others, best] if p < self.alpha else others
            if set(effects) == set(before):
                break
        return effects

    def _wrong_once(self, fit: Fit) -> dict[int, tuple[float, int]]:
        """Return the worst number of each survey that has one: how far off, and its row."""
        z = [self._standardised(s, fit) for s in range(len(self.surveys))]
        every: dict[ErrorPlace, list[float]] = {}
        for each, survey in zip(z, self.surveys, strict=True):
            for name, value in zip(survey.places, each.tolist(), strict=True):
                if value != 0.0:
                    every.setdefault(name, []).append(abs(value))
        if not every:
            return {}
        scatter = scatter_of([np.array(own) for own in every.values()])
        spread = dict(zip(every, scatter.at_least().tolist(), strict=True))
        limit = self.numbers.limit(_ONE_TIME, float(scatter.whole))
        found = {}
        for s, (each, survey) in enumerate(zip(z, self.surveys, strict=True)):
            own = each / np.array([spread.get(p, 1.0) for p in survey.places])
            if own.size and survey.dof > 0 and np.abs(own).max() > limit:
                i = int(np.argmax(self._log_odds(survey, each)))
                found[s] = float(own[i]), i
        return found

    def _log_odds(self, survey: SurveyEvidence, z: Floats) -> Floats:
        """Return how likely each number of a survey is the wrong one, by the other surveys too.

        ``z`` as of `_standardised`: without the number the squares fall by z^2.
        """
        usual, own = self.usual.beside(survey.label), np.diag(survey.P)
        lost = np.array([place.kind == "loss" for place in survey.places])
        found = 0.5 * z**2 + np.where(lost, _LOSS, 0.0)
        for i, place in enumerate(survey.places):
            of = usual.get((place.where, place.quantity))
            if of is None or place.kind != "measurement" or not own[i] > SEEN:
                continue
            read, sd = float(survey.measured[i]), float(survey.unit[i])
            if read > 0.0:
                size, left = float(z[i] / own[i] ** 0.5), max(1.0 / float(own[i]) - 1.0, 0.0)
                found[i] += of.log_odds(read, sd, read - size * sd, left**0.5 * sd)
        return found

    @cached_property
    def usual(self) -> UsualReadings:
        """What the surveys say of each other's numbers."""
        balances = [s.balance for s in self.surveys if s.balance is not None]
        return UsualReadings([balance.dated for balance in balances])

    @cached_property
    def numbers(self) -> ChanceNumbers:
        """How far off the worst number of such a campaign is by chance."""
        return chance_numbers(self.surveys, seed=_SEED)

    def _standardised(self, s: int, fit: Fit) -> Floats:
        """Return r / sqrt(P_ii) of the rows of a survey without the errors that stay."""
        survey = self.surveys[s]
        A = [e.candidate for e in fit.effects]
        r = survey.r - survey.P @ (self.stack.loadings[s][:, A] @ (fit.profiles[:, s] * fit.b))
        own = np.diag(survey.P)
        seen = own > SEEN
        return np.where(seen, r / np.sqrt(np.where(seen, own, 1.0)), 0.0)

    def _without(self, s: int, i: int, z: float) -> OneTimeError:
        """Take one number out of a survey; what it can hardly be told from stands in order."""
        survey = self.surveys[s]
        odds = self._log_odds(survey, survey.standardised())
        alike = [j for j in survey.alike(i) if odds[j] >= odds[i] - 0.5 * UNLIKELIER]
        alike.sort(key=lambda j: (j != i, -odds[j]))
        group = tuple(survey.places[j] for j in alike)
        self.surveys[s] = survey.without(i)
        self.stack.put(s, self.surveys[s])
        self.own, self.sees = self.stack.own, self.stack.sees
        return OneTimeError(survey.number, survey.label, group, z)


def _log_chance(gains: Gains) -> Floats:
    """Return the logarithm of the chance of each best gain; 0 of what its ± would explain.

    A few surveys may agree by chance; what the stated errors alone make of it is no error then.
    """
    enough = gains.best >= _SEVERAL_SD**2 * np.maximum(1.0, gains.scatter)
    return np.where(enough, gains.log_chance(), 0.0)
