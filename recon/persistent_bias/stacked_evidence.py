"""The evidence of all surveys for errors that stay, stacked.

A candidate j is one error with what stays of it from survey to survey; L_s says what one unit of
each candidate adds to the measurements of survey s, in stated errors. Then::

    J_s = L_s'P_s L_s    g_s = L_s'r_s    log likelihood of sizes b_s: g_s'b_s - b_s'J_s b_s / 2
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from oretally.flowsheet import Unit
from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.persistent_bias.rows import ErrorForm
from oretally.recon.persistent_bias.survey_evidence import SurveyEvidence
from oretally.recon.propagation import SEEN
from oretally.recon.result import ErrorPlace

__all__ = ["BiasCandidate", "StackedEvidence", "bias_candidates", "stacked_evidence_of"]


@dataclass(frozen=True, slots=True)
class BiasCandidate:
    """One error that may stay, in ``unit``: 'rel %' of the value, '%' of what passes.

    ``size`` is one unit of an amount in base units.
    """

    place: ErrorPlace
    form: ErrorForm
    unit: str
    size: float = 1.0


@dataclass(frozen=True, eq=False)
class StackedEvidence:
    """Evidence of n surveys for k candidates.

    Attributes
    ----------
    candidates : tuple of BiasCandidate
    loadings : list of ndarray, shape (n_rows, k)
        L_s of each survey.
    J : ndarray, shape (n, k, k)
    g : ndarray, shape (n, k)
    """

    candidates: tuple[BiasCandidate, ...]
    loadings: list[Floats]
    J: Floats
    g: Floats

    @property
    def own(self) -> Floats:
        """Diagonals of J, shape (n, k)."""
        return np.asarray(np.einsum("njj->nj", self.J))

    @property
    def sees(self) -> Bools:
        """Which surveys see each candidate, shape (n, k)."""
        most = self.own.max(axis=0, initial=0.0)
        return np.asarray(self.own > 1e-6 * np.maximum(most, SEEN))

    def put(self, n: int, survey: SurveyEvidence) -> None:
        """Put the evidence of one survey in the place of what it was."""
        L = _loadings(survey, self.candidates)
        self.loadings[n] = L
        self.J[n], self.g[n] = L.T @ survey.P @ L, L.T @ survey.r


def bias_candidates(surveys: Sequence[SurveyEvidence]) -> tuple[BiasCandidate, ...]:
    """Return every error that may stay and changes a check, in the order of the surveys.

    A measurement may be off by a share of its value, where all its values are above 0, and by an
    amount.
    """
    positive: dict[ErrorPlace, bool] = {}
    units: dict[ErrorPlace, Unit | None] = {}
    for s in surveys:
        for i, place in enumerate(s.places):
            if s.judged[i] and s.P[i, i] > 0.0:
                units.setdefault(place, s.written[i])
                positive[place] = positive.get(place, True) and bool(s.value[i] > 0.0)
    found = list[BiasCandidate]()
    for place, unit in units.items():
        if place.kind == "source":
            found.append(BiasCandidate(place, ErrorForm.SOURCE, "sd"))
        elif place.kind == "loss":
            found.append(BiasCandidate(place, ErrorForm.LOSS, "%"))
        elif unit is not None:
            if positive[place]:
                found.append(BiasCandidate(place, ErrorForm.SCALE, "rel %"))
            offset = BiasCandidate(place, ErrorForm.OFFSET, unit.symbol, unit.to_base(1.0))
            found.append(offset)
    return tuple(found)


def stacked_evidence_of(
    surveys: Sequence[SurveyEvidence], candidates: tuple[BiasCandidate, ...]
) -> StackedEvidence:
    """Return the evidence of surveys for candidates."""
    n, k = len(surveys), len(candidates)
    found = StackedEvidence(
        candidates, [np.zeros((0, k))] * n, np.empty((n, k, k)), np.empty((n, k))
    )
    for i, survey in enumerate(surveys):
        found.put(i, survey)
    return found


def _loadings(survey: SurveyEvidence, candidates: tuple[BiasCandidate, ...]) -> Floats:
    row = {p: i for i, p in enumerate(survey.places) if survey.judged[i]}
    L = np.zeros((len(survey.places), len(candidates)))
    for j, candidate in enumerate(candidates):
        if candidate.place in row:
            i = row[candidate.place]
            L[i, j] = _loading(survey, i, candidate)
    return L


def _loading(s: SurveyEvidence, i: int, candidate: BiasCandidate) -> float:
    """Return what one unit of an error adds to a row, in stated errors."""
    form = candidate.form
    if form is ErrorForm.SCALE:
        value = float(s.value[i])
        return 0.01 * value / float(s.unit[i]) if np.isfinite(value) else 0.0
    if form is ErrorForm.OFFSET:
        return candidate.size / float(s.unit[i])
    # the unknown of a source is 'measured' as 0: one that is there reads as low as it is large
    return -1.0 if form is ErrorForm.SOURCE else 1.0
