"""Tests drawn from a known truth, to be compared."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import pytest
from numpy.typing import NDArray
from often import often
from published import within_binomial

from oretally.flowsheet import (
    Analyte,
    BalanceModel,
    Basis,
    Circuit,
    Dimension,
    ErrorPart,
    Measurement,
    SharedSource,
    Survey,
    balance_problem,
    parse_unit,
    positions,
)
from oretally.flowsheet.survey import SizeGrid, class_grade, class_share, combined_sd
from oretally.io.compare.declarations import compare_declared as compare
from oretally.recon import reconcile
from oretally.recon.answers import Answer, AnswerName, CaseAnswers
from oretally.recon.comparison import (
    BalancedTest,
    Comparison,
    Difference,
    balanced_test,
)
from oretally.recon.result import GlobalTest
from oretally.recon.solver import prepare

Floats = NDArray[np.float64]


KG, PERCENT = parse_unit("kg"), parse_unit("%")


TABLE = Circuit.build(
    {"feed": (None, "table"), "conc": ("table", None), "tails": ("table", None)}
)  # fmt: skip


PRODUCTS = ("conc", "tails")


FINE = GlobalTest(0.0, 2, 1.0, 0.05, True)


REC, GRADE, PULL = "recovery of Sn to conc", "grade of Sn in conc", "mass pull to conc"


DRAWN = often(1000)


def flows_and_grades(recovery: float = 0.7) -> dict[str, tuple[float, float]]:
    """Return mass [kg] and grade [%] of each stream; 25 kg of 1 % ore."""
    tin = 0.25
    return {
        "feed": (25.0, 1.0),
        "conc": (0.5, 100.0 * recovery * tin / 0.5),
        "tails": (24.5, 100.0 * (1.0 - recovery) * tin / 24.5),
    }


def drawn_survey(
    *, batch: float = 0.0, recovery: float = 0.7, relative: float = 0.02,
    feed: float | None = None,
) -> Survey:  # fmt: skip
    """Return one test without errors in its values, to draw from.

    ``batch`` is the relative error of a laboratory batch of the products, ``relative`` that of an
    assay, ``feed`` that of the feed's.
    """
    found, shared = [], {}
    for stream, (mass, grade) in flows_and_grades(recovery).items():
        found.append(Measurement(stream, "dry mass", mass, KG, 0.004 * mass))
        own = grade * (feed if feed is not None and stream == "feed" else relative)
        parts = [ErrorPart("stated error", own)]
        if batch and stream != "feed":
            shared[stream] = batch * grade / 100.0
            parts.append(ErrorPart("batch", batch * grade, shared=True))
        found.append(
            Measurement(stream, "Sn", grade, PERCENT, combined_sd(parts), parts=tuple(parts))
        )
    sources = (SharedSource("batch", "Sn", shared),) if shared else ()
    return Survey(Basis.BATCH, KG, (Analyte("Sn", PERCENT),), tuple(found), shared=sources)


@dataclass(frozen=True)
class Drawn(CaseAnswers):
    """Answers of a drawn survey, with the sds of the one that it was drawn from."""

    found: dict[AnswerName, Answer] = field(default_factory=dict)

    def names(self) -> list[AnswerName]:
        return list(self.found)

    def read(self, name: AnswerName) -> Answer | None:
        return self.found[name]


Draws = dict[tuple[str, str], Floats]


def draw_tests(
    base: Survey, n: int, rng: np.random.Generator, *, u: Floats | None = None,
    given: Draws | None = None, off: Draws | None = None,
) -> list[BalancedTest]:  # fmt: skip
    """Balance n surveys drawn from one, all at once by the solver for many.

    ``u`` is how the shared source came out in each, ``given`` the errors in sds of some readings,
    ``off`` what is added to true values: the scatter of tests.
    """
    problem, places = balance_problem(TABLE, base), positions(TABLE, base)
    flows, grades = np.tile(problem.flow, (n, 1)), np.tile(problem.grade, (n, 1, 1))
    for m in base.measurements:
        z = rng.standard_normal(n)
        z = z if given is None else given.get((m.stream, m.quantity), z)
        off_by = 0.0 if off is None else off.get((m.stream, m.quantity), 0.0)
        moved = off_by + m.value_base + z * base.own_variance(m) ** 0.5
        for source in base.shared_by(m):
            assert u is not None
            moved = moved + u * source.loadings[m.stream]
        k, j = places.readings[m.stream, m.quantity]
        if k is None:
            flows[:, j] = moved
        else:
            grades[:, k, j] = moved
    solved = prepare(problem).solve_many(flows, grades)
    assert solved.converged.all()
    exact = CaseAnswers(BalanceModel(TABLE, base), ("feed",), PRODUCTS)
    names = [n for n in exact.names() if n.stream in PRODUCTS]
    read = {name: exact.read(name) for name in names}
    values = {name: answer_value(name, base, solved.flow, solved.grade) for name in names}
    found = []
    for i in range(n):
        mine = {
            name: Answer(float(values[name][i]), a.slopes) for name, a in read.items() if a
        }  # fmt: skip
        found.append(BalancedTest(
            f"{i}", Drawn(BalanceModel(TABLE, base), ("feed",), PRODUCTS, found=mine), FINE
        ))  # fmt: skip
    return found


def answer_value(name: AnswerName, base: Survey, F: Floats, x: Floats) -> Floats:
    """Return an answer from flows and grades of many surveys, written anew."""
    c = positions(TABLE, base).carriers
    j, of = TABLE.stream_names.index(name.stream), TABLE.stream_names.index("feed")
    if name.kind == "mass pull":
        return np.asarray(F[:, j] / F[:, of])
    if name.kind == "grade":
        return np.asarray(x[:, 0, j])
    metal = F * x[:, 0]
    if name.kind == "recovery":
        return np.asarray(metal[:, j] / metal[:, of])
    labels = [base.sizes.label((i, i)) for i in range(base.sizes.n_classes)]
    mine = metal[:, c.classes[j] + labels.index(name.size)]
    return np.asarray(mine / metal[:, of if name.kind == "recovery by size" else j])


def quick_compare(label: str, one: Survey) -> BalancedTest:
    """Return a test without the inquiry into wrong numbers."""
    return BalancedTest(label, CaseAnswers(BalanceModel(TABLE, one), ("feed",), PRODUCTS), FINE)


def full_compare(label: str, one: Survey, circuit: Circuit = TABLE) -> BalancedTest:
    return balanced_test(label, reconcile(circuit, one))


def answer_row(found: Comparison, answer: str = REC, second: int = 1) -> Difference:
    return next(
        d for d in found.differences if str(d.answer) == answer and d.second == second
    )  # fmt: skip


def false_rate(hits: Sequence[bool], chance: float) -> None:
    assert within_binomial(sum(hits), len(hits), chance), f"{sum(hits)} of {len(hits)}"


def spread_of(d: Sequence[float], sd: float) -> None:
    """The sd that was said is the sd that is seen, within sampling error (4 sd of it)."""
    assert np.std(d) / sd == pytest.approx(1.0, abs=sampling(d))


def sampling(d: Sequence[float]) -> float:
    return float(4.0 / (2.0 * len(d)) ** 0.5)


def differences(
    pairs: Iterable[tuple[BalancedTest, BalancedTest]], *answers: str
) -> list[list[float]]:  # fmt: skip
    """Return second minus first in points of each pair, answer by answer."""
    found = [compare([[a], [b]], answers=answers).differences for a, b in pairs]
    return [[rows[i].difference for rows in found] for i in range(len(answers))]


SHARE = parse_unit("%", Dimension.SHARE)


GRID = SizeGrid((150.0, 38.0))


SIZED = {  # kg and tin [kg] of each class
    "conc": ((2.0, 2.0, 1.0), (0.6, 0.7, 0.3)), "tails": ((30.0, 40.0, 25.0), (0.1, 0.05, 0.25))
}  # fmt: skip


def sized(slimes: float) -> Survey:
    """Return a test sieved and assayed by size; ``slimes`` is the tin that the fines lose."""
    found = []
    mass = {s: np.array(m) for s, (m, _) in SIZED.items()}
    tin = {s: np.array(t) for s, (_, t) in SIZED.items()}
    tin["conc"][2] += 0.25 - slimes
    tin["tails"][2] = slimes
    mass["feed"], tin["feed"] = mass["conc"] + mass["tails"], tin["conc"] + tin["tails"]
    for s, m in mass.items():
        whole = float(m.sum())
        found.append(Measurement(s, "dry mass", whole, KG, 0.003 * whole))
        for c in range(3):
            label, grade = GRID.label((c, c)), float(100.0 * tin[s][c] / m[c])
            share = float(100.0 * m[c] / whole)
            found.append(Measurement(s, class_share(label), share, SHARE, 0.4))
            found.append(Measurement(s, class_grade("Sn", label), grade, PERCENT, 0.02 * grade))
    return Survey(Basis.BATCH, KG, (Analyte("Sn", PERCENT),), tuple(found), sizes=GRID)
