"""Surveys of a campaign balanced side by side: each comes to what it comes to by itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from campaign_cases import drawn_campaign
from often import often

from oretally.flowsheet import BalanceModel, Circuit
from oretally.flowsheet.survey import DatedSurvey
from oretally.recon.dated_balances import (
    DatedBalance,
    NoDatedBalance,
    balanced_in_time,
    dated_balance,
    in_time,
)
from oretally.recon.dated_balances import dated_balances as module
from oretally.recon.solution import Solution

OTHER = Circuit.build({"feed": (None, "table"), "concentrate": ("table", None),
                       "tailings": ("table", None)})  # fmt: skip


def _only(dated: DatedSurvey, *names: str) -> DatedSurvey:
    kept = tuple(m for m in dated.survey.measurements if m.stream in names)
    return replace(dated, survey=replace(dated.survey, measurements=kept))


def _mixed(seed: int) -> list[DatedSurvey]:
    """Return surveys of two circuits: one without a rate, one in another unit by a slip."""
    surveys = drawn_campaign(12, seed)
    grades = tuple(m for m in surveys[3].survey.measurements if m.quantity != "dry rate")
    surveys[3] = replace(surveys[3], survey=replace(surveys[3].survey, measurements=grades))
    kilograms = tuple(
        replace(m, value=1000.0 * m.value, sd=1000.0 * m.sd) if m.quantity == "dry rate" else m
        for m in surveys[5].survey.measurements
    )
    surveys[5] = replace(surveys[5], survey=replace(surveys[5].survey, measurements=kilograms))
    for i in (7, 8, 9):
        surveys[i] = replace(_only(surveys[i], *OTHER.stream_names), circuit=OTHER)
    return surveys


@pytest.mark.parametrize("seed", range(often(10)))
def test_side_by_side_is_one_at_a_time(seed: int) -> None:
    surveys = _mixed(seed)
    for i, found in enumerate(balanced_in_time(in_time(surveys))):
        own = dated_balance(i, surveys[i])
        assert (found.number, type(found)) == (i, type(own))
        if isinstance(own, NoDatedBalance) or isinstance(found, NoDatedBalance):
            assert found == own
            continue
        known = own.covariance.flow_determined
        np.testing.assert_allclose(found.solution.flow[known], own.solution.flow[known], rtol=1e-9)
        np.testing.assert_array_equal(found.covariance.flow_determined, known)
        known = own.covariance.grade_determined
        np.testing.assert_allclose(
            found.solution.grade[known], own.solution.grade[known], rtol=1e-9
        )
        assert found.solution.objective == pytest.approx(own.solution.objective, rel=1e-9, abs=1e-9)
        np.testing.assert_allclose(
            found.covariance.flow_sd[own.covariance.flow_determined],
            own.covariance.flow_sd[own.covariance.flow_determined], rtol=1e-8,
        )  # fmt: skip


def test_few_surveys_need_care(monkeypatch: pytest.MonkeyPatch) -> None:
    """What people leave out does not by itself send a survey the slow way."""
    alone = list[object]()
    careful = module._solved

    def counted(model: BalanceModel) -> Solution:
        alone.append(model)
        return careful(model)

    monkeypatch.setattr(module, "_solved", counted)
    surveys = drawn_campaign(30, 2)
    assert len({tuple((m.stream, m.quantity) for m in s.survey.measurements)
                for s in surveys}) > 20  # fmt: skip
    found = list(balanced_in_time(in_time(surveys)))
    assert all(isinstance(each, DatedBalance) for each in found)
    assert len(alone) < 8
