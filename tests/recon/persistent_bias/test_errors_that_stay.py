"""Errors that stay: false alarms, sizes, when they began, what cannot be told apart."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from campaign_cases import drawn_campaign, reads_high
from numpy.typing import NDArray
from often import NIGHTLY, some
from published import within_binomial
from redrawn_evidence import campaign_evidence, redrawn

import oretally.recon.persistent_bias.mended_fits as mended_fits
from oretally.recon.persistent_bias import (
    CampaignBias,
    ErrorForm,
    PersistentBias,
    SurveyEvidence,
    campaign_bias,
    judge_evidence,
)
from oretally.recon.persistent_bias.effects import Effect, fit_of, profile_of
from oretally.recon.persistent_bias.search import Search
from oretally.recon.persistent_bias.stacked_evidence import bias_candidates, stacked_evidence_of
from oretally.recon.result import ErrorPlace
from oretally.recon.trends import ChangeKind

Floats = NDArray[np.float64]
FEED = ErrorPlace("measurement", "feed", "dry rate")


def _time(surveys: tuple[SurveyEvidence, ...]) -> Floats:
    return np.arange(float(len(surveys)))


def _searched(search: Search, surveys: list[SurveyEvidence]) -> Search:
    """Return a search whose surveys are others of the same signatures: its draws serve again."""
    search.surveys = surveys
    for i, survey in enumerate(surveys):
        search.stack.put(i, survey)
    search.own, search.sees = search.stack.own, search.stack.sees
    return search


@pytest.mark.parametrize("size", [1.0, 1.5, 0.7])
def test_false_alarms_are_as_frequent_as_they_may_be(size: float) -> None:
    """Also where all stated errors are too small, or too large, by one factor."""
    surveys = campaign_evidence(24)
    rng = np.random.default_rng(5)
    search = Search(surveys, _time(surveys), 0.05)
    n = 500 if NIGHTLY else 30
    alarms = 0
    for _ in range(n):
        _searched(search, redrawn(surveys, rng, size=lambda _: size))
        alarms += bool(search.found().effects)
    assert within_binomial(alarms, n, 0.05, 1e-3), alarms


def test_a_scale_that_reads_high_since_a_survey_is_found_with_an_honest_error() -> None:
    surveys = campaign_evidence(60)
    rng = np.random.default_rng(11)
    n = 200 if NIGHTLY else 8
    search = Search(surveys, _time(surveys), 0.05)
    pulls, found, inside = list[float](), 0, 0
    for _ in range(n):
        drawn = redrawn(
            surveys, rng, bias=lambda i, p: 2.5 if p == FEED and surveys[i].number >= 30 else 0.0
        )
        told = _searched(search, drawn).found()
        own = [e for e in told.effects if told.stack.candidates[e.candidate].place == FEED]
        if not own:
            continue
        found += 1
        fit = search.fit(told.effects)
        i = told.effects.index(own[0])
        pulls.append((float(fit.b[i]) - 2.5) / float(fit.inverse[i, i]) ** 0.5)
        first = surveys[own[0].since].number
        inside += abs(first - 30) <= 10
    assert found >= 0.6 * n
    # those that are found are a little large: the faint ones are not found
    assert abs(np.mean(pulls)) < (0.4 if NIGHTLY else 1.2)
    assert 0.3 < np.std(pulls) < 1.9
    assert inside >= 0.7 * found


def test_sizes_are_those_of_least_squares_on_all_checks() -> None:
    """Against the definition: t = X b + e over all surveys, e with unit variance."""
    surveys = campaign_evidence(24)
    rng = np.random.default_rng(3)
    drawn = redrawn(surveys, rng, bias=lambda _i, p: 3.0 if p == FEED else 0.0)
    stack, time = stacked_evidence_of(drawn, bias_candidates(drawn)), _time(surveys)
    j = [i for i, c in enumerate(stack.candidates) if c.place == FEED][0]
    loss = [i for i, c in enumerate(stack.candidates) if c.form is ErrorForm.LOSS][0]
    effects = [Effect(j, ChangeKind.LEVEL, 0), Effect(loss, ChangeKind.LEVEL, 9),
               Effect(j, ChangeKind.DRIFT, 0)]  # fmt: skip
    fit = fit_of(stack.J, stack.g, effects, time)
    t, X = list[Floats](), list[Floats]()
    for s, survey in enumerate(drawn):
        U, own = survey.contrasts()
        moved = [profile_of(e, time)[s] * (U.T @ survey.P[: survey.n_readings])
                 @ stack.loadings[s][:, e.candidate] for e in effects]  # fmt: skip
        t.append(own)
        X.append(np.array(moved).T)
    A, y = np.vstack(X), np.concatenate(t)
    assert fit.b == pytest.approx(np.linalg.lstsq(A, y, rcond=None)[0], rel=1e-6)
    assert fit.inverse == pytest.approx(np.linalg.inv(A.T @ A), rel=1e-6)


@pytest.fixture(scope="module")
def biased() -> CampaignBias:
    """A campaign balanced survey by survey, one number in it badly wrong, one survey useless."""

    def factor(i: int, name: tuple[str, str]) -> float:
        if i == 7 and name == ("concentrate", "Sn"):
            return 3.0
        return reads_high(("feed", "dry rate"), 5.0, 19)(i, name)

    surveys = drawn_campaign(36, 4, factor=factor)
    useless = surveys[20].survey
    kept = tuple(m for m in useless.measurements if m.quantity != "dry rate")
    surveys[20] = surveys[20].__class__(
        surveys[20].label, surveys[20].time, surveys[20].circuit,
        useless.__class__(useless.basis, useless.flow_unit, useless.analytes, kept),
    )  # fmt: skip
    return campaign_bias(surveys)


def test_a_campaign_with_a_scale_off(biased: CampaignBias) -> None:
    bias = biased.biases[0]
    assert (bias.place, bias.form, bias.unit) == (FEED, ErrorForm.SCALE, "rel %")
    assert abs(bias.size[0] - 5.0) < 3.0 * bias.size[1]
    assert bias.places[0] <= 18 <= bias.places[1]
    assert bias.p < 0.001


def test_a_number_that_was_wrong_once_is_named_and_spoils_nothing(biased: CampaignBias) -> None:
    assert "survey 8" in [e.label for e in biased.one_time]
    wrong = next(e for e in biased.one_time if e.label == "survey 8")
    assert ErrorPlace("measurement", "concentrate", "Sn") in wrong.group
    assert biased.factor == pytest.approx(1.0, abs=0.25)
    sums = next(row for row in biased.cusums if row.place == wrong.group[0])
    assert wrong.number not in sums.numbers and len(sums.numbers) > 20


def test_a_survey_that_cannot_be_balanced_stops_no_other(biased: CampaignBias) -> None:
    ((label, reason),) = [(r.label, r.reason) for r in biased.left_out if r.label == "survey 21"]
    assert "No dry rate was measured" in reason
    assert biased.n_used >= 30


ONE_CHECK = {("feed", "dry rate"), ("concentrate", "dry rate"),
             *((s, "Sn") for s in ("feed", "concentrate", "tailings"))}  # fmt: skip


@cache
def _one_check(freak: tuple[str, str] | None) -> PersistentBias:
    """Return the error of surveys with one check; one number may be stated twenty times better."""
    surveys = []
    for dated in drawn_campaign(20, 6, factor=reads_high(("feed", "dry rate"), 6.0, 1)):
        own = tuple(
            replace(m, sd=m.sd / 20.0) if (m.stream, m.quantity) == freak else m
            for m in dated.survey.measurements if (m.stream, m.quantity) in ONE_CHECK
        )  # fmt: skip
        surveys.append(replace(dated, survey=replace(dated.survey, measurements=own)))
    (bias,) = campaign_bias(surveys).biases
    return bias


def test_what_no_survey_tells_apart_is_told() -> None:
    """Two rates and three assays of tin make one check: what pulls at it could be any of them."""
    bias = _one_check(None)
    told = {o.place: o for o in bias.others}
    members = {ErrorPlace("measurement", *name) for name in ONE_CHECK}
    assert members - {bias.place} <= told.keys()
    assert all(told[p].exact for p in members - {bias.place})
    sizes = {bias.place: bias.size[0], **{p: o.size[0] for p, o in told.items()}}
    feed, concentrate = (ErrorPlace("measurement", s, "Sn") for s in ("feed", "concentrate"))
    assert sizes[FEED] == pytest.approx(6.0, abs=3.0)
    assert sizes[FEED] == pytest.approx(sizes[feed], rel=0.35)
    assert sizes[FEED] * sizes[concentrate] < 0.0


@pytest.mark.parametrize(
    "freak",
    some([("feed", "dry rate"), ("concentrate", "Sn"), None, ("tailings", "Sn")], by_day=2),
)
def test_what_would_be_huge_for_its_stated_error_stands_last(freak: tuple[str, str] | None) -> None:
    """One check cannot tell five errors apart; one of them would be a hundred stated errors."""
    bias = _one_check(freak)
    order = [(p.where, p.quantity) for p in (bias.place, *(o.place for o in bias.others))]
    assert set(order) == ONE_CHECK and all(o.exact for o in bias.others)
    assert order[-1] == (freak or ("tailings", "Sn"))  # its 20 % are 6 stated errors, 6 % are 3
    assert abs(bias.size[0]) == pytest.approx(6.0, abs=3.0)


@pytest.mark.parametrize("n", [0, 1, 2, 3])
def test_few_surveys_say_little_and_break_nothing(n: int) -> None:
    found = campaign_bias(drawn_campaign(n, 2))
    assert found.biases == ()
    assert found.n_used <= n


def test_a_drift_is_told_as_one() -> None:
    surveys = campaign_evidence(60)
    rng = np.random.default_rng(2)
    n = len(surveys)
    drawn = redrawn(surveys, rng, bias=lambda i, p: 9.0 * i / n if p == FEED else 0.0)
    search = Search(drawn, _time(surveys), 0.05)
    found = search.found()
    assert found.effects[0].change is ChangeKind.DRIFT
    assert found.stack.candidates[found.effects[0].candidate].place == FEED
    assert search.fit(found.effects).b[0] == pytest.approx(9.0, abs=2.0)


def test_an_error_that_ended_says_until_when() -> None:
    surveys = campaign_evidence(60)
    rng = np.random.default_rng(6)
    drawn = redrawn(surveys, rng, bias=lambda i, p: 8.0 if p == FEED and i < 20 else 0.0)
    found = judge_evidence(drawn, tuple(f"{i}" for i in range(60)), np.arange(60.0))
    bias = found.biases[0]
    assert bias.place == FEED and bias.until is not None
    assert abs(bias.until - surveys[19].number) <= 3
    assert bias.size[0] == pytest.approx(8.0, abs=2.0)


def test_sizes_are_mended_until_nothing_is_left(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where it stops, all further rounds would add next to nothing."""
    surveys = drawn_campaign(
        30 if NIGHTLY else 15, 8, factor=reads_high(("feed", "dry rate"), 8.0, 11)
    )
    told = campaign_bias(surveys).biases
    monkeypatch.setattr(mended_fits, "_CLOSE", 1e-9)
    last = campaign_bias(surveys).biases
    assert [b.place for b in told] == [b.place for b in last] == [FEED]
    (size, sd), (again, _) = told[0].size, last[0].size
    assert 0.0 < abs(size - again) < 0.02 * sd
