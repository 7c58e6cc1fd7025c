"""How likely hypotheses are that were balanced again: by the objective that is left of each."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.recon.gross_errors.changes import Balanced, Changes
from oretally.recon.gross_errors.hypotheses import NOTHING, Hypothesis
from oretally.recon.kinetics import LeachEvidence, Said
from oretally.recon.signatures import Signatures, WayTable, log_evidence, single_variance_known
from oretally.recon.solution import Solution
from oretally.recon.solver import ChangedSurvey

__all__ = ["Weighing"]

_Weighed = tuple[Signatures, Balanced]  # where its errors are taken


@dataclass(eq=False)
class Weighing:
    """Hypotheses that were balanced again; rows are the same at every point.

    Attributes
    ----------
    changes : Changes
        Of the survey.
    first : Signatures
        At the balance of the survey itself.
    n_nodes : int, optional
        As for `oretally.recon.signatures.signatures.signatures_at`.
    table : WayTable
    course : LeachEvidence, optional
    balanced : mapping of Hypothesis to (ChangedSurvey, Solution or None)
        None where there is no balance.
    evidence : mapping of Hypothesis to float
        Logarithms.
    own : mapping of Hypothesis to Signatures
        Linearised at the hypotheses themselves.
    said : mapping of Hypothesis to Said
        What the course of a test over time says of each, once asked.
    """

    changes: Changes
    first: Signatures
    n_nodes: int | None
    table: WayTable
    course: LeachEvidence | None
    balanced: dict[Hypothesis, tuple[ChangedSurvey, Solution | None]] = field(default_factory=dict)
    evidence: dict[Hypothesis, float] = field(default_factory=dict)
    own: dict[Hypothesis, Signatures] = field(default_factory=dict)
    said: dict[Hypothesis, Said] = field(default_factory=dict)
    volumes: dict[int, float] = field(default_factory=dict)  # of mix-ups

    def __post_init__(self) -> None:
        self.balanced[NOTHING] = ChangedSurvey(self.changes.problem, {}), self.changes.solution
        self.own[NOTHING] = self.first

    @property
    def best(self) -> Hypothesis:
        """The likeliest; of as likely ones that with the fewest errors."""
        return max(self.evidence, key=lambda h: (self.evidence[h], -len(h)))

    def solution(self, h: Hypothesis) -> Solution | None:
        """Return the balance of a hypothesis that was balanced again, if it has one."""
        return self.balanced[h][1]

    def replace(self, h: Hypothesis, solution: Solution) -> None:
        """Take another balance of a hypothesis."""
        self.balanced[h] = self.balanced[h][0], solution
        self.own.pop(h, None)
        self.said.pop(h, None)

    def forget(self, h: Hypothesis) -> None:
        """Take a hypothesis as not balanced again."""
        del self.balanced[h], self.evidence[h]
        self.said.pop(h, None)

    def objective(self, h: Hypothesis) -> float:
        """Return what is left under a hypothesis, of the course too; infinite without a balance."""
        s = self.solution(h)
        return np.inf if s is None else s.objective + self.said_of(h).distance

    def said_of(self, h: Hypothesis) -> Said:
        """Return what the course of a test over time says of a hypothesis."""
        survey, s = self.balanced[h]
        if h not in self.said:
            self.said[h] = Said() if not (self.course and s) else self.course(survey.problem, s)
        return self.said[h]

    def linearised_at(self, at: Hypothesis) -> Signatures:
        """Return the signatures at the balance of a hypothesis; without one, those at the first."""
        if at not in self.own and (solution := self.solution(at)) is not None:
            self.own[at] = self.changes.signatures(at, solution, self.n_nodes)
        return self.own.get(at, self.first)

    def sizes(self, h: Hypothesis, signatures: Signatures) -> tuple[Floats, Floats] | None:
        """Return the errors of the rows of a hypothesis and their covariance, in their units.

        None if it was not balanced again, or a stream whose assay is in error stops.
        """
        if h not in self.balanced or self.solution(h) is None:
            return None
        size, covariance = self.changes.sizes(self._good([h]), signatures)
        return (size[0], covariance[0]) if np.isfinite(size).all() else None

    def _good(self, some: Sequence[Hypothesis]) -> list[Balanced]:
        """Return those that have a balance."""
        return [
            Balanced(h, survey, s, self.said_of(h))
            for h in some
            for survey, s in (self.balanced[h],)
            if s is not None
        ]

    def weigh(self, parts: Sequence[tuple[Signatures, Sequence[Hypothesis]]]) -> None:
        """Weigh what was balanced again, errors as likely as where signatures are taken."""
        value = {h: -np.inf for _, some in parts for h in some}
        good = [(signatures, b) for signatures, some in parts for b in self._good(some)]
        alike: dict[int, list[_Weighed]] = defaultdict(list)
        for signatures, b in good:
            rows = b.hypothesis.rows
            value[b.hypothesis] = -0.5 * self.objective(b.hypothesis)
            if rows:
                single = len(rows) == 1 and rows[0] < len(self.first.readings)
                alike[0 if single else len(rows)].append((signatures, b))
        for errors, some in alike.items():
            gain = self._of_several(some) if errors else self._of_one(some)
            for (_, b), more in zip(some, gain.tolist(), strict=True):
                value[b.hypothesis] += more
        mixups = self.changes.mixups
        new = [c for _, b in good for c in b.hypothesis.mixups if c not in self.volumes]
        volumes = mixups.volumes(new, self.first.products)
        self.volumes |= zip(new, volumes.tolist(), strict=True)
        for h in (b.hypothesis for _, b in good):
            for c in h.mixups:
                value[h] += mixups[c].log_odds + self.volumes[c]
        self.evidence |= value

    def _of_one(self, some: Sequence[_Weighed]) -> Floats:
        """Return what the error of one reading adds to the objective left, shape (n_some,)."""
        rows = np.array([b.hypothesis.rows[0] for _, b in some], dtype=np.intp)
        size, variance = np.zeros((2, rows.size))
        for signatures, at in _by_signatures(some):
            found, most = self.changes.errors(
                [
                    (b.hypothesis, b.hypothesis.rows[0], b.solution)
                    for b in (some[c][1] for c in at)
                ],
                signatures,
            )
            known = single_variance_known(signatures.products.diagonal[rows[at]], most)
            size[at], variance[at] = found, known
        for c, (_, b) in enumerate(some):
            own = self.changes.error_by(b.hypothesis, b.said, b.hypothesis.rows[0])
            size[c], variance[c] = own or (size[c], variance[c])
        told = np.isfinite(size) & (variance > 0.0)
        gain, _ = self.table.log_evidence_of(
            rows, np.where(told, size, 0.0), np.where(told, variance, 1.0)
        )
        return np.where(told, gain, -np.inf)

    def _of_several(self, some: Sequence[_Weighed]) -> Floats:
        """Return what losses and several errors, as many each, add to it, shape (n_some,)."""
        rows = np.array([b.hypothesis.rows for _, b in some], dtype=np.intp)
        size, covariance = np.zeros(rows.shape), np.zeros((*rows.shape, rows.shape[1]))
        for signatures, at in _by_signatures(some):
            size[at], covariance[at] = self.changes.sizes([some[c][1] for c in at], signatures)
        known, gain = np.isfinite(size).all(axis=1), np.full(len(some), -np.inf)
        if known.any():
            ways = self.table.of_sets(rows[known])
            gain[known] = log_evidence(size[known], covariance[known], ways).log_odds
        return gain


def _by_signatures(some: Sequence[_Weighed]) -> Iterator[tuple[Signatures, list[int]]]:
    """Yield which have the same signatures, with these."""
    at: dict[int, list[int]] = defaultdict(list)
    for c, (signatures, _) in enumerate(some):
        at[id(signatures)].append(c)
    for each in at.values():
        yield some[each[0]][0], each
