"""Where an analyte is lost, in which sizes, what the numbers support, and which test would tell.

Each lost product (see `oretally.recon.losses.kept_and_lost`) is read against its own whole and
against the
head: its coarse end, which holds about a fifth of its solids, and its finest class.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import Circuit, Fault, InputError, Position, Positions, Survey
from oretally.flowsheet.faults import nearest_name
from oretally.recon.answers import Answers
from oretally.recon.losses.deciding_test import (
    ALPHA,
    AssayError,
    deciding_test,
    grind_half,
    screen,
    split_finest,
    treat_again,
)
from oretally.recon.losses.grade_recovery import grade_recovery_curves
from oretally.recon.losses.kept_and_lost import LossValues
from oretally.recon.propagation import Function, estimate, joint_estimate, sidak_limit, value_at
from oretally.recon.result import (
    COARSE_SHARE,
    LEAST_SHARE,
    DecidingTest,
    End,
    Estimate,
    Loss,
    LossEnd,
    Losses,
    LossPart,
    Standing,
    TestKind,
)
from oretally.recon.sizes import SizePart, size_parts, size_recoveries
from oretally.recon.solver import Covariance

__all__ = ["MUCH_SHARE", "losses_of"]

MUCH_SHARE = 0.20
"""Share of a loss that a class between the ends must hold to be named. Our own choice."""


def losses_of(
    circuit: Circuit, survey: Survey, places: Positions, covariance: Covariance,
    answers: Answers, lost: Sequence[str] | None = None,
) -> Losses:  # fmt: skip
    """Return where each analyte is lost.

    Parameters
    ----------
    circuit, survey, places, covariance, answers
        What was balanced, and what came of it.
    lost : sequence of str, optional
        Products that are lost; by default all but the richest.

    Raises
    ------
    InputError
        If ``lost`` names what is no product, or leaves none.
    """
    if lost is not None:
        _check([answers.streams[j] for j in answers.products], lost)
    values = LossValues(circuit, survey, places, covariance, answers)
    found, read, not_read = list[Loss](), dict[int, list[int]](), list[str]()
    for k, analyte in enumerate(survey.analytes):
        kept = values.kept(k, lost)
        if not kept:
            not_read += [analyte.name] if values.several(k) else []
            continue
        rows = [_Reading(values, k, j, kept).loss() for j in values.products(k) if j not in kept]
        read[k] = values.products(k)
        some = [row for row in rows if row is not None and row.percent[0] > 0.0]
        found += sorted(some, key=lambda row: -row.percent[0])
    return Losses(
        tuple(found), tuple(not_read), size_recoveries(circuit, survey, places, covariance),
        grade_recovery_curves(circuit, survey, covariance, answers, read),
        tuple(lost or ()),
    )  # fmt: skip


def _check(products: Sequence[str], lost: Sequence[str]) -> None:
    faults = []
    for name in lost:
        if name not in products:
            near = nearest_name(name, products)
            mend = f"Did you mean '{near}'?" if near else f"Products: {', '.join(products)}."
            faults.append(Fault(f"'{name}' is given as lost, but is no product.", mend))
    if not faults and set(products) <= set(lost):
        faults.append(Fault("Every product is given as lost.", "Leave out those that are kept."))
    if faults:
        raise InputError(faults)


def _richer_between(parts: Sequence[LossPart], ends: Sequence[LossEnd]) -> tuple[LossPart, ...]:
    """Return the classes between the ends that hold much of a loss and are richer than its whole.

    Beyond chance, as many classes as are there looked at together.
    """
    at = {end.end: end.part for end in ends}
    if len(at) < len(End):
        return ()
    low, high = at[End.FINE].passed_um, at[End.COARSE].retained_um
    between = [p for p in parts if low <= p.retained_um and p.passed_um <= high]
    return tuple(
        p for p in between
        if p.of_loss is not None and p.of_loss[0] > 100.0 * MUCH_SHARE
        and p.against_loss is not None
        and _standing(p.against_loss, len(between)) is Standing.RICHER
    )  # fmt: skip


def _standing(ratio: Estimate, looked_at: int = 2) -> Standing:
    """Return how a grade stands to another, from their ratio, as one of several; of two ends."""
    value, sd = ratio
    reach = sidak_limit(ALPHA, looked_at) * sd
    if not sd > 0.0 or abs(value - 1.0) <= reach:
        return Standing.LIKE
    return Standing.RICHER if value > 1.0 else Standing.POORER


@dataclass(frozen=True)
class _Reading:
    """Reads the loss of one analyte in one product; numbers in base units."""

    values: LossValues
    k: int
    j: int
    kept: Sequence[int]

    def loss(self) -> Loss | None:
        """Return the loss; None if its share is not known."""
        values, k, j = self.values, self.k, self.j
        answers, analyte = values.answers, values.survey.analytes[k]
        share = values.share(k, [j])
        if share is None:
            return None
        parts = size_parts(values.covariance, values.places, k, j)
        rows, ends = tuple(self._part([part]) for part in parts), tuple(self._ends(parts))
        return Loss(
            stream=answers.streams[j], analyte=analyte.name, unit=analyte.unit.symbol,
            of=answers.streams[answers.feed], kept=tuple(answers.streams[i] for i in self.kept),
            percent=(100.0 * share[0], 100.0 * share[1]),
            in_solution=self._in_solution(), grade=self._shown([Position(k, j)], lambda v: v[0]),
            sieved=self._cut([value_at(values.covariance, p) for p in values.class_flows(j)])
            is not None,
            parts=rows, ends=ends, between=_richer_between(rows, ends),
            tests=tuple(self._tests(parts, ends)) if values.solids(j) else (),
        )  # fmt: skip

    def _in_solution(self) -> Estimate | None:
        """Return what share of the feed's analyte the solution of the product has, in percent."""
        water = self.values.places.carriers.water.get(self.j)
        if self.k not in self.values.places.carriers.dissolved or water is None:
            return None
        of = self.values.answers.whole[self.k][self.values.answers.feed]
        places = [Position(None, water), Position(self.k, water), Position(None, of),
                  Position(self.k, of)]  # fmt: skip
        return self._of(places, lambda v: 100.0 * v[0] * v[1] / (v[2] * v[3]))

    def _of(self, places: Sequence[Position], function: Function) -> Estimate | None:
        return estimate(self.values.covariance, places, function)

    def _shown(self, places: Sequence[Position], function: Function) -> Estimate | None:
        """Return a grade in the analyte's unit."""
        found, unit = self._of(places, function), self.values.survey.analytes[self.k].unit
        return None if found is None else (unit.from_base(found[0]), unit.from_base(found[1]))

    def _part(self, parts: Sequence[SizePart]) -> LossPart:
        """Return neighbouring parts of the product as one."""
        values, k, n = self.values, self.k, len(parts)
        run = (parts[0].run[0], parts[-1].run[1])
        low, high = values.survey.sizes.bounds(run)
        flows, grades = [p.flow for p in parts], [p.grade for p in parts]
        feed = values.answers.feed
        whole = values.answers.whole[k][feed]
        bulk = [Position(None, self.j), Position(k, self.j)]
        solids = self._of([*flows, bulk[0]], lambda v: 100.0 * v[:n].sum() / v[n])
        label = values.survey.sizes.label(run)
        if not all(p.known for p in parts):
            return LossPart(label, low, high, solids, None, None, None, None, None)

        def share(v: NDArray[Any]) -> Any:
            return 100.0 * (v[:n] * v[n : 2 * n]).sum() / (v[2 * n] * v[2 * n + 1])

        def ratio(v: NDArray[Any]) -> Any:
            return (v[:n] * v[n : 2 * n]).sum() / v[:n].sum() / v[2 * n]

        own = [*flows, *grades]
        return LossPart(
            label, low, high, solids,
            grade=self._shown(own, lambda v: (v[:n] * v[n:]).sum() / v[:n].sum()),
            of_loss=self._of([*own, *bulk], share),
            of_feed=self._of([*own, Position(None, whole), Position(k, whole)], share),
            against_loss=self._of([*own, bulk[1]], ratio),
            against_head=self._of([*own, Position(k, feed)], ratio) if values.solids(feed)
            else None,
        )  # fmt: skip

    def _cut(self, flows: Sequence[float]) -> int | None:
        """Return how many of the coarsest parts make the coarse end; None if none can."""
        if len(flows) < 2 or not np.isfinite(flows).all() or sum(flows) <= 0.0:
            return None
        above = np.cumsum(flows)[:-1] / sum(flows)
        return int(np.argmin(np.abs(above - COARSE_SHARE))) + 1

    def _coarse(self, parts: Sequence[SizePart]) -> Sequence[SizePart]:
        cut = self._cut([value_at(self.values.covariance, part.flow) for part in parts])
        return parts[:cut] if cut is not None else []

    def _ends(self, parts: Sequence[SizePart]) -> list[LossEnd]:
        """Return the coarse and the fine end of a product, where they are known."""
        coarse, found = self._coarse(parts), []
        for end, some in ((End.COARSE, coarse), (End.FINE, parts[-1:] if coarse else [])):
            part = self._part(some) if some else None
            if part is None or part.against_loss is None or part.of_loss is None:
                continue
            standing = _standing(part.against_loss)
            matters = standing is Standing.RICHER and part.of_loss[0] >= 100.0 * LEAST_SHARE
            head = None if part.against_head is None else _standing(part.against_head)
            found.append(LossEnd(end, part, standing, head, matters))
        return found

    def _tests(self, parts: Sequence[SizePart], ends: Sequence[LossEnd]) -> list[DecidingTest]:
        """Return the tests that would tell why, the one for the greater loss first."""
        if not ends:
            return [test for test in [self._screen()] if test is not None]
        worth = [end for end in ends if end.matters]
        worth.sort(key=lambda end: -end.part.of_loss[0] if end.part.of_loss else 0.0)
        tests = [
            self._grind(parts) if end.end is End.COARSE else self._split(parts) for end in worth
        ]
        return [test for test in tests or [self._again()] if test is not None]

    def _errors(self, test: TestKind) -> AssayError:
        values = self.values
        return AssayError.of(values.survey, self.k, values.answers.streams[self.j], test)

    def _grind(self, parts: Sequence[SizePart]) -> DecidingTest | None:
        coarse = self._coarse(parts)
        n = len(coarse)
        places, share = self.values.share_of(self.k, self.kept)
        found = joint_estimate(
            self.values.covariance,
            [*(p.flow for p in coarse), *(p.grade for p in coarse), *places],
            [lambda v: (v[:n] * v[n : 2 * n]).sum() / v[:n].sum(), lambda v: share(v[2 * n :])],
        )
        if found is None:
            return None
        run, sizes = (coarse[0].run[0], coarse[-1].run[1]), self.values.survey.sizes
        return deciding_test(
            TestKind.GRIND_HALF, grind_half(*found), self._errors(TestKind.GRIND_HALF),
            self.values.survey.analytes[self.k].unit, part=sizes.label(run),
            opening_um=sizes.bounds(run)[0],
        )  # fmt: skip

    def _split(self, parts: Sequence[SizePart]) -> DecidingTest | None:
        if not parts[-2].known:
            return None
        places = [parts[-1].grade, parts[-2].grade]
        found = joint_estimate(self.values.covariance, places, [lambda v: v[0], lambda v: v[1]])
        if found is None:
            return None
        return deciding_test(
            TestKind.SPLIT_FINEST, split_finest(*found), self._errors(TestKind.SPLIT_FINEST),
            self.values.survey.analytes[self.k].unit,
            part=self.values.survey.sizes.label(parts[-1].run),
        )  # fmt: skip

    def _again(self) -> DecidingTest | None:
        places, share = self.values.share_of(self.k, self.kept)
        found = joint_estimate(
            self.values.covariance, [Position(self.k, self.j), *places],
            [lambda v: v[0], lambda v: share(v[1:])],
        )  # fmt: skip
        if found is None:
            return None
        unit = self.values.survey.analytes[self.k].unit
        errors = self._errors(TestKind.TREAT_AGAIN)
        return deciding_test(TestKind.TREAT_AGAIN, treat_again(*found), errors, unit)

    def _screen(self) -> DecidingTest | None:
        """Return the screening of a product that was not sieved, or not assayed by size."""
        values, k, sizes = self.values, self.k, self.values.survey.sizes
        places = [Position(k, self.j), Position(k, values.answers.feed)]
        if not values.solids(values.answers.feed):
            return None
        flows = values.class_flows(self.j)
        cut = self._cut([value_at(values.covariance, p) for p in flows])
        n = len(flows)
        on: Function = lambda v: COARSE_SHARE + 0.0 * v[0]  # noqa: E731
        if cut is None:
            flows = []
        else:
            on = lambda v: v[2 : 2 + cut].sum() / v[2 : 2 + n].sum()  # noqa: E731
        found = joint_estimate(
            values.covariance, [*places, *flows], [lambda v: v[0], lambda v: v[1], on]
        )
        if found is None:
            return None
        return deciding_test(
            TestKind.SCREEN, screen(*found), self._errors(TestKind.SCREEN),
            values.survey.analytes[k].unit,
            opening_um=None if cut is None else sizes.bounds(values.classes(self.j)[cut - 1])[0],
            coarse_percent=100.0 * float(found[0][2]),
        )  # fmt: skip
