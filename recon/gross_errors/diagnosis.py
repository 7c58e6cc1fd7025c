"""What was found about the errors of a survey, as arrays: hypotheses and their probabilities."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from oretally.flowsheet import BalanceProblem
from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.gross_errors.explanations import Posterior
from oretally.recon.gross_errors.hypotheses import (
    NOTHING,
    Hypothesis,
    Proposals,
    each_value,
    joint_errors,
)
from oretally.recon.kinetics import LeachEvidence, Said
from oretally.recon.signatures import Groups, Mixups, SlipTable, WayTable, log_evidence
from oretally.recon.solution import Solution

__all__ = ["Diagnosis", "Weighed", "in_order", "weighed_hypotheses"]


_APART = 0.1  # of a number's probability: what others may share of it that it stands in for
_FARTHER = 1.0  # of the distance to a course, by which it tells two errors apart
_LIKELY = 1e-4  # probability from which a hypothesis of a family stands by itself


@dataclass(frozen=True, slots=True)
class Weighed:
    """One hypothesis with its probability."""

    hypothesis: Hypothesis
    probability: float


def in_order(w: Weighed) -> tuple[object, ...]:
    """Return the key by which hypotheses are in order: the likeliest first, of these the least."""
    return -w.probability, len(w.hypothesis), w.hypothesis.rows, w.hypothesis.mixups


@dataclass(frozen=True, eq=False)
class Diagnosis:
    """What was found, as arrays.

    Attributes
    ----------
    at_balance, at_best : Groups
        Signatures in groups at the balance, and linearised at the likeliest hypothesis.
    weighed : tuple of Weighed
        Hypotheses, the likeliest first.
    unlikely : mapping of Hypothesis to ndarray, shape (n_rows,)
        Probabilities of a hypothesis with each further row, of those that are not in ``weighed``:
        with them they sum to 1.
    meant : SlipTable
        Of each measurement, in base units.
    ways : WayTable
        ``slip`` counts in ``meant``.
    mixups : Mixups
    sizes : callable
        Returns the errors of the rows of a hypothesis that was balanced again, in units of the
        signatures, and their covariance; None of another.
    evidence : mapping of Hypothesis to float
        Of each that was balanced again.
    solutions : mapping of Hypothesis to Solution
        Each that was balanced again.
    said : mapping of Hypothesis to Said
        What the course of a test over time says of each; nothing without a course.
    course : LeachEvidence or None
    posterior : Posterior
        Of errors of free size, at ``at_best``.
    unseen : float
        Share of the probability of hypotheses that were not balanced again.
    tried, untried : int
        Hypotheses that were balanced again, and those that may be likely and were not.
    """

    at_balance: Groups
    at_best: Groups
    weighed: tuple[Weighed, ...]
    unlikely: Mapping[Hypothesis, Floats]
    meant: SlipTable
    ways: WayTable
    mixups: Mixups
    sizes: Callable[[Hypothesis], tuple[Floats, Floats] | None]
    evidence: Mapping[Hypothesis, float]
    solutions: Mapping[Hypothesis, Solution]
    said: Mapping[Hypothesis, Said]
    course: LeachEvidence | None
    posterior: Posterior
    unseen: float
    tried: int
    untried: int

    @cached_property
    def of_row(self) -> Floats:
        """Probability of each row that it is in error by itself, shape (n_rows,)."""
        found = np.zeros(len(self.ways))
        for w in self.weighed:
            found[list(w.hypothesis.rows)] += w.probability
        for i, slips in self.mixups.of_one.items():
            found[i] += sum(self.of_mixup.get(c, 0.0) for c in slips)
        for base, p in self.unlikely.items():
            found += p
            found[list(base.rows)] += p.sum()
        return np.minimum(found, 1.0)

    @cached_property
    def of_any(self) -> Floats:
        """Probability of each row that it is in error by itself or in a mix-up, shape (n_rows,)."""
        found = np.zeros(len(self.ways))
        for w in self.weighed:
            found[self.mixups.with_rows(w.hypothesis.rows, w.hypothesis.mixups)] += w.probability
        for base, p in self.unlikely.items():
            found += p
            rows = self.mixups.with_rows(base.rows, base.mixups)
            found[rows] += p.sum() - p[rows]
        return np.minimum(found, 1.0)

    @cached_property
    def of_mixup(self) -> dict[int, float]:
        """Probability of each mix-up that was weighed."""
        found: dict[int, float] = {}
        for w in self.weighed:
            for c in w.hypothesis.mixups:
                found[c] = min(1.0, found.get(c, 0.0) + w.probability)
        for base, p in self.unlikely.items():
            for c in base.mixups:
                found[c] = min(1.0, found.get(c, 0.0) + float(p.sum()))
        return found

    def best_without(self, rows: Sequence[int], mixups: Sequence[int] = ()) -> float:
        """Return the log evidence of the likeliest hypothesis without any of some rows and mix-ups.

        Of what is certain, that comes first which a survey is least likely without. A row off by
        decades is in error as well.
        """
        far = (c for i in rows for c in self.mixups.of_one.get(i, ()))
        some, mixed = set(rows), {*mixups, *far}
        return max(
            (v for h, v in self.evidence.items()
             if some.isdisjoint(h.rows) and mixed.isdisjoint(h.mixups)), default=-np.inf
        )  # fmt: skip

    @property
    def sound(self) -> float:
        """Probability that nothing is wrong."""
        return sum(w.probability for w in self.weighed if w.hypothesis == NOTHING)

    @cached_property
    def groups(self) -> tuple[Ints, ...]:
        """Rows that no data tell apart; a row without a signature, but maybe wrong, by itself."""
        of_row = self.of_row
        alone = np.flatnonzero((of_row > 0.0) & (self.at_best.of_row < 0))
        together = (part for m in self.at_best.members for part in self._told_apart(m))
        return (*together, *(alone[i : i + 1] for i in range(alone.size)))

    @cached_property
    def of_group(self) -> Floats:
        """Probability of each of ``groups``, shape (n_groups,)."""
        return np.array([min(float(self.of_row[m].sum()), 1.0) for m in self.groups])

    def _told_apart(self, members: Ints) -> list[Ints]:
        """Return a group in parts that leave the course of a test over time as far off."""
        far = np.array([s.distance if (s := self.said.get(Hypothesis((i,)))) else np.inf
                        for i in members.tolist()])  # fmt: skip
        order = np.argsort(far, kind="stable")
        with np.errstate(invalid="ignore"):
            ends = np.flatnonzero(np.diff(far[order]) > _FARTHER) + 1
        return [np.sort(part) for part in np.split(members[order], ends)]

    def left(self, problem: BalanceProblem, solution: Solution) -> tuple[float, int]:
        """Return the objective of a changed survey with that of the course, and their freedom."""
        dof = solution.classes.degrees_of_freedom
        if self.course is None:
            return solution.objective, dof
        said = self.course(problem, solution)
        return solution.objective + said.distance, dof + said.dof

    def left_under(self, h: Hypothesis) -> float:
        """Return the objective that is left under a hypothesis, with that of the course."""
        if h not in self.solutions:
            return np.inf
        return self.solutions[h].objective + (self.said[h].distance if h in self.said else 0.0)

    def by_course(self, row: int) -> bool:
        """Whether it is the course of a test over time, rather, that speaks against a row."""
        one, none = Hypothesis((row,)), NOTHING
        if one not in self.said:
            return False
        fall = self.said[none].distance - self.said[one].distance
        return fall > self.solutions[none].objective - self.solutions[one].objective

    def of_ways(self, row: int) -> Floats:
        """Return the probability of each way of a row, shape (n_ways,)."""
        likely = self._with(row, 1e-3 * float(self.of_row[row]))
        found = np.zeros(len(self.ways[row]))
        shares = self.way_shares([w.hypothesis for w in likely])
        for w, each in zip(likely, shares, strict=True):
            found += w.probability * each[w.hypothesis.rows.index(row)]
        return found

    def _with(self, row: int, least: float) -> list[Weighed]:
        """Return the hypotheses with a row in error that are likelier than that, in order."""
        found = [w for w in self.weighed if row in w.hypothesis.rows and w.probability > least]
        for base, p in self.unlikely.items():
            rows = np.flatnonzero(p > least) if row in base.rows else np.array([row])
            more = [Weighed(base.and_row(i), float(p[i])) for i in rows.tolist()]
            found += [w for w in more if w.probability > least]
        return sorted(found, key=in_order)

    def way_shares(self, some: Sequence[Hypothesis]) -> list[tuple[Floats, ...]]:
        """Return how likely each way of each row of hypotheses is, if they are true."""
        new = [h for h in some if h not in self._shares]
        self._shares.update((h, ()) for h in new if not h.rows)
        for n in {len(h.rows) for h in new if h.rows}:
            part = [h for h in new if len(h.rows) == n]
            size, covariance = map(np.array, zip(*map(self.errors_under, part), strict=True))
            ways = self.ways.of_sets(np.array([h.rows for h in part]))
            found = log_evidence(size, covariance, ways).shares
            for h, own in zip(part, found, strict=True):
                each = zip(own, h.rows, strict=True)
                self._shares[h] = tuple(p[: len(self.ways[i])] for p, i in each)
        return [self._shares[h] for h in some]

    @cached_property
    def _shares(self) -> dict[Hypothesis, tuple[Floats, ...]]:
        """What ``way_shares`` returned: each row of a hypothesis asks for it."""
        return {}

    def errors_under(self, h: Hypothesis) -> tuple[Floats, Floats]:
        """Return the errors of the rows of a hypothesis, in their units, and their covariance.

        As balancing again has them, else linear.
        """
        if (found := self.sizes(h)) is not None:
            return found
        size, covariance = joint_errors(self.at_best.signatures, np.array([h.rows]))
        return size[0], covariance[0]

    def in_place_of(self, row: int, least: float) -> list[tuple[int, float]]:
        """Return rows that may be in error in place of one, with their probabilities, in order.

        No two of all these are likely to be in error together; none is less likely than ``least``.
        """
        parts = [set(self.mixups.with_rows(w.hypothesis.rows, w.hypothesis.mixups))
                 for w in self.weighed]  # fmt: skip
        others = np.flatnonzero(self.of_row >= least).tolist()
        together, found = {row}, list[tuple[int, float]]()
        for i in sorted(others, key=lambda i: (-self.of_row[i], i)):
            p = float(self.of_row[i])
            shared = sum(w.probability for w, part in zip(self.weighed, parts, strict=True)
                         if i in part and together & part)  # fmt: skip
            if i not in together and shared <= _APART * p:
                together.add(i)
                found.append((i, p))
        return found

    def first_with(self, row: int) -> Hypothesis | None:
        """Return the likeliest hypothesis with a row left out; None if there is none."""
        return next((w.hypothesis for w in self._with(row, 0.0)), None)

    def first_with_mixup(self, number: int) -> Hypothesis:
        """Return the likeliest hypothesis with a mix-up."""
        found = [w.hypothesis for w in self.weighed if number in w.hypothesis.mixups]
        more = [(float(p.max()), base.and_row(int(p.argmax())))
                for base, p in self.unlikely.items() if number in base.mixups]  # fmt: skip
        return found[0] if found else max(more, key=lambda pair: pair[0])[1]


def weighed_hypotheses(
    evidence: Mapping[Hypothesis, float], proposals: Proposals, at: Hypothesis, less: float = 0.0
) -> tuple[tuple[Weighed, ...], dict[Hypothesis, Floats], float]:
    """Return hypotheses with their probabilities, the likeliest first, and what is left out.

    ``evidence`` is that of hypotheses that were balanced again, the likeliest of them ``at``.

    Those that were not balanced again count, by ``less`` less, where they were proposed beside the
    likeliest errors; elsewhere nothing is known of them. Those of a family that are not likely are
    left in it.
    """
    top = max(evidence.values())

    def odds(value: Floats) -> Floats:
        return np.where(value > top - 30.0, np.exp(np.minimum(value - top, 30.0)), 0.0)

    few = proposals.few
    found = {h: o for h, o in each_value(evidence, odds) if o > 0.0}
    share = float(np.exp(-less))
    proposed = {h: share * o for h, o in each_value(few, odds) if o > 0.0}
    known = found | {h: o for h, o in proposed.items() if h.holds(at)}
    out, total = sum(proposed.values()), sum(known.values())
    families = {}
    for base, score in proposals.families.items():
        own = share * odds(score)
        out += float(own.sum())
        missing = set(at.rows) - set(base.rows)
        if missing or not base.holds(Hypothesis((), at.mixups)):
            beside = np.zeros(own.size)
            if len(missing) == 1 and base.holds(Hypothesis((), at.mixups)):
                beside[list(missing)] = own[list(missing)]
            own = beside
        total += float(own.sum())
        families[base] = own
    for base, own in families.items():
        for i in np.flatnonzero(own > _LIKELY * total).tolist():
            known[base.and_row(i)] = float(own[i])
            own[i] = 0.0
    weighed = (Weighed(h, o / total) for h, o in known.items())
    return (
        tuple(sorted(weighed, key=in_order)),
        {base: own / total for base, own in families.items()},
        out / (out + sum(found.values())),
    )
