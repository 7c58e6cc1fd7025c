"""What was found about the errors of a survey, as arrays: hypotheses and their probabilities."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.gross_errors.explanations import Posterior
from oretally.recon.gross_errors.hypotheses import NOTHING, Hypothesis, joint_errors
from oretally.recon.signatures import Groups, Mixups, SlipTable, WayTable, log_evidence

__all__ = ["Diagnosis", "Weighed", "in_order"]


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
    objectives : mapping of Hypothesis to float
        Objective that is left under each hypothesis that was balanced again.
    posterior : Posterior
        Of errors of free size, at ``at_best``.
    unseen : float
        Share of the probability of hypotheses that were not balanced again.
    """

    at_balance: Groups
    at_best: Groups
    weighed: tuple[Weighed, ...]
    unlikely: Mapping[Hypothesis, Floats]
    meant: SlipTable
    ways: WayTable
    mixups: Mixups
    sizes: Callable[[Hypothesis], tuple[Floats, Floats] | None]
    objectives: dict[Hypothesis, float]
    posterior: Posterior
    unseen: float

    @cached_property
    def of_row(self) -> Floats:
        """Probability of each row that it is in error by itself, shape (n_rows,)."""
        found = np.zeros(len(self.ways))
        for w in self.weighed:
            found[list(w.hypothesis.rows)] += w.probability
        for base, p in self.unlikely.items():
            found += p
            found[list(base.rows)] += p.sum()
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

    @property
    def sound(self) -> float:
        """Probability that nothing is wrong."""
        return sum(w.probability for w in self.weighed if w.hypothesis == NOTHING)

    @cached_property
    def groups(self) -> tuple[Ints, ...]:
        """Rows that no data tell apart; a row without a signature, but maybe wrong, by itself."""
        of_row = self.of_row
        alone = np.flatnonzero((of_row > 0.0) & (self.at_best.of_row < 0))
        return (*self.at_best.members, *(alone[i : i + 1] for i in range(alone.size)))

    @cached_property
    def of_group(self) -> Floats:
        """Probability of each of ``groups``, shape (n_groups,)."""
        rows = self.at_best.of_row
        grouped = rows >= 0
        n = self.at_best.first.size
        together = np.bincount(rows[grouped], self.of_row[grouped], n)
        alone = [float(self.of_row[m].sum()) for m in self.groups[n:]]
        return np.asarray(np.minimum(np.concatenate([together, alone]), 1.0))

    def of_ways(self, row: int) -> Floats:
        """Return the probability of each way of a row, shape (n_ways,)."""
        found = np.zeros(len(self.ways[row]))
        for w in self._with(row, 1e-3 * float(self.of_row[row])):
            shares = self.way_shares(w.hypothesis)
            found += w.probability * shares[w.hypothesis.rows.index(row)]
        return found

    def _with(self, row: int, least: float) -> list[Weighed]:
        """Return the hypotheses with a row in error that are likelier than that, in order."""
        found = [w for w in self.weighed if row in w.hypothesis.rows and w.probability > least]
        for base, p in self.unlikely.items():
            rows = np.flatnonzero(p > least) if row in base.rows else np.array([row])
            more = [Weighed(base.and_row(i), float(p[i])) for i in rows.tolist()]
            found += [w for w in more if w.probability > least]
        return sorted(found, key=in_order)

    def way_shares(self, h: Hypothesis) -> tuple[Floats, ...]:
        """Return how likely each way of each row of a hypothesis is, if that is true."""
        ways = [self.ways[i] for i in h.rows]
        return log_evidence(*self.errors_under(h), ways).ways if ways else ()

    def errors_under(self, h: Hypothesis) -> tuple[Floats, Floats]:
        """Return the errors of the rows of a hypothesis, in their units, and their covariance.

        As balancing again has them, else linear.
        """
        return self.sizes(h) or joint_errors(self.at_best.signatures, h.rows)

    def first_with(self, row: int) -> Hypothesis:
        """Return the likeliest hypothesis with a row in error."""
        return self._with(row, 0.0)[0].hypothesis

    def first_with_mixup(self, number: int) -> Hypothesis:
        """Return the likeliest hypothesis with a mix-up."""
        return next(w.hypothesis for w in self.weighed if number in w.hypothesis.mixups)
