"""Is the difference between tests real: answers of balanced tests against each other.

Each test is balanced by itself. With M the matrix of what one sd of every error does to an answer
(one row a test, one column an error, those that are common in one column), V = M M' is the
covariance of the tests, and common errors cancel as far as they move the tests alike. Repeats of a
test form an arm; how far they scatter is in `oretally.recon.comparison.repeats`.

References
----------
JCGM 100:2008 (GUM), 5.2.2 and F.1.2.3: correlation by common errors. Cited from memory.
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from oretally.flowsheet import Dimension, OretallyError, Unit, parse_unit
from oretally.flowsheet.arrays import Bools, Floats
from oretally.flowsheet.circuit import timed_streams
from oretally.recon.answers import GRADE, PLATEAU, RATE, Answer, AnswerName
from oretally.recon.comparison.in_common import BalancedTest, InCommon
from oretally.recon.comparison.multiple_tests import AnswerRow, judged_together
from oretally.recon.comparison.repeats import (
    RepeatPlan,
    between_tests,
    quantile,
    two_sided,
    weights_of_arms,
)
from oretally.recon.comparison.rows import Comparison, Difference, LeftOut, Verdict
from oretally.recon.result import ErrorPlace

__all__ = ["NothingInCommon", "compare"]

_NO_ERROR = "no error is left: what it has is common to the tests, or it is given exactly"
_ROUNDING = 1e-12  # of the answers: one that every balance gives exactly has an sd of this size
_EXACT = 1e-10  # of its parts: a difference with a smaller sd has no error but rounding


class NothingInCommon(OretallyError):
    """There is no answer that two of the tests have in common.

    Attributes
    ----------
    tests : tuple of BalancedTest
    left_out : tuple of LeftOut
        Answers that were looked for, and why they were not compared.
    """

    def __init__(self, tests: tuple[BalancedTest, ...], left_out: tuple[LeftOut, ...]) -> None:
        self.tests, self.left_out = tests, left_out
        super().__init__("There is no answer that two of the tests have in common.")


def compare(
    arms: Sequence[Sequence[BalancedTest]],
    *,
    common: InCommon | None = None,
    answers: Sequence[AnswerName] = (),
    least: float | None = None,
    alpha: float = 0.05,
    every_pair: bool = False,
) -> Comparison:
    """Compare the answers of tests.

    Parameters
    ----------
    arms : sequence of sequence of BalancedTest
        Two or more; the tests of one arm are repeats of one another.
    common : InCommon, optional
        Of all tests, arm by arm; by default they share nothing.
    answers : sequence of AnswerName
        Of the first test, to compare; by default those of its products.
    least : float, optional
        Least difference of interest, in percentage points; for recoveries, mass pulls and shares.
    alpha : float
        Level of the tests, and of the limits.
    every_pair : bool
        Compare every two arms, not each with the first.

    Raises
    ------
    NothingInCommon
        If no answer is in two arms.
    """
    shared = common or InCommon(tuple(t for arm in arms for t in arm))
    names = list(answers) or _of_products(shared.tests[0])
    reading = _Reading([list(arm) for arm in arms], shared, alpha, least, every_pair)
    rows, left = list[AnswerRow](), list[LeftOut]()
    for name in names:
        reading.read(name, rows, left)
    if not rows:
        raise NothingInCommon(shared.tests, tuple(left))
    judged = judged_together(rows, alpha, least)
    return Comparison(
        arms=tuple(tuple(arm) for arm in arms), common=shared, differences=judged.differences,
        left_out=tuple(left), alpha=alpha, least=least,
        together=judged.whole, together_by_size=judged.by_size,
        alpha_whole=judged.alpha_whole, alpha_by_size=judged.alpha_by_size,
    )  # fmt: skip


@dataclass(frozen=True)
class _Estimate:
    """Means of arms, from one answer of each test.

    Attributes
    ----------
    M : ndarray, shape (n_tests, n_errors)
        What one sd of each error adds.
    common : ndarray of bool, shape (n_errors,)
    W : ndarray, shape (n_tests, n_arms)
        Weights of the tests in their arms.
    tau2, shown : float
        Variance between equal tests; share of the stated variance that their scatter shows.
    dof : float
        Of the scatter; infinite without repeats.
    """

    y: Floats
    M: Floats
    common: Bools
    W: Floats
    tau2: float
    shown: float
    dof: float

    @classmethod
    def of(cls, y: Floats, X: Floats, M: Floats, common: Bools) -> _Estimate:
        """Return the estimate; X tells which arm a test is of."""
        spare = len(y) - X.shape[1]
        tau2, shown = between_tests(y, X, M @ M.T) if spare else (0.0, 1.0)
        own = (M[:, ~common] ** 2).sum(axis=1)
        W = weights_of_arms(X, own + tau2)
        return cls(y, M, common, W, tau2, shown, float(spare) if spare else math.inf)

    def sd(self, g: Floats, *, apart: bool = False) -> float:
        """Return the sd of g'y; ``apart`` as if no two tests had an error in common."""
        stated = g**2 @ (self.M**2).sum(axis=1) if apart else ((g @ self.M) ** 2).sum()
        return math.sqrt(float(stated + self.tau2 * (g @ g)))

    def judged(self, g: Floats, alpha: float) -> tuple[float, float]:
        """Return half of the limits of g'y, and its p: the less sure of stated errors and scatter.

        By the stated errors alone, normal; by the scatter that was seen, with Student's t.
        """
        difference, stated = float(g @ self.y), (g @ self.M) ** 2
        seen = stated[self.common].sum() + self.shown * stated[~self.common].sum()
        sides = [(float(stated.sum()) ** 0.5, math.inf)]
        if math.isfinite(self.dof):
            sides.append((float(seen + self.tau2 * (g @ g)) ** 0.5, self.dof))
        half = max(quantile(alpha, dof) * sd for sd, dof in sides)
        return half, max(two_sided(difference / sd, dof) for sd, dof in sides if sd > 0.0)

    def plan(self, a: int, b: int) -> RepeatPlan:
        """Return what is known of the errors of further tests of two arms."""
        own = (self.M[:, ~self.common] ** 2).sum(axis=1)
        stated = sum(float(own[self.W[:, arm] > 0.0].mean()) for arm in (a, b))
        whole = stated + 2.0 * self.tau2
        left = ((self.W[:, b] - self.W[:, a]) @ self.M[:, self.common]) ** 2
        return RepeatPlan(
            own=whole, common=float(left.sum()), stated=stated / whole if whole > 0.0 else 1.0,
            repeated=math.isfinite(self.dof),
        )  # fmt: skip


@dataclass(frozen=True)
class _Reading:
    """Reads answers of all tests by the names of the first, and sets arms against each other."""

    arms: list[list[BalancedTest]]
    shared: InCommon
    alpha: float
    least: float | None
    every_pair: bool

    @cached_property
    def _offered(self) -> list[frozenset[AnswerName]]:
        """Answers that each test may have, by its own names."""
        return [frozenset(t.answers.names()) for t in self.shared.tests]

    def _answer(self, number: int, name: AnswerName) -> Answer | str:
        """Return an answer of one test, or why there is none."""
        test = self.shared.tests[number]
        own = name._replace(stream=self.shared.own_name(test, name.stream))
        if name.kind in (PLATEAU, RATE):
            found = test.answers.read(own) if own in self._offered[number] else None
            return found or f"no such curve holds, or is determined, in '{test.label}'"
        if own not in self._offered[number]:
            return f"'{test.label}' has no such answer"
        return test.answers.read(own) or f"not determined in '{test.label}'"

    def read(self, name: AnswerName, rows: list[AnswerRow], left: list[LeftOut]) -> None:
        """Add the differences of one answer, and what of it was left out."""
        kept, number = list[tuple[int, int, Answer]](), 0
        for a, arm in enumerate(self.arms):
            for _ in arm:
                found = self._answer(number, name)
                if isinstance(found, Answer):
                    kept.append((number, a, found))
                else:
                    left.append(LeftOut(name, found))
                number += 1
        arms = sorted({a for _, a, _ in kept})
        pairs = [
            (i, j) for i in range(len(arms)) for j in range(i + 1, len(arms))
            if self.every_pair or arms[i] == 0
        ]  # fmt: skip
        if not pairs:
            return
        unit = self._unit(name)
        y = np.array([unit.from_base(answer.value) for _, _, answer in kept])
        X = np.array([[float(a == arm) for arm in arms] for _, a, _ in kept])
        errors: dict[Hashable, int] = {}
        moved = [
            {errors.setdefault(self.shared.item(n, place), len(errors)): unit.from_base(m)
             for place, m in answer.slopes.items()}
            for n, _, answer in kept
        ]  # fmt: skip
        M = np.zeros((len(kept), len(errors)))
        for row, column in zip(M, moved, strict=True):
            row[list(column)] = list(column.values())
        common = np.array([isinstance(e, ErrorPlace) for e in errors], dtype=bool)
        root = np.array([self.shared.tests[n].factor for n, _, _ in kept]) ** 0.5
        stated = _Estimate.of(y, X, M, common)
        # Only what is a test's own is scaled up. What is common stays as it was stated: it moves
        # all tests by one amount, whatever their numbers, and scaled by other factors in each it
        # would no longer cancel. Besides, it is no evidence against it that one test disagrees.
        larger = np.where(common, M, root[:, None] * M)
        scaled = _Estimate.of(y, X, larger, common) if (root > 1.0).any() else None
        for i, j in pairs:
            told = self._row(name, unit.symbol, (arms[i], arms[j]), (i, j), stated, scaled)
            if told is None:
                left.append(LeftOut(name, _NO_ERROR))
                continue
            decides = scaled or stated
            g = decides.W[:, j] - decides.W[:, i]
            by_error: dict[Hashable, float] = dict(
                zip(errors, (g @ decides.M).tolist(), strict=True)
            )
            scatter = {
                n: math.sqrt(decides.tau2) * weight
                for (n, _, _), weight in zip(kept, g.tolist(), strict=True)
            }
            made = 2.0 / float((1.0 / X.sum(axis=0))[[i, j]].sum())
            rows.append(AnswerRow(told, by_error, scatter, decides.plan(i, j), made))

    def _unit(self, name: AnswerName) -> Unit:
        if name.kind == RATE:
            per = self.shared.tests[0].answers.time_unit()
            return parse_unit(f"1/{per}", Dimension.PER_TIME)
        if name.kind != GRADE:
            return parse_unit("%", Dimension.SHARE)
        analytes = self.shared.tests[0].model.survey.analytes
        return next(a.unit for a in analytes if a.name == name.analyte)

    def _row(
        self, name: AnswerName, unit: str, arms: tuple[int, int], pair: tuple[int, int],
        stated: _Estimate, scaled: _Estimate | None,
    ) -> Difference | None:  # fmt: skip
        """Return a difference: not yet corrected, its verdict open, further tests not counted."""
        i, j = pair
        decides = scaled or stated
        found = []
        for e in (stated, decides):
            g = e.W[:, j] - e.W[:, i]
            sd = e.sd(g)
            if sd <= max(_EXACT * e.sd(g, apart=True), _ROUNDING * float(np.abs(g) @ np.abs(e.y))):
                return None
            found.append((float(g @ e.y), sd, *e.judged(g, self.alpha)))
        (difference, sd, _, p), (by, by_sd, half, by_p) = found
        size = self.least if self.least is not None and name.kind not in (GRADE, RATE) else abs(by)
        return Difference(
            answer=name, unit=unit, first=arms[0], second=arms[1],
            first_value=float(stated.W[:, i] @ stated.y), first_sd=stated.sd(stated.W[:, i]),
            second_value=float(stated.W[:, j] @ stated.y), second_sd=stated.sd(stated.W[:, j]),
            difference=difference, sd=sd, apart_sd=stated.sd(
                stated.W[:, j] - stated.W[:, i], apart=True),
            between_sd=stated.tau2**0.5 if math.isfinite(stated.dof) else None,
            dof=stated.dof, p=p,
            scaled_sd=by_sd if scaled else None, scaled_p=by_p if scaled else None,
            p_together=by_p, low=by - half, high=by + half, verdict=Verdict.OPEN, size=size,
            level=self.alpha, tests=None, common_sd=decides.plan(i, j).common**0.5,
        )  # fmt: skip


def _of_products(first: BalancedTest) -> list[AnswerName]:
    """Return the answers of the products of the first test, kind by kind.

    Of a test over time plateaus and rates, and the answers of what was left at the end: single
    timed products say little.
    """
    answers = first.answers
    names, timed = answers.names(), {s.name for s in timed_streams(answers.model.circuit.streams)}
    kinds = dict.fromkeys((n.kind, n.analyte) for n in names)
    return answers.preferred() + [
        n for kind in kinds for stream in answers.products if stream not in timed for n in names
        if (n.kind, n.analyte) == kind and n.stream == stream
    ]  # fmt: skip
