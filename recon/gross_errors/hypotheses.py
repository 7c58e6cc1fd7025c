"""Which errors may be behind a survey: scored where the balances are linearised, to be tried.

A hypothesis is a set of errors: readings that are wrong, by any size or by a slip of their own,
losses at nodes, and mix-ups of several readings. Scores are logarithms of evidence: minus half of
the objective that is left, with what `oretally.recon.signatures.evidence` adds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import islice, product

import numpy as np

from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.gross_errors.explanations import Posterior
from oretally.recon.propagation import SEEN
from oretally.recon.signatures import (
    Groups,
    Mixups,
    Signatures,
    Ways,
    covariance_known,
    equivalent_sets,
    single_log_evidence,
)

__all__ = ["NOTHING", "Hypothesis", "Screen", "WayTable", "error_covariance", "joint_errors"]


_APART = 1e-7  # share of a signature that others must leave for an error to be seen beside them
_SETS, _MEMBERS = 40, 24  # sets of several errors scored with their slips; members of groups in one


@dataclass(frozen=True, slots=True)
class Hypothesis:
    """Rows of the signatures that are in error, and mix-ups by number; in order."""

    rows: tuple[int, ...]
    mixups: tuple[int, ...] = ()

    def __len__(self) -> int:
        return len(self.rows) + len(self.mixups)

    def holds(self, other: Hypothesis) -> bool:
        """Whether all errors of another are among these."""
        return set(other.rows) <= set(self.rows) and set(other.mixups) <= set(self.mixups)

    def and_row(self, row: int) -> Hypothesis:
        """Return it with one more row."""
        return Hypothesis(tuple(sorted({*self.rows, row})), self.mixups)

    def and_mixup(self, mixup: int) -> Hypothesis:
        """Return it with one more mix-up."""
        return Hypothesis(self.rows, tuple(sorted({*self.mixups, mixup})))


NOTHING = Hypothesis(())


@dataclass(frozen=True, eq=False)
class WayTable:
    """The ways of all rows one below the other.

    Attributes
    ----------
    ways : sequence of Ways
        Of each row of the signatures.
    """

    ways: Sequence[Ways]

    @cached_property
    def row(self) -> Ints:
        """The row of each way, shape (n_ways,)."""
        return np.repeat(np.arange(len(self.ways)), [len(w) for w in self.ways])

    @cached_property
    def all(self) -> Ways:
        """All ways."""
        names = ("mean", "added", "width", "log_prior", "side", "slip")
        return Ways(*(np.concatenate([getattr(w, n) for w in self.ways]) for n in names))

    def log_evidence(self, size: Floats, variance: Floats) -> Floats:
        """Return the evidence of each row alone, shape (n_rows,), less what leaves the objective.

        ``size`` and ``variance`` have one value a row; rows of infinite variance have none.
        """
        return np.asarray(np.logaddexp.reduceat(self._scores(size, variance), self._starts))

    def log_evidence_free(self, size: Floats, variance: Floats) -> Floats:
        """Return the same, shape (n_rows,), of errors of free size alone."""
        scores = np.where(self.all.slip < 0, self._scores(size, variance), -np.inf)
        return np.asarray(np.logaddexp.reduceat(scores, self._starts))

    @cached_property
    def _starts(self) -> Ints:
        return np.concatenate([[0], np.cumsum([len(w) for w in self.ways])[:-1]]).astype(np.intp)

    def _scores(self, size: Floats, variance: Floats) -> Floats:
        known = np.isfinite(variance)[self.row]
        filled = np.where(np.isfinite(variance), variance, 1.0)
        scores = single_log_evidence(size[self.row], filled[self.row], self.all)
        return np.where(known, scores, -np.inf)


def joint_errors(signatures: Signatures, rows: Sequence[int]) -> tuple[Floats, Floats]:
    """Return the sizes of errors that are there together, in their units, and their covariance.

    They have shape (n_rows,) and (n_rows, n_rows): P_TT^-1 r_T and P_TT^-1, as sourced at
    `oretally.recon.signatures.signatures`. What the data do not tell, of one error or of several
    apart, has a variance beyond all others.
    """
    chosen = list(rows)
    covariance = error_covariance(signatures, chosen, np.full(len(chosen), np.inf))
    return np.asarray(covariance @ signatures.r[chosen]), covariance


def error_covariance(signatures: Signatures, rows: Sequence[int], most: Floats) -> Floats:
    """Return the covariance of errors that are there together, in their units.

    ``most``, shape (n_rows,), is the sd of what the others say where the data tell nothing of it.
    """
    read = np.array([float(i < len(signatures.readings)) for i in rows])
    return covariance_known(signatures.P[np.ix_(list(rows), list(rows))], read, most)


@dataclass(frozen=True, eq=False)
class Screen:
    """Hypotheses scored where the balances are linearised.

    Attributes
    ----------
    signatures : Signatures
        Of the survey with the mix-ups of ``at`` undone, linearised at its balance without the rest.
    table : WayTable
    mixups : Mixups
    at : Hypothesis
    value : float
        Log evidence of ``at``, from balancing again.
    """

    signatures: Signatures
    table: WayTable
    mixups: Mixups
    at: Hypothesis
    value: float

    @cached_property
    def groups(self) -> Groups:
        """Errors that no data can tell apart."""
        return equivalent_sets(self.signatures)

    @cached_property
    def objective(self) -> float:
        """Objective with no row in error."""
        r = self.signatures.r[: len(self.signatures.readings)]
        return float(r @ r)

    @cached_property
    def base(self) -> float:
        """Log evidence with no row in error, the mix-ups undone."""
        return -0.5 * self.objective + sum(self.mixups[c].log_odds for c in self.at.mixups)

    def scores(self, posterior: Posterior) -> dict[Hypothesis, float]:
        """Return the log evidence of hypotheses worth a look.

        ``posterior`` has sets of the groups, all errors of free size.
        """
        found = {Hypothesis((), self.at.mixups): self.base}
        found |= self._sets(posterior)
        found |= self._singles()
        found |= self._one_more()
        for c, gain in self._mixups(self.at.rows, self.value):
            found[self.at.and_mixup(c)] = gain
        if self.at.rows and not self.at.mixups:
            for c, gain in self._mixups((), self.base):
                found[Hypothesis((), (c,))] = gain
        found.pop(self.at, None)
        return found

    def _free(self, rows: Sequence[int]) -> bool:
        """Whether none of the rows has a part in the mix-ups that were undone."""
        return not any(i in self._mixed for i in rows)

    @cached_property
    def _mixed(self) -> frozenset[int]:
        return frozenset(i for c in self.at.mixups for i in self.mixups.rows(c).tolist())

    def _alone_sizes(self, chosen: Sequence[int]) -> tuple[Floats, Floats]:
        """Return each error beside chosen ones, and its variance: infinite if it is not seen."""
        P, r = (
            self.signatures.without(list(chosen))
            if chosen
            else (self.signatures.P, self.signatures.r)
        )
        own = np.diag(P).copy()
        # what the chosen ones leave of an error with nearly their signature is rounding
        seen = (own > SEEN) & (own > _APART * self.signatures.redundancy)
        seen[list(chosen)] = False
        variance = np.where(seen, 1.0 / np.where(seen, own, 1.0), np.inf)
        return np.where(seen, r * np.where(seen, variance, 0.0), 0.0), variance

    def _alone(self, chosen: Sequence[int]) -> tuple[Floats, Floats]:
        """Return the log evidence of each row beside chosen ones, and what it takes off S/2."""
        size, variance = self._alone_sizes(chosen)
        return self.table.log_evidence(size, variance), 0.5 * size**2 / variance

    def _singles(self) -> dict[Hypothesis, float]:
        evidence, fall = self._alone(())
        scores = self.base + evidence + fall
        return {
            Hypothesis((int(i),), self.at.mixups): float(scores[i])
            for i in np.flatnonzero(np.isfinite(scores))
            if self._free([int(i)])
        }

    def _one_more(self) -> dict[Hypothesis, float]:
        if not self.at.rows:
            return {}
        evidence, fall = self._alone(self.at.rows)
        scores = self.value + evidence + fall
        return {
            self.at.and_row(int(i)): float(scores[i])
            for i in np.flatnonzero(np.isfinite(scores))
            if self._free([int(i)])
        }

    def _sets(self, posterior: Posterior) -> dict[Hypothesis, float]:
        """Return sets of two and more, each member of a group by itself.

        What a slip adds to a member is what it adds to it alone.
        """
        several = [e for e in posterior.explanations if len(e.chosen) > 1][:_SETS]
        alone, _ = self._alone(())
        free = self.table.log_evidence_free(*self._alone_sizes(()))
        found: dict[Hypothesis, float] = {}
        for e in several:
            members = [
                sorted(self.groups.members[g].tolist(), key=lambda i: -alone[i])[:_MEMBERS]
                for g in e.chosen
            ]
            whole = [float(np.logaddexp.reduce(free[self.groups.members[g]])) for g in e.chosen]
            for rows in islice(product(*members), _MEMBERS):
                if self._free(rows):
                    more = sum(alone[i] - w for i, w in zip(rows, whole, strict=True))
                    h = Hypothesis(tuple(sorted(rows)), self.at.mixups)
                    found[h] = self.base + e.log_odds + float(more)
        return found

    def _mixups(self, chosen: Sequence[int], value: float) -> list[tuple[int, float]]:
        """Return mix-ups and the log evidence with each, beside chosen rows."""
        P, r = (
            self.signatures.without(list(chosen))
            if chosen
            else (self.signatures.P, self.signatures.r)
        )
        taken = {*chosen, *self._mixed}
        return [
            (c, value + gain)
            for c, gain in self.mixups.gains(P, r)
            if not taken.intersection(self.mixups.rows(c).tolist())
        ]
