"""What was found about the errors of a survey, as arrays: hypotheses and their probabilities."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.gross_errors.explanations import Posterior
from oretally.recon.gross_errors.hypotheses import NOTHING, Hypothesis, joint_errors
from oretally.recon.signatures import Groups, Meant, Mixups, Ways, log_evidence

__all__ = ["Diagnosis", "Weighed"]


@dataclass(frozen=True, slots=True)
class Weighed:
    """One hypothesis with its probability."""

    hypothesis: Hypothesis
    probability: float


@dataclass(frozen=True, eq=False)
class Diagnosis:
    """What was found, as arrays.

    Attributes
    ----------
    at_balance, at_best : Groups
        Signatures in groups at the balance, and linearised at the likeliest hypothesis.
    weighed : tuple of Weighed
        Hypotheses, the likeliest first; probabilities sum to 1.
    meant : sequence of tuple of Meant
        Of each row of the signatures, in base units.
    ways : sequence of Ways
        Of each row; ``slip`` counts in ``meant``.
    mixups : Mixups
    sizes : mapping of Hypothesis to (ndarray, ndarray)
        Errors of the rows of each hypothesis that was balanced again, in units of the signatures,
        and their covariance.
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
    meant: Sequence[tuple[Meant, ...]]
    ways: Sequence[Ways]
    mixups: Mixups
    sizes: dict[Hypothesis, tuple[Floats, Floats]]
    objectives: dict[Hypothesis, float]
    posterior: Posterior
    unseen: float

    @cached_property
    def of_row(self) -> Floats:
        """Probability of each row that it is in error by itself, shape (n_rows,)."""
        found = np.zeros(len(self.ways))
        for w in self.weighed:
            found[list(w.hypothesis.rows)] += w.probability
        return np.minimum(found, 1.0)

    @cached_property
    def of_mixup(self) -> dict[int, float]:
        """Probability of each mix-up that was weighed."""
        found: dict[int, float] = {}
        for w in self.weighed:
            for c in w.hypothesis.mixups:
                found[c] = min(1.0, found.get(c, 0.0) + w.probability)
        return found

    @property
    def sound(self) -> float:
        """Probability that nothing is wrong."""
        return sum(w.probability for w in self.weighed if w.hypothesis == NOTHING)

    @cached_property
    def groups(self) -> tuple[Ints, ...]:
        """Rows that no data tell apart; a row without a signature, but maybe wrong, by itself."""
        taken = {int(i) for members in self.at_best.members for i in members}
        alone = [i for i in np.flatnonzero(self.of_row > 0.0) if int(i) not in taken]
        return (*self.at_best.members, *(np.array([i], dtype=np.intp) for i in alone))

    def of_ways(self, row: int) -> Floats:
        """Return the probability of each way of a row, shape (n_ways,)."""
        found = np.zeros(len(self.ways[row]))
        for w in self.weighed:
            if row in w.hypothesis.rows and w.probability > 1e-3 * self.of_row[row]:
                shares = self.way_shares(w.hypothesis)
                found += w.probability * shares[w.hypothesis.rows.index(row)]
        return found

    def way_shares(self, h: Hypothesis) -> tuple[Floats, ...]:
        """Return how likely each way of each row of a hypothesis is, if that is true."""
        ways = [self.ways[i] for i in h.rows]
        return log_evidence(*self.errors_under(h), ways).ways if ways else ()

    def errors_under(self, h: Hypothesis) -> tuple[Floats, Floats]:
        """Return the errors of the rows of a hypothesis, in their units, and their covariance.

        As balancing again has them, else linear.
        """
        return self.sizes.get(h) or joint_errors(self.at_best.signatures, h.rows)

    def first_with(self, row: int) -> Hypothesis:
        """Return the likeliest hypothesis with a row in error."""
        return next(w.hypothesis for w in self.weighed if row in w.hypothesis.rows)

    def first_with_mixup(self, number: int) -> Hypothesis:
        """Return the likeliest hypothesis with a mix-up."""
        return next(w.hypothesis for w in self.weighed if number in w.hypothesis.mixups)
