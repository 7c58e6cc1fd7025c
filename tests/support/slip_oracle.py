"""A judge of what a survey with a slip can tell: full refits, and evidence in closed form.

Every measurement and every loss is left out by itself, and pairs of measurements are: all that
could matter. Each time the survey is balanced again, so that nothing is linearised but what the
others say of the numbers left out. The evidence of an explanation against 'nothing is wrong' is

    exp((S_0 - S) / 2) sqrt(det 2 pi (V + D)) q(y) times the odds of its errors

with S the objective that is left, V the covariance of what the others say of the readings y, D
their stated variances, and q from `slip_evidence`. As the balances are products of flows and
grades, two explanations may be at places that have little in common, one with a thousand times the
flow; each counts by the volume that it has in logarithms of the values: see `Left.log_volume`.
Nothing here comes from the search for suspects.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from slip_draws import CHANCES, Case, Chances, partners, rate_in
from slip_evidence import (
    exchanged,
    log_any,
    log_exchange,
    log_pair,
    log_single,
    log_sound,
    reads_of,
    ways_of,
)
from slip_plants import SlipPlant
from slip_refits import Left, Refits, changed, same

from oretally.flowsheet import balance_problem, positions
from oretally.recon.solver import propagate

__all__ = ["NONE", "Oracle", "Verdict", "exact_groups"]

Floats = NDArray[np.float64]

BEST = 15  # readings among which pairs are tried, beside the one that is wrong
DROP = 6.0  # objective that a second reading must take off, linearly, for the pair to be tried
PRICE = 9.0  # objective that it must take off to be worth assuming
WORTH = 16.0  # objective above the best, price included, up to which a pair is tried
FAR = 80.0  # the same for a reading by itself
CLOSE, ROUNDED = 1e-6, 0.01  # of a corrected value; of one that was written in another unit
NEAR = 4.0  # standard deviations within which another number fits, for an exchange to be tried
QUIET = 0.1  # noise of the survey in which groups are found, in stated errors
NONE = "nothing"


@dataclass(frozen=True)
class Verdict:
    """What the data say.

    Attributes
    ----------
    told : bool
        Whether the wrong reading, or one of its exact group, is the likeliest error, and likelier
        than none.
    named : bool
        Whether the slip that happened is one of the two likeliest in that group.
    group : tuple of str
        Names of the errors that no data tell from the wrong reading, and that itself.
    first : str
        The likeliest error.
    probability : mapping of str to float
        Of each error; 'nothing' for none at all.
    evidence : mapping of str to float
        Log odds of each error alone against 'nothing is wrong'.
    solved, failed : int
        Refits, and those that found no balance.
    """

    told: bool
    named: bool
    group: tuple[str, ...]
    first: str
    probability: Mapping[str, float]
    evidence: Mapping[str, float]
    solved: int
    failed: int


class Oracle:
    """Explanations of one survey.

    Parameters
    ----------
    case : Case
    near : ndarray, optional
        Flows to begin with: those of the survey before anything went wrong.
    chances : Chances, optional
    """

    def __init__(self, case: Case, near: Floats | None = None, chances: Chances = CHANCES) -> None:
        self.case, self.chances, self.plant = case, chances, case.plant
        self.reads = reads_of(case)
        self.names = [r.name for r in self.plant.readings]
        self.ways = [ways_of(case, r, chances) for r in self.reads]
        problem = balance_problem(self.plant.circuit, case.survey)
        self.refits = Refits(problem, self.reads, near)
        lower = rate_in(self.plant, chances)
        rate, loss = lower * chances.measurement, lower * chances.loss
        self.log_odds, self.log_loss = np.log(rate / (1.0 - rate)), np.log(loss / (1.0 - loss))
        self.wrong = sorted({i for w in case.wrong for i in w.right})
        self.groups = exact_groups(case.plant)
        self.log_evidence: dict[tuple[str, ...], list[float]] = {}
        self.slips: list[tuple[float, dict[int, float]]] = []  # log odds, numbers put right

    def verdict(self) -> Verdict:
        """Compare all explanations of a survey with one slip."""
        share = self.shares()
        own = frozenset(name for i in self.wrong for name in self.groups[self.names[i]])
        names = {name for explanation in share for name in explanation} - {NONE}
        alone = {n: _chance(share, frozenset({n})) for n in names}
        of_group = {n: _chance(share, self.groups[n]) for n in names}
        first = max(sorted(names), key=lambda n: (of_group[n], alone[n]))
        told = bool(self.groups[first] & own) and of_group[first] > share[NONE,]
        return Verdict(
            told, told and self._named(own), tuple(sorted(own)), first,
            {n: round(p, 6) for n, p in (alone | {NONE: share[NONE,]}).items()},
            {n[0]: round(float(np.logaddexp.reduce(v)), 3)
             for n, v in self.log_evidence.items() if len(n) == 1},
            self.refits.solved, self.refits.failed,
        )  # fmt: skip

    def of_groups(self) -> list[tuple[frozenset[str], float]]:
        """Return the probability of each exact group: that one of it is wrong."""
        share = self.shares()
        return [(group, _chance(share, group)) for group in set(self.groups.values())]

    def shares(self) -> dict[tuple[str, ...], float]:
        """Return the probability of each explanation: errors that are there, and no others."""
        whole = self.refits.balanced(self.refits.problem)
        self.left = [self.refits.without([i]) for i in range(len(self.reads))]
        left = [x.objective for x in self.left if x is not None]
        # a survey without any balance is as bad as the worst that has one
        self.S0 = max(left, default=0.0) if whole is None else whole.objective
        self.best = min([*left, self.S0])
        self.volume = _surface(self.plant)[0] if whole is None else self._volume(whole)
        self._add((NONE,), 0.0)
        for i in range(len(self.reads)):
            self._single(i)
        if whole is not None:
            self._losses()
        for i, j in sorted(self._pairs()):
            self._pair(i, j)
        log_odds = {n: float(np.logaddexp.reduce(v)) for n, v in self.log_evidence.items()}
        total = float(np.logaddexp.reduce(list(log_odds.values())))
        return {n: float(np.exp(v - total)) for n, v in log_odds.items()}

    def _gain(self, x: Left) -> float:
        """Return the log odds of a balance against that of the whole survey."""
        return 0.5 * (self.S0 - x.objective) + self._volume(x) - self.volume

    def _volume(self, x: Left) -> float:
        """Return the log volume; what a bound holds counts like what moves."""
        (volume, dimensions), usual = x.log_volume, _surface(self.plant)
        return volume * usual[1] / dimensions if dimensions else usual[0]

    def _add(self, names: tuple[str, ...], log_odds: float) -> None:
        self.log_evidence.setdefault(names, []).append(log_odds)

    def _single(self, i: int) -> None:
        """One reading wrong, in any way."""
        x, read = self.left[i], self.reads[i]
        if x is None:  # no data speak for it or against it, or it explains nothing
            self._add((self.names[i],), self.log_odds)
            return
        gain = 0.5 * (self.S0 - x.objective) + self.log_odds
        if x.objective <= self.best + FAR:
            variance = float(x.sd[i]) ** 2
            gain = self._gain(x) + self.log_odds - log_sound([read], np.array([[variance]]))
            each = log_single(self.ways[i], float(x.said[i]), variance)
            slips = self.ways[i].width == 0.0
            values = self.ways[i].h[slips] / read.size
            self.slips += [(float(gain + v), {i: float(h)})
                           for v, h in zip(each[slips], values, strict=True)]  # fmt: skip
            gain += np.logaddexp.reduce(each)
        self._add((self.names[i],), float(gain))

    def _losses(self) -> None:
        """A loss, or a gain, at each node by itself; where it is known what would be lost."""
        if (self.refits.problem.grade_sd == 0.0).any():
            return
        n = self.refits.problem.n_carriers
        for node, named in enumerate(self.plant.circuit.nodes):
            x = self.refits.lossy(node)
            if x is None or x.objective > self.best + FAR:
                continue
            variance = float(propagate(x.problem, x.solution).flow_sd[-1]) ** 2
            row = np.maximum(self.refits.problem.flow_balance[[node]].toarray()[0], 0.0)
            unit = self.chances.loss_width * float(row @ x.solution.flow[:n])
            density = log_any(float(x.solution.flow[-1]) / unit, variance / unit**2, 1.0)
            gain = self._gain(x) + 0.5 * np.log(2.0 * np.pi * variance)
            self._add(
                (f"loss at {named.name}",), float(gain + density - np.log(unit) + self.log_loss)
            )

    def _pairs(self) -> set[tuple[int, int]]:
        """Return pairs of readings that may explain more than either alone.

        What a second reading would take off is estimated where the first is left out, beginning
        with the best of these.
        """
        held = ((x.objective, i) for i, x in enumerate(self.left) if x is not None)
        order = [i for _, i in sorted(held)]
        lead = [*order[:BEST], *(i for i in order[BEST:] if i in self.wrong)]
        price: dict[tuple[int, int], float] = {}
        for i in lead:
            x = self.left[i]
            assert x is not None
            fits = self._exchanges_that_fit(i, x)
            for j, r in enumerate(self.reads):
                spread = r.sd**2 - x.sd[j] ** 2
                pair = min(i, j), max(i, j)
                checked = spread > 1e-9 * r.sd**2
                if j == i or pair in price or not (checked or j in fits):
                    continue
                drop = float((r.value - x.said[j]) ** 2 / spread) if checked else 0.0
                if drop >= DROP or j in fits:
                    price[pair] = x.objective - drop + (0.0 if j in fits else PRICE)
        best = min([self.best, *price.values()])
        found = {pair for pair, S in price.items() if S <= best + WORTH}
        for i in lead:
            x = self.left[i]
            if x is not None and x.objective <= best + WORTH:
                alike = self.groups[self.names[i]]
                found |= {(min(i, j), max(i, j)) for j in partners(self.plant, i)
                          if self.names[j] in alike}  # fmt: skip
        return found | set(combinations(self.wrong, 2))

    def _exchanges_that_fit(self, i: int, x: Left) -> set[int]:
        """Return readings whose numbers would fit in the place of one."""
        r, found = self.plant.readings[i], set[int]()
        for j in partners(self.plant, i):
            unit = self.plant.readings[j].unit
            number = r.unit.from_base(unit.to_base(float(self.case.written[j])))
            value = number * self.reads[i].size
            if abs(value - x.said[i]) <= NEAR * np.hypot(r.relative * value, x.sd[i]):
                found.add(j)
        return found

    def _pair(self, i: int, j: int) -> None:
        """Two readings wrong, each in its way, or exchanged with each other."""
        one, other = self.reads[i], self.reads[j]
        back = exchanged(one, other, self.case)
        chance = self.chances.swapped * sum(
            1.0 / len(partners(self.plant, a))
            for a, b in ((i, j), (j, i)) if b in partners(self.plant, a)
        )  # fmt: skip
        names = self.names[i], self.names[j]
        alike = names[1] in self.groups[names[0]]
        x = None if alike else self.refits.without([i, j])
        if x is None:
            if chance and back is not None:
                self._exchanged_alone(i, j, back, chance)
            return
        said, cov = x.said[[i, j]], x.cov([i, j])
        if not np.isfinite(cov).all():
            return
        gain = self._gain(x) - log_sound([one, other], cov)
        both = log_pair(self.ways[i], self.ways[j], said, cov)
        self._add(names, float(gain + both + 2.0 * self.log_odds))
        if chance and back is not None:
            exchange = log_exchange(back, said, cov) + np.log(chance) + self.log_odds
            self._exchange(i, j, float(gain + exchange))

    def _exchange(self, i: int, j: int, log_odds: float) -> None:
        written = self.case.written
        self._add((self.names[i], self.names[j]), log_odds)
        one, other = (self.plant.readings[k].unit for k in (i, j))
        here = one.from_base(other.to_base(float(written[j])))
        there = other.from_base(one.to_base(float(written[i])))
        self.slips.append((log_odds, {i: here, j: there}))

    def _exchanged_alone(self, i: int, j: int, back: Floats, chance: float) -> None:
        """Two of an exact group, or one that nothing checks: without both, one is not known.

        The first given the second, as it is and as it was; of the second alone nothing is said.
        """
        if self.left[i] is None:
            i, j, back = j, i, back[:, ::-1]
        y = self.refits.without([i], {j: (float(back[0, 1]), float(back[1, 1]))})
        if y is None:
            return
        cov = y.cov([i, j])
        # what would be said of the first, had the second the sd that was stated
        slope = cov[0, 1] / cov[1, 1] if cov[1, 1] > 0.0 else 0.0
        change = self.reads[j].sd ** 2 - back[1, 1] ** 2
        variance = max(float(cov[0, 0] + slope**2 * change), 0.0)
        gain = self._gain(y) - log_sound([self.reads[i]], np.array([[variance]]))
        fits = log_exchange(back[:, :1], y.said[[i]], cov[:1, :1])
        self._exchange(i, j, float(gain + fits + np.log(chance) + self.log_odds))

    def _named(self, own: frozenset[str]) -> bool:
        """Tell whether the slip that happened is one of the two likeliest of the group."""
        (happened,) = self.case.wrong
        room = ROUNDED if happened.kind == "unit" else CLOSE
        best = list[dict[int, float]]()
        for _, values in sorted(self.slips, key=lambda s: -s[0]):
            if not any(self.names[i] in own for i in values) or any(
                _alike(values, other, CLOSE) for other in best
            ):
                continue  # two slips that come to the same are one
            best.append(values)
        return any(_alike(values, happened.right, room) for values in best[:2])


def _chance(share: Mapping[tuple[str, ...], float], any_of: frozenset[str]) -> float:
    """Return the probability that one of some errors is there."""
    return sum(p for n, p in share.items() if any_of & set(n))


def _alike(one: Mapping[int, float], other: Mapping[int, float], room: float) -> bool:
    """Tell whether two corrections are the same."""
    return one.keys() == other.keys() and all(
        abs(one[i] - other[i]) <= room * abs(other[i]) for i in one
    )


@lru_cache
def _quiet(plant: SlipPlant) -> Refits:
    """Return a survey with so little noise that no bound is met."""
    noise = np.random.default_rng(20_260).standard_normal(len(plant.readings))
    written = [r.true * (1.0 + QUIET * r.relative * e)
               for r, e in zip(plant.readings, noise, strict=True)]  # fmt: skip
    case = Case(plant, np.array(written))
    return Refits(balance_problem(plant.circuit, case.survey), reads_of(case))


@lru_cache
def _surface(plant: SlipPlant) -> tuple[float, int]:
    """Return the usual log volume, and how many readings are free before the others follow."""
    refits = _quiet(plant)
    balance = refits.balanced(refits.problem)
    assert balance is not None
    return balance.log_volume


@lru_cache
def exact_groups(plant: SlipPlant) -> Mapping[str, frozenset[str]]:
    """Return for each error those that no data tell from it, itself among them.

    Without either of two readings of a group the objective is the same, and so is all that is said
    of the others. Losses belong to groups too.
    """
    refits = _quiet(plant)
    problem = refits.problem
    named: list[tuple[str, list[int], Left]] = []
    for i, r in enumerate(plant.readings):
        x = refits.without([i])
        if x is not None:
            named.append((r.name, [i], x))
    # numbers below detection are never wrong here, but no data tell them from others
    survey = Case(plant, np.array([r.true for r in plant.readings])).survey
    at, below = positions(plant.circuit, survey).readings, []
    for m in plant.fixed:
        below.append(f"{m.quantity} of {m.stream}")
        place = at[m.stream, m.quantity]
        x = refits.balanced(changed(problem, {place: (np.nan, np.nan)}))
        if x is not None and x.knows(place):
            named.append((below[-1], [], x))
    losses = [f"loss at {node.name}" for node in plant.circuit.nodes]
    if not (problem.grade_sd == 0.0).any():
        for node, name in enumerate(losses):
            x = refits.lossy(node)
            if x is not None:
                named.append((name, [], x))
    found = {name: {name} for name in [*(r.name for r in plant.readings), *below, *losses]}
    for (a, own, x), (b, its, y) in combinations(named, 2):
        if same(x, y, [*own, *its]):
            found[a].add(b)
            found[b].add(a)
    return {name: frozenset(group) for name, group in found.items()}
