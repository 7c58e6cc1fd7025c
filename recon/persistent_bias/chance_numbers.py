"""How far off the worst number of a campaign is if none is wrong: counted on drawn ones.

With z the standardised adjustment of a number and f the scatter of all numbers of its place, at
least as stated, what is judged is the largest |z| / f of all. Its limit follows from campaigns with
the same signatures: numbers of one survey that check each other say the same several times over,
and f, from the few surveys that there are, scatters itself. Errors are drawn as large as those of
the campaign are all in all: where all are stated too small by one factor, f is of no use but to
find that factor, and so scatters more.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.recon.persistent_bias.survey_evidence import SurveyEvidence
from oretally.recon.propagation import SEEN
from oretally.recon.result import ErrorPlace

__all__ = ["ChanceNumbers", "Scatter", "chance_numbers", "scatter_of"]

DRAWS = 999
_CHUNK = 4_000_000  # numbers drawn at once
_OWN = 8  # surveys, with fewer of which a place has the scatter of all
_MAD = 0.674489750196082  # median of |N(0, 1)|


@dataclass(frozen=True, eq=False)
class Scatter:
    """How far numbers scatter, by the middle of all, in sd: wrong ones do not move it.

    Attributes
    ----------
    own : ndarray, shape (n_places, ...)
        Of each place; NaN of those with few numbers.
    whole : ndarray, shape (...)
        Of all together.
    """

    own: Floats
    whole: Floats

    def at_least(self, stated: float = 1.0) -> Floats:
        """Return that of each place, of the whole where it has none, but not below the stated.

        ``stated``: as a multiple of the sd that the numbers were drawn with.
        """
        found = np.where(np.isfinite(self.own), self.own, self.whole)
        return np.asarray(np.maximum(found, stated))


@dataclass(frozen=True, eq=False)
class ChanceNumbers:
    """The numbers of drawn campaigns.

    Attributes
    ----------
    largest : ndarray, shape (n_places, n_draws)
        |z| of the worst number of each place, of errors as stated.
    scatter : Scatter
        Of the same.
    """

    largest: Floats
    scatter: Scatter

    def limit(self, alpha: float, whole: float) -> float:
        """Return what the largest |z| / f exceeds with chance alpha if no number is wrong.

        ``whole`` is the scatter of all numbers of the campaign together.
        """
        each = self.largest / self.scatter.at_least(1.0 / max(whole, 1.0))
        return float(np.quantile(each.max(axis=0), 1.0 - alpha))


def scatter_of(z: Sequence[Floats]) -> Scatter:
    """Return the scatter of |z| of each place, arrays of shape (n_numbers, ...)."""
    whole = np.median(np.concatenate(z), axis=0) / _MAD
    own = [np.median(each, axis=0) / _MAD if len(each) >= _OWN else np.full(whole.shape, np.nan)
           for each in z]  # fmt: skip
    return Scatter(np.array(own), np.asarray(whole))


def chance_numbers(surveys: Sequence[SurveyEvidence], *, seed: int) -> ChanceNumbers:
    """Draw campaigns with the signatures of this one; any of its numbers is checked."""
    roots = list[Floats]()
    rows: dict[ErrorPlace, list[tuple[int, int]]] = {}
    for s, survey in enumerate(surveys):
        U, _ = survey.contrasts()
        own = np.diag(survey.P)
        seen = np.flatnonzero(own > SEEN)
        root = survey.P[seen, : survey.n_readings] @ U
        roots.append(root / np.sqrt(own[seen])[:, None])
        for i, row in enumerate(seen.tolist()):
            rows.setdefault(survey.places[row], []).append((s, i))
    generator, done = np.random.default_rng(seed), 0
    parts = list[tuple[Floats, Scatter]]()
    while done < DRAWS:
        size = min(DRAWS - done, max(1, _CHUNK // sum(map(len, roots))))
        drawn = [np.abs(root @ generator.standard_normal((root.shape[1], size))) for root in roots]
        z = [np.array([drawn[s][i] for s, i in own]) for own in rows.values()]
        parts.append((np.array([each.max(axis=0) for each in z]), scatter_of(z)))
        done += size
    return ChanceNumbers(
        np.concatenate([largest for largest, _ in parts], axis=1),
        Scatter(np.concatenate([s.own for _, s in parts], axis=1),
                np.concatenate([s.whole for _, s in parts])),
    )  # fmt: skip
