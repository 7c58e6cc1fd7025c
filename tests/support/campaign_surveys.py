"""Surveys of the example campaign, and of one test many times, for the tests of campaigns."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np

from oretally.flowsheet import Circuit, Survey
from oretally.io.campaign import Campaign, open_campaign, surveys_of
from oretally.io.case import read_case
from oretally.recon import reconcile

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
PLANT = EXAMPLES / "campaign_gravity" / "plant.toml"
TABLE = EXAMPLES / "campaign_gravity" / "surveys.csv"


def example_campaign(path: Path) -> Campaign:
    """Return a new campaign with the surveys of the example."""
    campaign = open_campaign(path, create=True)
    campaign.add(surveys_of(TABLE, PLANT).surveys, by="a test")
    return campaign


def drawn(name: str, n: int, *, missing: float, seed: int = 1) -> tuple[Circuit, list[Survey]]:
    """Return surveys as an example could have come out, some of the numbers left out of each."""
    case, rng = read_case(EXAMPLES / name), np.random.default_rng(seed)
    balance = reconcile(case.circuit, case.survey, suspects=False)
    true = {(v.stream, v.quantity): v.adjusted for v in balance.values}
    surveys = []
    for _ in range(n):
        measured = []
        for m in case.survey.measurements:
            value, sd = true[m.stream, m.quantity] or 0.0, m.sd * rng.uniform(0.7, 1.5)
            if rng.random() >= missing:
                measured.append(replace(m, value=max(0.0, value + sd * rng.normal()), sd=sd))
        surveys.append(replace(case.survey, measurements=tuple(measured)))
    return case.circuit, surveys
