"""The scatter of many surveys of one plant beside the errors that a balance of each tells.

A survey is drawn anew from the true plant by what is written in it: each reading with its own
stated error, those that share a source with one more, masses of a stack of sieves each by itself
and then divided by their sum. So nothing is taken from the balance that is tested.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from natural_problem import Natural
from numpy.typing import NDArray
from scipy.special import gammainc, gammaincc, ndtri
from sound_surveys import Made

from oretally.flowsheet import BalanceModel, BalanceProblem, Position, balance_problem
from oretally.flowsheet.survey import Kind
from oretally.recon.answers import Answers, balanced_values
from oretally.recon.solution import Solution
from oretally.recon.solver import propagate, solve

__all__ = ["KINDS", "Draws", "Scatter", "table"]

Floats = NDArray[np.float64]
KINDS = {
    Kind.DRY: "flow", Kind.WATER: "flow", Kind.WET: "flow", Kind.GRADE: "grade",
    Kind.SOLUTION: "grade", Kind.SOLIDS: "% solids", Kind.SHARE: "class share",
    Kind.CLASS_GRADE: "class grade",
}  # fmt: skip
_NONE = 1e-9  # a relative error that is none: what is exact


@dataclass(frozen=True, eq=False)
class Scatter:
    """What came of many draws: one entry for each determined value and recovery.

    Attributes
    ----------
    names : sequence of (str, str, str)
        Kind, stream, quantity.
    told : ndarray, shape (n_values,)
        Mean of the stated errors.
    ratio : ndarray, shape (n_values,)
        Standard deviation of the draws over ``told``.
    relative : ndarray, shape (n_values,)
        ``told`` over the mean of the draws.
    n, lost, bounded : int
        Draws that count; those that did not converge; those with values at a bound.
    """

    names: Sequence[tuple[str, str, str]]
    told: Floats
    ratio: Floats
    relative: Floats
    n: int
    lost: int
    bounded: int

    @property
    def z(self) -> Floats:
        """Where each ratio stands among those of normal draws, as a standard normal number."""
        half, x = 0.5 * (self.n - 1), 0.5 * (self.n - 1) * self.ratio**2
        low, high = gammainc(half, x), gammaincc(half, x)
        small = np.maximum(np.minimum(low, high), 1e-300)
        return np.asarray(np.where(low < high, ndtri(small), -ndtri(small)))


class Draws:
    """Surveys of one plant.

    Parameters
    ----------
    made : Made
        A survey that says what is read and how well, and its plant.
    share : float
        Of the stated errors: those that are drawn, and stated.
    seed : int
    """

    def __init__(self, made: Made, share: float = 1.0, seed: int = 0) -> None:
        self.made, self.share = made, share
        self.rng = np.random.default_rng([made.seed, seed])
        circuit, survey = made.circuit, made.survey
        natural = Natural(circuit, survey)
        y = natural.from_truth(made.amounts)
        self.readings = [m for m, _, _ in natural.readings]
        self.true = np.array([y[above].sum() / (y[below].sum() if below else 1.0)
                              for _, above, below in natural.readings])  # fmt: skip
        self.sd = share * np.sqrt([survey.own_variance(m) for m in self.readings])
        self.model = BalanceModel(circuit, survey)
        self.places = self.model.positions
        self.at = [self.places.readings[m.stream, m.quantity] for m in self.readings]
        self.plain = balance_problem(circuit, survey)
        self.check()
        self.stacks = [
            [i for i, m in enumerate(self.readings)
             if m.stream == s and natural.meaning[m.quantity].kind is Kind.SHARE]
            for s in sorted(survey.stacks)
        ]  # fmt: skip
        self.feed = circuit.feeds[0]

    def check(self) -> None:
        """Assert that each reading stands where it is looked for, with its own error."""
        for at, m in zip(self.at, self.readings, strict=True):
            values = (self.plain.flow, self.plain.flow_sd) if at.analyte is None else (
                self.plain.grade, self.plain.grade_sd)  # fmt: skip
            place = at.carrier if at.analyte is None else tuple(at)
            own = self.made.survey.own_variance(m) ** 0.5
            assert np.allclose([v[place] for v in values], [m.value_base, own], rtol=1e-9, atol=0)

    def problem(self, *, noise: bool = True) -> BalanceProblem:
        """Return the problem of one draw, or of a survey that reads the truth."""
        value, sd = self.true.copy(), self.sd.copy()
        if noise:
            value += sd * self.rng.standard_normal(sd.size)
            for source in self.made.survey.shared:
                u = self.share * self.rng.standard_normal()
                for i, m in enumerate(self.readings):
                    if m.quantity == source.quantity:
                        value[i] += u * source.loadings.get(m.stream, 0.0)
        for own in self.stacks:
            whole = value[own].sum()
            value[own] /= whole
            sd[own] /= whole
        flow, flow_sd = self.plain.flow.copy(), self.plain.flow_sd.copy()
        grade, grade_sd = self.plain.grade.copy(), self.plain.grade_sd.copy()
        for (k, j), v, s in zip(self.at, value, sd, strict=True):
            if k is None:
                flow[j], flow_sd[j] = v, s
            else:
                grade[k, j], grade_sd[k, j] = v, s
        for k, j in self.places.sources:
            if k is None:
                flow_sd[j] *= self.share
            else:
                grade_sd[k, j] *= self.share
        return replace(self.plain, flow=flow, flow_sd=flow_sd, grade=grade, grade_sd=grade_sd)

    def told(self, problem: BalanceProblem, found: Solution) -> Floats:
        """Return the stated error of every value and recovery; NaN where there is none."""
        survey, covariance = self.made.survey, propagate(problem, found)
        values, _ = balanced_values(BalanceModel(self.made.circuit, survey), covariance, 0.05)
        sds = list[float]()
        for v, row in zip(values, self.places.rows, strict=True):
            m = survey.measured(v.stream, v.quantity)
            unit = row.meaning.unit if m is None else m.unit
            sds.append(np.nan if v.adjusted_sd is None else unit.to_base(v.adjusted_sd))
        answers = self._answers(problem, found)
        rows = {(r.stream, r.analyte): r.sd for r in answers.recoveries()}
        for stream, analyte, _, _ in self._recovered(answers):
            sd = rows[stream, analyte]
            sds.append(np.nan if sd is None else sd / 100.0)
        return np.array(sds)

    def scatter(self, n: int, every: int = 20) -> Scatter:
        """Balance so many draws; the stated errors are those of one in ``every``."""
        base = self.problem(noise=False)
        best = solve(base)
        assert best.converged and best.objective < 1e-9, (self.made.seed, best.objective)
        answers = self._answers(base, best)
        recovered = self._recovered(answers)
        names = [(KINDS[r.meaning.kind], r.stream, r.quantity) for r in self.places.rows]
        names += [("recovery", stream, analyte) for stream, analyte, _, _ in recovered]
        drawn, told, lost, bounded = list[list[float]](), list[Floats](), 0, 0
        for i in range(n):
            problem = self.problem()
            found = solve(problem, near=best.flow)
            if not found.converged:
                lost += 1
                continue
            bounded += meets_bounds(problem, found)
            F, x = found.flow, found.grade
            values = [float(F[j] if k is None else x[k, j])
                      for k, j in (row.place for row in self.places.rows)]  # fmt: skip
            values += [float(F[to.carrier] * x[to] / (F[of.carrier] * x[of]))
                       for _, _, to, of in recovered]  # fmt: skip
            drawn.append(values)
            if i % every == 0:
                told.append(self.told(problem, found))
        y, sd = np.array(drawn), np.mean(told, axis=0)
        mean = np.abs(y.mean(axis=0))
        kept = np.flatnonzero(np.isfinite(sd) & (sd > _NONE * mean))
        return Scatter(
            [names[i] for i in kept], sd[kept], y[:, kept].std(axis=0, ddof=1) / sd[kept],
            sd[kept] / mean[kept], len(y), lost, bounded,
        )  # fmt: skip

    def _answers(self, problem: BalanceProblem, found: Solution) -> Answers:
        products = self.made.circuit.products
        covariance = propagate(problem, found)
        return Answers.of(self.model, covariance, feeds=[self.feed], products=products)

    @staticmethod
    def _recovered(a: Answers) -> list[tuple[str, str, Position, Position]]:
        """Return stream, analyte and where amount and whole stand, of each recovery."""
        return [
            (stream, analyte, Position(k, a.whole(k, j)), Position(k, a.whole(k, a.feeds[0])))
            for k, analyte in enumerate(a.analytes)
            for j, stream in enumerate(a.streams)
            if j != a.feeds[0] and a.model.carriers.holds(k, j)
        ]


def meets_bounds(problem: BalanceProblem, found: Solution) -> bool:
    """Tell whether anything that is not exact is at a bound."""
    return bool((found.flow_at_bound & (problem.flow_sd != 0.0)).any()
                or found.grade_at_bound.any())  # fmt: skip


def table(scatters: Sequence[Scatter]) -> str:
    """Return the ratios by kind."""
    lines = [f"{'kind':12}{'values':>7}{'median':>8}{'5 %':>7}{'95 %':>7}{'lowest':>8}"
             f"{'highest':>8}{'|z| max':>8}"]  # fmt: skip
    kinds = [k for s in scatters for k, _, _ in s.names]
    ratio, z = (np.concatenate([getattr(s, name) for s in scatters]) for name in ("ratio", "z"))
    for kind in (*dict.fromkeys(KINDS.values()), "recovery", "all"):
        own = np.array([kind in ("all", k) for k in kinds])
        if own.any():
            r = ratio[own]
            low, high = np.quantile(r, [0.05, 0.95])
            lines.append(f"{kind:12}{own.sum():7}{np.median(r):8.3f}{low:7.3f}{high:7.3f}"
                         f"{r.min():8.3f}{r.max():8.3f}{np.abs(z[own]).max():8.1f}")  # fmt: skip
    draws = sum(s.n + s.lost for s in scatters)
    lines.append(f"{len(scatters)} circuits, {draws} draws; {sum(s.lost for s in scatters)} did "
                 f"not converge, {sum(s.bounded for s in scatters)} met a bound")  # fmt: skip
    return "\n".join(lines)
