"""Find the errors that explain a survey: tests at the balance, explanations at a better point.

The tests are linear, at the balance itself. A gross error distorts that balance, so explanations
are compared where the balances are linearised at the likeliest explanation: the survey balanced
again without it, repeated until the likeliest explanation is the one that was left out.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice, product

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import BalanceProblem, Position
from oretally.recon.equivalence import Groups, equivalence
from oretally.recon.explanations import Candidate, Explanation, Posterior, explain
from oretally.recon.findings import ErrorRates
from oretally.recon.refits import only_streams, refit, with_losses, without_readings
from oretally.recon.solution import Solution
from oretally.recon.traces import LOSS_UNIT, Traces, traces_at, traces_of

__all__ = [
    "LARGEST",
    "Diagnosis",
    "Explained",
    "candidates",
    "diagnose",
    "joint_sizes",
    "ways_of",
]

LARGEST = 3_000  # measurements up to which explanations are compared
_ROUNDS = 5  # of linearising again
_SINGLES = 24  # measurements left out one by one before the first round
_TRIED = 2  # explanations balanced again in each round
_SOUND = 0.5  # probability of 'nothing is wrong' from which nothing is left out to look again
_PRICE = 11.0  # objective that an error must take off to be worth assuming, between rounds
_WORTH_TELLING = 0.1  # probability of an explanation below which none is told
_MEMBERS = 4  # of a group, and combinations of members, that are balanced again
_SHOWN, _LEAST = 4, 0.05  # explanations balanced again for their answers: how many, how likely

Floats = NDArray[np.float64]
_Rows = tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Explained:
    """The survey under one explanation.

    Attributes
    ----------
    groups : tuple of int
        Groups in error.
    rows : tuple of int
        Rows of the traces: of each group the member that is taken to be the one.
    probability : float
        Of the explanation, whichever members are the ones.
    left_out : tuple of Position
        The measurements among the members.
    problem : BalanceProblem
        Without those, with a stream for each loss.
    solution : Solution or None
        None if that could not be balanced.
    """

    groups: tuple[int, ...]
    rows: _Rows
    probability: float
    left_out: tuple[Position, ...]
    problem: BalanceProblem
    solution: Solution | None


@dataclass(frozen=True, eq=False)
class Diagnosis:
    """What was found, as arrays.

    Attributes
    ----------
    at_balance, at_best : Groups
        Traces in groups at the balance, and linearised at the likeliest explanation.
    posterior : Posterior
        Over the groups of ``at_best``.
    likely : tuple of Explained
        The likeliest explanations, and 'nothing is wrong'.
    alone : mapping of int to float
        Objective that is left without a measurement, for those that were left out by themselves.
    """

    at_balance: Groups
    at_best: Groups
    posterior: Posterior
    likely: tuple[Explained, ...]
    alone: Mapping[int, float]


def diagnose(
    problem: BalanceProblem,
    solution: Solution,
    rate: Callable[[Position], float],
    rates: ErrorRates,
    n_nodes: int | None = None,
) -> Diagnosis:
    """Compare explanations of a survey.

    Parameters
    ----------
    problem : BalanceProblem
    solution : Solution
        Its minimum.
    rate : callable
        Rate of gross errors of a measurement.
    rates : ErrorRates
    n_nodes : int, optional
        Balances of nodes; see `oretally.recon.traces.traces_at`.
    """
    search = _Search(problem, solution, rate, rates, n_nodes)
    at_balance = equivalence(traces_of(problem, solution, n_nodes))
    at_best, posterior = search.settle(at_balance)
    likely = search.likely(at_best, posterior)
    return Diagnosis(at_balance, at_best, posterior, likely, search.alone(at_best.traces))


class _Search:
    """Explanations that were balanced again; rows are the same at every point."""

    def __init__(
        self,
        problem: BalanceProblem,
        solution: Solution,
        rate: Callable[[Position], float],
        rates: ErrorRates,
        n_nodes: int | None,
    ) -> None:
        self.problem, self.solution, self.rate, self.rates = problem, solution, rate, rates
        self.n_nodes = n_nodes
        self.tried: dict[tuple[object, ...], tuple[BalanceProblem, Solution | None]] = {
            (): (problem, solution)
        }

    def settle(self, groups: Groups) -> tuple[Groups, Posterior]:
        """Linearise at the likeliest explanation until it stays the likeliest."""
        best = groups, self.posterior(groups), self.solution.objective
        groups, posterior, _ = best
        for number in range(_ROUNDS):
            first = posterior.explanations[0]
            if not first.chosen and first.probability > _SOUND:
                break
            # a slip that drove the balance to a bound leaves no trace that can be trusted
            fresh = self._singles(groups) if number == 0 else []
            for explanation in posterior.explanations[:_TRIED]:
                chosen = tuple(int(groups.first[g]) for g in explanation.chosen)
                if self._key(groups.traces, chosen) not in self.tried and chosen not in fresh:
                    fresh.append(chosen)
            found = []
            for chosen in fresh:
                _, solution = self.balanced(groups.traces, chosen)
                if solution is not None:
                    found.append((solution.objective + _PRICE * len(chosen), solution))
            if not found:
                break
            price, nearest = min(found, key=lambda pair: pair[0])
            point = only_streams(nearest, self.problem.n_carriers)
            groups = equivalence(
                traces_at(
                    self.problem, self.solution.reduced, point, self.solution.classes, self.n_nodes
                )
            )  # fmt: skip
            posterior = self.posterior(groups)
            if price < best[2]:
                best = groups, posterior, price
        return best[0], best[1]

    def _singles(self, groups: Groups) -> list[_Rows]:
        """Return the measurements that stand out most, each by itself, not yet left out."""
        n = len(groups.traces.readings)
        rows = groups.first[groups.first < n]
        order = np.argsort(-np.abs(groups.traces.statistic[rows]), kind="stable")
        chosen = [(int(i),) for i in rows[order[:_SINGLES]]]
        return [c for c in chosen if self._key(groups.traces, c) not in self.tried]

    def alone(self, traces: Traces) -> dict[int, float]:
        """Return the objective left without each measurement that was left out by itself."""
        found = {}
        for i, place in enumerate(traces.readings):
            solution = self.tried.get((place,), (None, None))[1]
            if solution is not None:
                found[i] = solution.objective
        return found

    def posterior(self, groups: Groups) -> Posterior:
        """Compare explanations with the balances linearised at one point."""
        return explain(
            groups.correlation, groups.statistic, candidates(groups, self.rate, self.rates)
        )

    def balanced(self, traces: Traces, chosen: _Rows) -> tuple[BalanceProblem, Solution | None]:
        """Return the problem under an explanation and its solution; each is solved once."""
        key = self._key(traces, chosen)
        if key not in self.tried:
            n = len(traces.readings)
            problem = without_readings(self.problem, [traces.readings[i] for i in chosen if i < n])
            sizes = joint_sizes(traces, chosen)
            losses = {
                traces.nodes[i - n]: (self._passing(traces.nodes[i - n]), size)
                for i, size in zip(chosen, sizes, strict=True)
                if i >= n
            }
            problem = with_losses(problem, losses)
            self.tried[key] = problem, refit(problem, self.solution.flow)
        return self.tried[key]

    def _passing(self, node: int) -> Floats:
        """Return the mean grades of what enters a node, as balanced, shape (n_analytes,)."""
        row = self.problem.flow_balance[[node]].toarray()[0]
        into = np.where(row > 0.0, self.solution.flow, 0.0)
        if not into.any():  # it stands still in the balance: all that may enter counts alike
            into = np.where(row > 0.0, 1.0, 0.0)
        return np.asarray(np.nan_to_num(self.solution.grade) @ into / into.sum())

    @staticmethod
    def _key(traces: Traces, chosen: _Rows) -> tuple[object, ...]:
        n, sizes = len(traces.readings), joint_sizes(traces, chosen)
        named: list[object] = [
            traces.readings[i]
            if i < n
            else ("loss" if size >= 0.0 else "gain", traces.nodes[i - n])
            for i, size in zip(chosen, sizes, strict=True)
        ]
        return tuple(sorted(named, key=str))

    def likely(self, groups: Groups, posterior: Posterior) -> tuple[Explained, ...]:
        """Balance the likeliest explanations again, if there are any but 'nothing is wrong'.

        Each member of a group in its turn: no data tell which is wrong, but the answers differ.
        """
        shown = [e for e in posterior.explanations[:_SHOWN] if e.probability >= _LEAST]
        if not any(e.chosen and e.probability >= _WORTH_TELLING for e in shown):
            return ()
        shown += [e for e in posterior.explanations if not e.chosen and e not in shown]
        if all(e.chosen for e in shown):
            shown.append(Explanation((), 0.0))
        traces, found = groups.traces, []
        for e in shown:
            members = (groups.members[g].tolist()[:_MEMBERS] for g in e.chosen)
            for rows in islice(product(*members), _MEMBERS):
                left_out = tuple(traces.readings[i] for i in rows if i < len(traces.readings))
                again = self.balanced(traces, rows)
                found.append(Explained(e.chosen, rows, e.probability, left_out, *again))
        return tuple(found)


def joint_sizes(traces: Traces, chosen: Sequence[int]) -> Floats:
    """Return the estimated sizes of errors that are there together, in their units."""
    rows = list(chosen)
    P = traces.P[np.ix_(rows, rows)]
    return np.asarray(np.linalg.pinv(P, rcond=1e-10, hermitian=True) @ traces.r[rows])


def candidates(
    groups: Groups, rate: Callable[[Position], float], rates: ErrorRates
) -> list[Candidate]:
    """Return the ways in which each group can be in error: those of its members together."""
    traces = groups.traces
    size, costs = np.sqrt(traces.redundancy), dict[float, Floats]()
    n = len(traces.readings)
    widths = np.outer(size[:n], rates.widths)
    found = []
    for members in groups.members:
        i = int(members[0])
        if len(members) > 1 or i >= n:
            ways = [ways_of(traces, j, rate, rates) for j in members.tolist()]
            found.append(_merged(ways))
            continue
        chance = rate(traces.readings[i])
        if chance not in costs:
            costs[chance] = _costs(chance, rates.shares)
        found.append(Candidate(widths[i], costs[chance]))
    return found


def ways_of(
    traces: Traces, i: int, rate: Callable[[Position], float], rates: ErrorRates
) -> Candidate:
    """Return the ways in which one measurement or node can be in error."""
    size = float(np.sqrt(traces.redundancy[i]))
    if i < len(traces.readings):
        chance = rate(traces.readings[i])
        return Candidate(np.array(rates.widths) * size, _costs(chance, rates.shares))
    width = np.array([rates.loss_width / LOSS_UNIT * size])
    return Candidate(width, _costs(rates.loss, (1.0,)))


def _costs(chance: float, shares: Sequence[float]) -> Floats:
    """Return minus the log odds of each way, the chance shared among them."""
    with np.errstate(divide="ignore"):  # a chance of 0 costs more than anything
        return np.asarray(-np.log(chance / (1.0 - chance) * np.array(shares) / sum(shares)))


def _merged(ways: Sequence[Candidate]) -> Candidate:
    """Return all ways together; those of the same width as one."""
    width = np.concatenate([w.width for w in ways])
    odds = np.exp(-np.concatenate([w.cost for w in ways]))
    _, first, inverse = np.unique(np.round(width, 9), return_index=True, return_inverse=True)
    with np.errstate(divide="ignore"):
        return Candidate(width[first], -np.log(np.bincount(inverse, odds)))
