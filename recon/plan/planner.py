"""A plan of measurements: today's, the best within budgets, the next best, one that tells errors.

Everything here is named; the arrays stand in `oretally.recon.plan.design` and its neighbours.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from oretally.flowsheet.arrays import Bools, Floats, Ints
from oretally.recon.numerics import one_thread
from oretally.recon.plan.design import Design, Offers, criterion_weights
from oretally.recon.plan.identifiable import cheapest_identifiable
from oretally.recon.plan.linearised import Tangent
from oretally.recon.plan.point_answers import PlanAnswer
from oretally.recon.plan.relaxation import Relaxation
from oretally.recon.plan.rounding import best_plan, cheapest_plan
from oretally.recon.plan.rows import (
    Candidate,
    Declared,
    MeasurementPlan,
    NextBest,
    Option,
    PlannedReading,
    Prices,
)

__all__ = ["CURVE", "plan_measurements"]

CURVE = (0.5, 0.75, 1.0, 1.5, 2.0)
"""Budgets shown, in units of the one asked for."""
_CURVE_ROUNDS = 15  # cuts for each of them; the one asked for gets more
_NEXT_SHOWN = 3


def plan_measurements(
    tangent: Tangent,
    candidates: Sequence[Candidate],
    prices: Prices,
    *,
    answers: Sequence[PlanAnswer],
    declared: Sequence[Declared] = (),
    budget: float | None = None,
    keep: bool = False,
) -> MeasurementPlan:
    """Return plans of measurements for some answers.

    Parameters
    ----------
    tangent : Tangent
    candidates : sequence of Candidate
    prices : Prices
    answers : sequence of PlanAnswer
    declared : sequence of Declared
        Known before any measurement, whatever the plan.
    budget : float, optional
        By default what today's plan costs; half of everything once where there is none.
    keep : bool
        Today's readings count and cost nothing: the budget is for what comes on top.
    """
    with one_thread():
        offers = _offers(tangent, candidates, prices, declared)
        padded = np.zeros((len(answers), offers.rows.shape[1]))
        padded[:, : tangent.n_free] = [a.gradient for a in answers]
        whole = Design(_with_today(offers, candidates), padded, np.ones(len(answers)))
        never = whole.unanswerable if keep else Design(offers, padded, whole.weights).unanswerable
        return _Planner(candidates, offers, answers, padded, never, keep=keep).plan(budget)


class _Planner:
    """Designs of one call, and rows made from their plans."""

    def __init__(
        self, candidates: Sequence[Candidate], offers: Offers, answers: Sequence[PlanAnswer],
        gradients: Floats, never: Bools, *, keep: bool,
    ) -> None:  # fmt: skip
        self.candidates, self.keep = candidates, keep
        self.never = tuple(a.name for a, out in zip(answers, never, strict=True) if out)
        self.answers = tuple(a for a, out in zip(answers, never, strict=True) if not out)
        self.readings = np.array([c.today for c in candidates], dtype=np.intp)
        on_offer = np.array([c.most > 0 for c in candidates], dtype=bool)
        self.priced = np.where(on_offer, self.readings, 0)
        raised = _with_today(offers, candidates)
        kept = replace(raised, given=self.readings)
        gradients = gradients[~never]
        seen = Design(raised, gradients, np.ones(len(gradients)))
        weights = criterion_weights(seen, self.readings if self.readings.any() else None)
        self.whole = Design(raised, gradients, weights)  # today's readings are to be had in it
        self.on_top = Design(kept, gradients, weights)
        self.design = self.on_top if keep else Design(offers, gradients, weights)

    def plan(self, budget: float | None) -> MeasurementPlan:
        o = self.design.offers
        once = np.maximum(np.minimum(o.most, 1), o.given)
        if budget is None:
            today_cost = self.whole.offers.cost(self.priced)
            known = np.isfinite(self.whole.variances(self.readings)).all()
            own = known and today_cost > 0.0
            budget = today_cost if own else _rounded(0.5 * o.cost(once))
        today = None
        if self.readings.any():
            today = self.option(self.whole, self.readings)
            unpriced = int(((self.readings > 0) & (self.priced == 0)).sum())
            today = replace(today, cost=self.whole.offers.cost(self.priced), unpriced=unpriced)
        if not self.design.weights.any():
            none = MeasurementPlan(self.answers, self.never, today, None, (), None, (), None,
                                   False, budget, self.keep)  # fmt: skip
            return none
        relaxation = Relaxation(self.design)
        least = cheapest_plan(self.design)
        first = [] if least is None else [least]
        curve, found = [], list[Ints]()
        for share in CURVE:
            money = budget if share == 1.0 else _rounded(share * budget)
            rounds = 60 if share == 1.0 else _CURVE_ROUNDS
            starts = [p for p in (*first, *found) if o.cost(p) <= money]
            chosen = (
                best_plan(self.design, relaxation, money, starts=starts, rounds=rounds)
                if starts
                else None
            )
            if chosen is not None:
                found.append(chosen.readings)
                curve.append(self.option(self.design, chosen.readings, money, chosen.gap))
        told = cheapest_identifiable(self.design)
        return MeasurementPlan(
            answers=self.answers,
            never=self.never,
            today=today,
            best=next((c for c in curve if c.budget == budget), None),
            curve=tuple(curve),
            least=None if least is None else self.option(self.design, least),
            more=self.next_best(),
            identifiable=None if told is None else self.option(self.design, told.readings),
            identifiable_proven=told is not None and told.proven,
            budget=budget,
            keep=self.keep,
        )

    def sds(self, design: Design, readings: Ints) -> tuple[float | None, ...]:
        return tuple(
            float(v) ** 0.5 if np.isfinite(v) else None for v in design.variances(readings)
        )

    def option(
        self, design: Design, readings: Ints, budget: float | None = None, gap: float = 0.0
    ) -> Option:
        sd = design.offers.sd(readings)
        shared = [sum(x**2 for x in c.shared.values()) for c in self.candidates]
        lines = tuple(
            PlannedReading(
                c.stream, c.quantity, c.unit.symbol, c.value, int(readings[i]),
                int(readings[i] - design.offers.given[i]),
                c.unit.from_base(float(np.hypot(sd[i], shared[i] ** 0.5))), c.method,
            )
            for i, c in enumerate(self.candidates) if readings[i] > 0
        )  # fmt: skip
        cost = design.offers.cost(readings)
        return Option(budget, cost, lines, self.sds(design, readings), gap)

    def next_best(self) -> tuple[NextBest, ...]:
        """Return the best single readings on top of today's, by what they buy for their price."""
        design, now = self.on_top, self.readings
        before = design.criterion(now)
        found = []
        for i, c in enumerate(self.candidates):
            if now[i] >= c.most:
                continue
            trial = now.copy()
            trial[i] += 1
            after, cost = design.criterion(trial), design.offers.cost(trial)
            if not np.isfinite(after) or not after < before * (1.0 - 1e-9):
                continue
            gain = 1.0 - after / before if np.isfinite(before) else None
            worth = (1.0 / after if gain is None else gain) / max(cost, 1e-9)
            row = NextBest(c.stream, c.quantity, c.method, cost, self.sds(design, trial), gain)
            found.append((-worth, i, row))
        return tuple(row for _, _, row in sorted(found, key=lambda f: f[:2])[:_NEXT_SHOWN])


def _offers(
    tangent: Tangent, candidates: Sequence[Candidate], prices: Prices,
    declared: Sequence[Declared],
) -> Offers:  # fmt: skip
    sources = sorted({source for c in candidates for source in c.shared})
    rows = np.zeros((len(candidates), tangent.n_free + len(sources)))
    rows[:, : tangent.n_free] = tangent.rows([c.place for c in candidates])
    for i, c in enumerate(candidates):
        for source, size in c.shared.items():
            rows[i, tangent.n_free + sources.index(source)] = size
    prior = np.zeros((len(declared) + len(sources), rows.shape[1]))
    if declared:
        sds = np.array([d.sd for d in declared])
        known = tangent.rows([d.place for d in declared]) / sds[:, None]
        prior[: len(declared), : tangent.n_free] = known
    prior[len(declared) :, tangent.n_free :] = np.eye(len(sources))
    batches = sorted({(c.quantity, c.method) for c in candidates})
    streams = sorted({c.stream for c in candidates})
    return Offers(
        rows=rows,
        prior=prior,
        own=np.array([c.own for c in candidates]),
        stays=np.array([c.stays for c in candidates]),
        given=np.zeros(len(candidates), dtype=np.intp),
        most=np.array([c.most for c in candidates], dtype=np.intp),
        price=np.array([c.price for c in candidates]),
        batch=np.array([batches.index((c.quantity, c.method)) for c in candidates], dtype=np.intp),
        least_charge=np.array([prices.least_charge.get(b, 0.0) for b in batches]),
        sample=np.array(
            [-1 if c.place.analyte is None else streams.index(c.stream) for c in candidates],
            dtype=np.intp,
        ),
        sample_price=np.array([prices.sample.get(s, 0.0) for s in streams]),
    )


def _with_today(offers: Offers, candidates: Sequence[Candidate]) -> Offers:
    """Return offers in which today's readings are to be had."""
    today = np.array([c.today for c in candidates], dtype=np.intp)
    return replace(offers, most=np.maximum(offers.most, today))


def _rounded(money: float) -> float:
    return float(f"{money:.3g}")
