"""The evidence of a campaign drawn anew: errors of the size stated, or others, and biases."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
from campaign_cases import drawn_campaign
from numpy.typing import NDArray

from oretally.recon.dated_balances import DatedBalance, balanced_in_time, in_time
from oretally.recon.persistent_bias import SurveyEvidence, evidence_of
from oretally.recon.result import ErrorPlace

Floats = NDArray[np.float64]


@lru_cache
def campaign_evidence(n: int, seed: int = 1) -> tuple[SurveyEvidence, ...]:
    """Return the evidence of a drawn campaign: the surveys that have any check."""
    balances = balanced_in_time(in_time(drawn_campaign(n, seed)))
    found = [evidence_of(b) for b in balances if isinstance(b, DatedBalance)]
    return tuple(e for e in found if e.dof > 0)


def redrawn(
    surveys: Sequence[SurveyEvidence], rng: np.random.Generator, *,
    size: Callable[[ErrorPlace], float] = lambda _: 1.0,
    bias: Callable[[int, ErrorPlace], float] = lambda _i, _place: 0.0,
) -> list[SurveyEvidence]:  # fmt: skip
    """Return surveys of the same signatures with other errors.

    ``size`` is the sd of a measurement in stated errors, ``bias`` what it reads high in percent, by
    the place of the survey.
    """
    rows = []
    for i, s in enumerate(surveys):
        m = s.n_readings
        e = np.array([size(p) for p in s.places[:m]]) * rng.standard_normal(m)
        share = np.array([bias(i, p) for p in s.places[:m]])
        if share.any():
            e += np.where(share != 0.0, 0.01 * share * s.value[:m] / s.unit[:m], 0.0)
        rows.append(replace(s, r=s.P[:, :m] @ e, balance=None))
    return rows
