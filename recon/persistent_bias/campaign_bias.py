"""What the adjustments of many surveys say of errors that stay, and of the stated errors."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import numpy as np
from scipy.special import chdtr, chdtrc, nctdtrinc, stdtrit

from oretally.flowsheet.arrays import Bools, Floats
from oretally.flowsheet.survey import DatedSurvey
from oretally.recon.dated_balances import DatedBalance, balanced_in_time, in_time
from oretally.recon.persistent_bias.effects import LEAST_SURVEYS, Effect, Fit, Gains, profile_of
from oretally.recon.persistent_bias.mended_fits import mended_fit
from oretally.recon.persistent_bias.rows import (
    CampaignBias,
    CusumRow,
    ErrorForm,
    LeftOutSurvey,
    OtherBias,
    PersistentBias,
)
from oretally.recon.persistent_bias.search import UNLIKELIER, FoundErrors, Search
from oretally.recon.persistent_bias.size_odds import log_odds_of
from oretally.recon.persistent_bias.stated_errors import judged_errors
from oretally.recon.persistent_bias.survey_evidence import SurveyEvidence, evidence_of
from oretally.recon.propagation import POWER
from oretally.recon.result import ErrorPlace, Estimate
from oretally.recon.trends import ChangeKind, cusum, likely_places

__all__ = ["campaign_bias", "judge_evidence"]

_SAME = 0.999  # correlation of stacked signatures that no survey of this kind tells apart
_MENDED = 4  # of the others, whose sizes are taken where the surveys balance without them


def campaign_bias(
    surveys: Sequence[DatedSurvey], *, alpha: float = 0.05,
    say: Callable[[str], None] = lambda _: None,
) -> CampaignBias:  # fmt: skip
    """Balance each survey, and judge what they have in common.

    Parameters
    ----------
    surveys : sequence of DatedSurvey
    alpha : float
        Chance of any error that stays in a sound campaign; of any proposal for a stated error.
    say : callable
        Is told now and then how far it is.
    """
    timeline = in_time(surveys)
    found, left = list[SurveyEvidence](), list[LeftOutSurvey]()
    for balance in balanced_in_time(timeline):
        if balance.number % 20 == 0:
            say(f"balancing, {balance.number} of {len(timeline.surveys)} surveys")
        if not isinstance(balance, DatedBalance):
            left.append(LeftOutSurvey(balance.label, balance.reason))
            continue
        evidence = evidence_of(balance)
        if evidence.dof > 0:
            found.append(evidence)
        else:
            reason = "nothing in it checks anything else"
            left.append(LeftOutSurvey(evidence.label, reason))
    say("looking for errors that stay")
    labels = tuple(s.label for s in timeline.surveys)
    return judge_evidence(found, labels, np.array(timeline.time), left_out=left, alpha=alpha)


def judge_evidence(
    surveys: Sequence[SurveyEvidence], labels: tuple[str, ...], time: Floats, *,
    left_out: Sequence[LeftOutSurvey] = (), alpha: float = 0.05,
) -> CampaignBias:  # fmt: skip
    """Judge the evidence of surveys; ``labels`` and ``time`` are those of the whole timeline."""
    if not surveys:
        none = ((),) * 6
        return CampaignBias(labels, 0, *none, tuple(left_out), 0.0, 0, 1.0, alpha, ())
    at = time[[s.number for s in surveys]]
    if at[-1] <= at[0]:
        at = np.arange(float(len(surveys)))
    search = Search(surveys, at, alpha)
    found = search.found()
    fit = search.fit(found.effects)
    statistic, dof = _left(found, fit)
    errors, unjudged = judged_errors(found.surveys, found.stack, found.effects, at, alpha=alpha)
    unseen = _unseen(surveys)
    tails = float(chdtr(dof, statistic)), float(chdtrc(dof, statistic))
    return CampaignBias(
        labels, len(surveys), _biases(search, found, fit), tuple(found.one_time), errors,
        tuple(p for p in unjudged if p not in unseen), unseen, _cusums(found.surveys),
        tuple(left_out), statistic, dof, min(1.0, 2.0 * min(tails)), alpha,
        _detectable(search),
    )  # fmt: skip


def _left(found: FoundErrors, fit: Fit) -> tuple[float, int]:
    """Return the squared checks that the errors that stay leave, and how many they are."""
    A = [e.candidate for e in fit.effects]
    squares = sum(float((s.contrasts()[1] ** 2).sum()) for s in found.surveys)
    g = np.einsum("is,si->i", fit.profiles, found.stack.g[:, A]) if A else np.zeros(0)
    return squares - float(g @ fit.b), sum(s.dof for s in found.surveys) - len(A)


def _biases(search: Search, found: FoundErrors, fit: Fit) -> tuple[PersistentBias, ...]:
    rows = []
    fit = mended_fit(found.surveys, found.stack.candidates, fit, search.time)
    by_candidate: dict[int, list[int]] = {}
    for i, e in enumerate(found.effects):
        by_candidate.setdefault(e.candidate, []).append(i)
    for own in by_candidate.values():
        rows += _levels(search, found, fit, sorted(own, key=lambda i: found.effects[i].since))
    strength = [abs(row.size[0]) / row.size[1] for row in rows]
    return tuple(rows[i] for i in np.argsort([-s for s in strength], kind="stable"))


def _levels(search: Search, found: FoundErrors, fit: Fit, own: list[int]) -> list[PersistentBias]:
    """Return one row for each level that the error of one candidate has; none where it ended."""
    rows, surveys = list[PersistentBias](), found.surveys
    for order, i in enumerate(own):
        effect = found.effects[i]
        gains = search.gains(search.fit([e for k, e in enumerate(found.effects) if k != i]))
        # a few surveys that happen to agree are no more certain than their stated errors
        scatter = max(1.0, float(gains.scatter[effect.candidate]))
        before = [k for k in own[: order + 1] if found.effects[k].change is effect.change]
        size = float(fit.b[before].sum())
        sd = float(fit.inverse[np.ix_(before, before)].sum() * scatter) ** 0.5
        if order and abs(size) < 2.0 * sd:
            continue  # it ended: the row before says so
        later = [k for k in own[order + 1 :] if found.effects[k].change is effect.change]
        until = surveys[found.effects[later[0]].since - 1].number if later else None
        since, places = _since(
            effect, gains, surveys, scatter, sees=search.sees[:, effect.candidate]
        )
        # an error with several levels is told as one: no other takes its place
        first, *others = _likeliest(
            search, found, i, gains, scatter, own=(size, sd), fixed=len(own) > 1
        )
        rows.append(
            PersistentBias(
                first.place, first.form, first.unit, effect.change, first.size, since, places,
                until, found.p[i], int(gains.n[effect.candidate]), tuple(others),
            )
        )  # fmt: skip
    return rows


def _since(
    effect: Effect, gains: Gains, surveys: Sequence[SurveyEvidence], scatter: float, *, sees: Bools
) -> tuple[int, tuple[int, int]]:
    """Return the place in the timeline where an error began, with the limits of that."""
    if effect.change is ChangeKind.DRIFT:
        return surveys[0].number, (surveys[0].number,) * 2
    gain = gains.step[:, effect.candidate]
    information = gains.step_information[:, effect.candidate]
    # the size integrated out, each first survey equally likely before
    possible = gain > 0.0
    log = np.full(gain.size, -np.inf)
    log[possible] = 0.5 * gain[possible] / scatter - 0.5 * np.log(information[possible])
    posterior = np.exp(log - log.max())
    first, last = likely_places(posterior / posterior.sum())
    # between two surveys that see it nobody knows when it began
    before = np.flatnonzero(sees[:first])
    begun = surveys[before[-1]].number + 1 if before.size else 0
    return surveys[effect.since].number, (begun, surveys[last].number)


def _likeliest(
    search: Search, found: FoundErrors, i: int, gains: Gains, scatter: float, *, own: Estimate,
    fixed: bool,
) -> list[OtherBias]:  # fmt: skip
    """Return an effect and what explains the same surveys nearly as well, with the same profile.

    By the odds of each, that of its size among them; ``own`` is the size of the effect, which
    stands first in any case if ``fixed``. ``exact`` is to the first.
    """
    effect, stack = found.effects[i], found.stack
    others = search.fit([e for k, e in enumerate(found.effects) if k != i])
    a, j = profile_of(effect, search.time), effect.candidate
    if effect.change is ChangeKind.DRIFT:
        gain, size, info = gains.drift, gains.drift_size, gains.drift_information
    else:
        gain, size, info = (
            x[effect.since] for x in (gains.step, gains.step_size, gains.step_information)
        )
    A = [e.candidate for e in others.effects]
    c = np.einsum("s,is,ski->ik", a, others.profiles, stack.J[:, :, A])
    best: dict[ErrorPlace, tuple[float, int]] = {}
    for k, other in enumerate(stack.candidates):
        near = gain[k] > 0.0 and gain[k] >= gain[j] - UNLIKELIER * scatter
        if not near or other.place == stack.candidates[j].place:
            continue
        rank = float(gain[k]) - (UNLIKELIER if other.form is ErrorForm.OFFSET else 0.0)
        best[other.place] = max(best.get(other.place, (-np.inf, k)), (rank, k))

    def odds(k: int, told: Estimate) -> float:
        return log_odds_of(stack, k, told, float(gain[k]) / scatter)

    linear = {k: (float(size[k]), float(scatter / info[k]) ** 0.5) for _, k in best.values()}
    sizes = {j: own}
    for k in sorted(linear, key=lambda k: -odds(k, linear[k])):
        sizes[k] = linear[k]
        if len(sizes) <= _MENDED + 1:
            instead = list(found.effects)
            instead[i] = replace(effect, candidate=k)
            fit = mended_fit(found.surveys, stack.candidates, search.fit(instead), search.time)
            sizes[k] = float(fit.b[i]), float(fit.inverse[i, i] * scatter) ** 0.5
    ranked = sorted(sizes, key=lambda k: (k != j if fixed else False, -odds(k, sizes[k])))
    first = ranked[0]
    cross = (a**2) @ stack.J[:, first] - c[:, first] @ others.inverse @ c
    with np.errstate(invalid="ignore", divide="ignore"):
        C = np.abs(cross) / np.sqrt(info[first] * info)
    each = [(stack.candidates[k], sizes[k], bool(C[k] >= _SAME)) for k in ranked]
    return [OtherBias(c.place, c.form, c.unit, told, exact) for c, told, exact in each]


def _cusums(surveys: Sequence[SurveyEvidence]) -> tuple[CusumRow, ...]:
    """Return the sums of surveys, in which what was wrong once does not stand."""
    every: dict[ErrorPlace, list[tuple[int, float]]] = {}
    for s in surveys:
        z = s.standardised()
        for i, place in enumerate(s.places[: s.n_readings]):
            if z[i] != 0.0 and s.judged[i]:
                every.setdefault(place, []).append((s.number, float(z[i])))
    rows = []
    for place, seen in every.items():
        z = np.array([value for _, value in seen])
        if place.kind == "source":
            z = -z
        numbers = tuple(number for number, _ in seen)
        rows.append(CusumRow(place, numbers, tuple(z.tolist()), float(z.mean()), cusum(z)))
    return tuple(rows)


def _detectable(search: Search) -> tuple[tuple[ErrorPlace, float, str], ...]:
    """Return the least errors that would be found, of each measurement in its first form.

    Of an error that makes Student's t noncentral: surveys whose scatter is as stated.
    """
    found: dict[ErrorPlace, tuple[float, str]] = {}
    level = float(np.exp(search.limit))
    for j, c in enumerate(search.stack.candidates):
        information, n = float(search.own[:, j].sum()), int(search.sees[:, j].sum())
        if information > 0.0 and n >= LEAST_SURVEYS:
            limit = -float(stdtrit(n - 1, level))
            size = float(nctdtrinc(n - 1, 1.0 - POWER, limit)) / information**0.5
            found.setdefault(c.place, (size, c.unit))
    return tuple((place, *rest) for place, rest in found.items())


def _unseen(surveys: Sequence[SurveyEvidence]) -> tuple[ErrorPlace, ...]:
    """Return the measurements and sources whose errors change no check of any survey."""
    seen: dict[ErrorPlace, bool] = {}
    for s in surveys:
        for place, own in zip(s.places[: s.n_readings], np.diag(s.P).tolist(), strict=False):
            seen[place] = seen.get(place, False) or own > 0.0
    return tuple(place for place, any_ in seen.items() if not any_)
