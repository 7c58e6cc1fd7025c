"""Is a difference between tests real: rates of error, common errors and repeats, simulated."""

from __future__ import annotations

import itertools
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray
from published import within_binomial
from scipy.stats import binom

from oretally.flowsheet import (
    Analyte,
    BalanceModel,
    Basis,
    Circuit,
    Dimension,
    ErrorPart,
    InputError,
    Measurement,
    SharedSource,
    Survey,
    balance_problem,
    parse_unit,
    positions,
)
from oretally.flowsheet.survey import SizeGrid, class_grade, class_share, combined_sd
from oretally.recon import reconcile
from oretally.recon.answers import Answer, AnswerName, CaseAnswers
from oretally.recon.comparison import (
    POWER,
    BalancedTest,
    Comparison,
    Difference,
    Verdict,
    balanced_test,
    compare,
)
from oretally.recon.comparison.multiple_tests import WHOLE_SHARE, AnswerRow, judged_together
from oretally.recon.comparison.repeats import RepeatPlan, chance_to_decide, quantile
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
N = 1000


def flows_and_grades(recovery: float = 0.7) -> dict[str, tuple[float, float]]:
    """Return mass [kg] and grade [%] of each stream; 25 kg of 1 % ore."""
    tin = 0.25
    return {
        "feed": (25.0, 1.0),
        "conc": (0.5, 100.0 * recovery * tin / 0.5),
        "tails": (24.5, 100.0 * (1.0 - recovery) * tin / 24.5),
    }


def survey(
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


def draw(
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
    exact = CaseAnswers(BalanceModel(TABLE, base), "feed", PRODUCTS)
    names = [n for n in exact.names() if n.stream in PRODUCTS]
    read = {name: exact.read(name) for name in names}
    values = {name: _value(name, base, solved.flow, solved.grade) for name in names}
    found = []
    for i in range(n):
        mine = {
            name: Answer(float(values[name][i]), a.moved) for name, a in read.items() if a
        }  # fmt: skip
        found.append(BalancedTest(
            f"{i}", Drawn(BalanceModel(TABLE, base), "feed", PRODUCTS, mine), FINE
        ))  # fmt: skip
    return found


def _value(name: AnswerName, base: Survey, F: Floats, x: Floats) -> Floats:
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


def quick(label: str, one: Survey) -> BalancedTest:
    """Return a test without the inquiry into wrong numbers."""
    return BalancedTest(label, CaseAnswers(BalanceModel(TABLE, one), "feed", PRODUCTS), FINE)


def full(label: str, one: Survey, circuit: Circuit = TABLE) -> BalancedTest:
    return balanced_test(label, reconcile(circuit, one))


def row(found: Comparison, answer: str = REC, second: int = 1) -> Difference:
    return next(
        d for d in found.differences if str(d.answer) == answer and d.second == second
    )  # fmt: skip


def rate(hits: Sequence[bool], chance: float) -> None:
    assert within_binomial(sum(hits), len(hits), chance), f"{sum(hits)} of {len(hits)}"


def test_equal_tests_are_told_apart_at_the_nominal_rate() -> None:
    """1000 pairs of surveys of one truth: each answer alone 5 %, any of all at most 5 %."""
    rng = np.random.default_rng(1)
    alone: dict[str, list[bool]] = {REC: [], GRADE: [], PULL: [], "grade of Sn in tails": []}
    together = []
    for a, b in zip(draw(survey(), N, rng), draw(survey(), N, rng), strict=True):
        found = compare([[a], [b]])
        assert found.together == len(alone)
        for answer, hits in alone.items():
            d = row(found, answer)
            hits.append(d.p < 0.05)
            assert (d.low > 0.0 or d.high < 0.0) == hits[-1]
        together.append(any(d.verdict is Verdict.REAL for d in found.differences))
    for hits in alone.values():
        rate(hits, 0.05)
    assert 0.02 * N < sum(together) < binom.isf(1e-4, N, 0.05)


def test_a_sized_case_keeps_the_level_over_all_its_answers() -> None:
    """Equal sieved tests: any 'real', of whole streams or of classes, no oftener than promised.

    Seen at several levels at once: a p corrected for all is below a level with at most its chance.
    """
    rng, n = np.random.default_rng(21), 150
    pairs = zip(draw(sized(0.25), n, rng), draw(sized(0.25), n, rng), strict=True)
    found = [compare([[a], [b]]) for a, b in pairs]
    assert found[0].together > 1 and found[0].together_by_size > 3
    least = np.array([min(d.p_together for d in f.differences) for f in found])
    for level in (0.05, 0.1, 0.2, 0.3, 0.4):
        assert (least <= level).sum() < binom.isf(1e-4, n, level), level
    assert (least <= 0.3).sum() > 0.1 * n  # nor is it far too careful
    for f in found[:3]:
        assert f.alpha_whole + f.alpha_by_size == pytest.approx(f.alpha)
        assert f.alpha_whole == pytest.approx(WHOLE_SHARE * f.alpha)
        for d in f.differences:
            whole = f.alpha_by_size / f.together_by_size
            assert d.level == pytest.approx(
                whole if d.answer.by_size else f.alpha_whole / f.together
            )


def test_answers_of_both_kinds_keep_the_level_together() -> None:
    """Four answers of whole streams and twelve by size, each by itself: 2000 draws of their p."""
    d = row(compare([[quick("A", survey())], [quick("B", survey(recovery=0.71))]]))
    names = [AnswerName("grade", "Sn", f"s{i}") for i in range(4)]
    names += [AnswerName("share", "Sn", "tails", f"c{i}") for i in range(12)]
    rng, hits = np.random.default_rng(23), []
    for p in rng.uniform(size=(2000, 16)):
        rows = [
            AnswerRow(
                replace(d, answer=name, p_together=float(p[i])), {i: 1.0}, {}, RepeatPlan(0.0), 1.0
            )
            for i, name in enumerate(names)
        ]
        judged = judged_together(rows, 0.05, None)
        assert (judged.whole, judged.by_size) == (4, 12)
        hits.append(any(x.verdict is Verdict.REAL for x in judged.differences))
    rate(hits, 1.0 - (1.0 - 0.04 / 4) ** 4 * (1.0 - 0.01 / 12) ** 12)
    assert sum(hits) < binom.isf(1e-4, 2000, 0.05)


def test_one_kind_of_answers_has_the_whole_level() -> None:
    pair = [[quick("A", sized(0.25))], [quick("B", sized(0.24))]]
    sizes = [f"share of {GRID.label((c, c))} in the Sn of tails" for c in range(3)]
    only, whole = compare(pair, answers=sizes), compare(pair, answers=[REC, GRADE])
    assert (only.alpha_whole, only.alpha_by_size, only.together) == (0.0, 0.05, 0)
    assert (whole.alpha_whole, whole.alpha_by_size, whole.together_by_size) == (0.05, 0.0, 0)
    both = compare(pair, answers=[REC, GRADE, *sizes])
    assert row(both).p_together == pytest.approx(min(row(whole).p_together / WHOLE_SHARE, 1.0))


def test_tests_that_are_named_are_more_than_have_just_not_decided() -> None:
    """Single tests and repeats of a difference that is seen now and then; and as one of four."""
    rng, n = np.random.default_rng(22), 200
    one, other = survey(), survey(recovery=0.715)
    drawn = [draw(s, n, rng) for s in (one, one, one, other, other, other)]
    near = lifted = 0
    for tests in zip(*drawn, strict=True):
        for arms, least in (([tests[:1], tests[3:4]], 3.0), ([tests[:3], tests[3:]], 1.5)):
            found = compare(arms, least=least)
            for d in found.differences:
                assert d.level == pytest.approx(0.05 / found.together)
                if d.verdict is Verdict.OPEN:
                    near += d.p_together > 0.05 > d.p
                    assert d.tests is None or d.tests > len(arms[0])
                    single = chance_to_decide(RepeatPlan(own=d.sd**2), d.size, 1, d.level)
                    lifted += len(arms[0]) == 1 and single >= POWER
    assert near > 50  # alone they would have been real
    assert lifted > 10  # one test tells 3 points eight times in ten, but it has just not told


def test_the_number_of_tests_is_for_the_level_that_the_verdict_asks() -> None:
    """A lone answer has 5 %, one of four 1.25 %: with so many tests it is found 8 times in 10."""
    pair = [[quick("A", survey())], [quick("B", survey(recovery=0.711))]]
    alone, together = row(compare(pair, answers=[REC])), row(compare(pair))
    assert (alone.level, together.level) == pytest.approx((0.05, 0.0125))
    needed = list[int]()
    for d in (alone, together):
        assert d.tests is not None
        needed.append(d.tests)
        plan = RepeatPlan(own=d.sd**2)
        fewer, enough = (chance_to_decide(plan, d.size, n, d.level) for n in (d.tests - 1, d.tests))
        assert fewer < POWER <= enough
    assert 2 < needed[0] < needed[1]


def test_nominal_rate_with_the_errors_of_each_survey() -> None:
    """The whole way, each survey balanced by itself with its own sds: 200 pairs."""
    rng = np.random.default_rng(11)

    def drawn() -> Survey:
        base = survey()
        return replace(base, measurements=tuple(
            replace(m, value=m.value + m.sd * rng.standard_normal()) for m in base.measurements
        ))  # fmt: skip

    hits = []
    for _ in range(200):
        found = compare([[quick("A", drawn())], [quick("B", drawn())]], answers=[REC, GRADE])
        hits += [d.p < 0.05 for d in found.differences]
    rate(hits, 0.05)


def test_real_difference_is_found_as_often_as_said() -> None:
    """The chance to tell with one test each, from the sds that a comparison states."""
    rng = np.random.default_rng(2)
    d = row(compare([[quick("A", survey())], [quick("B", survey(recovery=0.72))]], answers=[REC]))
    said = chance_to_decide(RepeatPlan(own=d.sd**2), 2.0, 1, 0.05)
    assert 0.3 < said < 0.95
    pairs = zip(draw(survey(), N, rng), draw(survey(recovery=0.72), N, rng), strict=True)
    rate([first(compare([[a], [b]], answers=[REC])) is Verdict.REAL for a, b in pairs], said)


def first(found: Comparison) -> Verdict:
    return found.differences[0].verdict


def spread(d: Sequence[float], sd: float) -> None:
    """The sd that was said is the sd that is seen, within sampling error (4 sd of it)."""
    assert np.std(d) / sd == pytest.approx(1.0, abs=_sampling(d))


def _sampling(d: Sequence[float]) -> float:
    return float(4.0 / (2.0 * len(d)) ** 0.5)


def differences(
    pairs: Iterable[tuple[BalancedTest, BalancedTest]], *answers: str
) -> list[list[float]]:  # fmt: skip
    """Return second minus first in points of each pair, answer by answer."""
    found = [compare([[a], [b]], answers=answers).differences for a, b in pairs]
    return [[rows[i].difference for rows in found] for i in range(len(answers))]


def test_a_common_batch_cancels_as_far_as_it_is_common() -> None:
    """sd of the difference as simulated; ignored, it would be far too large."""
    rng = np.random.default_rng(3)
    base = survey(batch=0.04, relative=0.01, feed=0.2)
    u = rng.standard_normal(N)
    pairs = zip(draw(base, N, rng, u=u), draw(base, N, rng, u=u), strict=True)
    grade, recovery = differences(pairs, GRADE, REC)
    two = [[quick(x, base)] for x in "AB"]
    told, not_told = compare(two, common=["batch"]), compare(two)
    spread(grade, row(told, GRADE).sd)
    spread(recovery, row(told, REC).sd)
    assert row(not_told, GRADE).sd == pytest.approx(row(told, GRADE).apart_sd)
    assert row(not_told, GRADE).sd > 1.5 * np.std(grade)
    assert not_told.common.undeclared_sources() == ["batch"]
    assert told.common.undeclared_sources() == []


def test_batches_apart_do_not_cancel() -> None:
    """The same name, but another batch in each test: the sd without declaring it is right."""
    rng = np.random.default_rng(4)
    base = survey(batch=0.04, relative=0.01, feed=0.2)
    one, other = (draw(base, N, rng, u=rng.standard_normal(N)) for _ in "AB")
    (grade,) = differences(zip(one, other, strict=True), GRADE)
    two = [[quick(x, base)] for x in "AB"]
    spread(grade, row(compare(two), GRADE).sd)
    assert row(compare(two, common=["batch"]), GRADE).sd < (1.0 - _sampling(grade)) * np.std(grade)


def test_one_feed_assay_for_both_tests() -> None:
    """One reading in both: sd as simulated when told, wrong when not."""
    rng = np.random.default_rng(5)
    base = survey(relative=0.04, feed=0.03)
    given = {("feed", "Sn"): rng.standard_normal(N)}
    pairs = zip(draw(base, N, rng, given=given), draw(base, N, rng, given=given), strict=True)
    (grade,) = differences(pairs, GRADE)
    two = [[quick(x, base)] for x in "AB"]
    told = row(compare(two, common_measurements=["feed:Sn"]), GRADE)
    spread(grade, told.sd)
    assert told.apart_sd == pytest.approx(row(compare(two), GRADE).sd)
    assert told.apart_sd / np.std(grade) > 1.0 + 2.0 * _sampling(grade)
    other = [[quick("A", base)], [quick("B", survey(recovery=0.71, relative=0.04, feed=0.03))]]
    assert ("feed", "Sn") in compare(other).common.undeclared_measurements()


def test_covariance_by_hand() -> None:
    """Without redundancy the recovery is (mass x grade) / (mass x grade): Cov by the formula."""
    named = Survey(Basis.BATCH, KG, (Analyte("Sn", PERCENT),), (
        Measurement("feed", "dry mass", 25.0, KG, 0.1),
        Measurement("conc", "dry mass", 0.5, KG, 0.01),
        Measurement("feed", "Sn", 1.0, PERCENT, 0.03),
        Measurement("conc", "Sn", 35.0, PERCENT, 0.5),
    ))  # fmt: skip
    pair = [[quick("A", named)], [quick("B", replace(named, title="other"))]]
    apart, told = (row(compare(pair, common_measurements=given)) for given in ((), ("feed:Sn",)))
    relative = [0.1 / 25.0, 0.01 / 0.5, 0.03, 0.5 / 35.0]
    one = 70.0**2 * sum(r * r for r in relative)
    assert apart.sd**2 == pytest.approx(2.0 * one)
    assert told.sd**2 == pytest.approx(2.0 * (one - (70.0 * 0.03) ** 2))
    assert told.apart_sd == pytest.approx(apart.sd)


def test_everything_common_leaves_no_difference() -> None:
    pair = [[quick(x, survey())] for x in "AB"]
    names = [f"{m.stream}:{m.quantity}" for m in survey().measurements]
    found = compare(pair, common_measurements=names[:-1])
    assert row(found).sd < 0.8 * row(found).apart_sd
    with pytest.raises(InputError, match="no error is left"):
        compare(pair, common_measurements=names)


def test_repeats_with_scatter_keep_the_nominal_rate() -> None:
    """Three tests of each, scattered beyond their errors: t keeps 5 %, single tests do not."""
    rng = np.random.default_rng(6)
    tin = 0.25 * 0.03 * rng.standard_normal((6, N))  # kg that goes to one product or the other
    drawn = [
        draw(survey(), N, rng, off={("conc", "Sn"): t / 0.5, ("tails", "Sn"): -t / 24.5})
        for t in tin
    ]  # fmt: skip
    real, single = [], []
    for tests in zip(*drawn, strict=True):
        d = compare([tests[:3], tests[3:]], answers=[REC]).differences[0]
        assert d.dof == 4.0 and d.between_sd is not None
        real.append(d.verdict is Verdict.REAL)
        single.append(first(compare([tests[:1], tests[3:4]], answers=[REC])) is Verdict.REAL)
    rate(real, 0.05)
    assert sum(single) > 0.5 * N


def test_repeats_without_scatter_are_no_worse() -> None:
    """Scatter as stated: below 5 %, for both stated errors and scatter must tell."""
    rng = np.random.default_rng(12)
    drawn = [draw(survey(), N, rng) for _ in range(6)]
    real = [
        first(compare([tests[:3], tests[3:]], answers=[REC])) is Verdict.REAL
        for tests in zip(*drawn, strict=True)
    ]
    said = chance_to_decide(RepeatPlan(own=1.0), 0.0, 3, 0.05)
    assert 0.01 < said < 0.05
    rate(real, said)


def test_least_difference_that_matters() -> None:
    near = compare([[quick("A", survey())], [quick("B", survey(recovery=0.701))]], least=5.0)
    d = row(near)
    assert d.verdict is Verdict.SMALL and -5.0 < d.low < d.high < 5.0
    assert row(near, GRADE).verdict is Verdict.OPEN
    assert row(near, GRADE).size == pytest.approx(abs(row(near, GRADE).difference))
    assert d.size == 5.0
    close = row(compare([[quick("A", survey())], [quick("B", survey(recovery=0.701))]], least=0.5))
    assert close.verdict is Verdict.OPEN and close.tests is not None and close.tests > 5


def test_what_is_real_may_be_smaller_than_what_matters() -> None:
    pair = [[quick("A", survey())], [quick("B", survey(recovery=0.73))]]
    for least, verdict in ((None, Verdict.REAL), (2.5, Verdict.REAL), (6.0, Verdict.SLIGHT)):
        found = compare(pair, least=least)
        assert row(found).verdict is verdict and row(found).real
        if verdict is Verdict.SLIGHT:
            assert least is not None and -least < row(found).low < row(found).high < least
        assert row(found, "grade of Sn in tails").verdict is Verdict.REAL  # points of what?


def test_what_is_common_is_not_scaled_up_with_a_test() -> None:
    """A test whose numbers disagree: its own errors grow, a batch that both had still cancels."""
    base = survey(batch=0.04, relative=0.01, feed=0.2)
    feed = base.measured("feed", "dry mass")
    assert feed is not None
    wrong = replace(feed, value=26.0)
    off = replace(base, measurements=tuple(wrong if m is feed else m for m in base.measurements))
    pair = [[full("A", base)], [full("B", off)]]
    told, not_told = (row(compare(pair, common=given), GRADE) for given in (("batch",), ()))
    factor = compare(pair).tests[1].factor
    assert factor > 4.0 and told.scaled_sd is not None and not_told.scaled_sd is not None

    def parts(one: Survey) -> tuple[float, float]:
        """Return the variance that a test has by itself, and what one sd of the batch does."""
        found = quick("", one).answers.read(told.answer)
        assert found is not None
        batch = sum(100.0 * m for place, m in found.moved.items() if place.kind == "source")
        return (100.0 * found.sd) ** 2 - batch**2, batch

    (own, batch), (other_own, other_batch) = parts(base), parts(off)
    assert batch == pytest.approx(other_batch, rel=0.1) and batch**2 > 4.0 * own
    assert told.scaled_sd**2 == pytest.approx(
        own + factor * other_own + (other_batch - batch) ** 2, rel=1e-6
    )
    assert not_told.scaled_sd**2 == pytest.approx(
        own + batch**2 + factor * (other_own + other_batch**2), rel=1e-6
    )


def test_repeats_know_mirrored_answers_too() -> None:
    """Scatter goes to one product or the other: still one answer, counted once."""
    arms = [[quick(f"{a}{i}", survey(recovery=r)) for i, r in enumerate(rs)]
            for a, rs in (("A", (0.70, 0.74, 0.71)), ("B", (0.78, 0.72, 0.76)))]  # fmt: skip
    found = compare(arms)
    assert row(found).between_sd and found.together == 4
    assert {str(d.answer) for d in found.differences if d.mirror_of} == {
        "recovery of Sn to tails", "mass pull to tails",
    }  # fmt: skip


def test_inconsistent_tests_are_judged_by_larger_errors() -> None:
    off = survey(recovery=0.73)
    tails = off.measured("tails", "Sn")
    assert tails is not None
    wrong = replace(tails, value=0.45)
    bad = replace(off, measurements=tuple(wrong if m is tails else m for m in off.measurements))
    found = compare([[full("A", survey())], [full("B", bad)]])
    assert [t.test.consistent for t in found.tests] == [True, False]
    factor = found.tests[1].factor
    assert factor == pytest.approx(found.tests[1].test.statistic / 2) and factor > 4.0
    d = row(found)
    assert d.scaled_sd is not None and d.scaled_p is not None
    assert d.scaled_sd**2 == pytest.approx(d.first_sd**2 + factor * d.second_sd**2)
    assert d.sd**2 == pytest.approx(d.first_sd**2 + d.second_sd**2)
    assert d.high - d.low == pytest.approx(2.0 * quantile(0.05, np.inf) * d.scaled_sd)
    assert d.scaled_p > d.p
    assert found.tests[1].suspects


def test_other_names_units_and_basis() -> None:
    """Recoveries have no unit; grades are shown in the unit of the first."""
    plant = Circuit.build({"ore": (None, "jig"), "heavies": ("jig", None), "lights": ("jig", None)})
    renamed = {"feed": "ore", "conc": "heavies", "tails": "lights"}
    t_per_h, g_per_kg = parse_unit("t/h"), parse_unit("g/kg")
    rows = [
        replace(m, stream=renamed[m.stream], quantity="dry rate", unit=t_per_h)
        if m.unit is KG
        else replace(m, stream=renamed[m.stream], unit=g_per_kg, value=10 * m.value, sd=10 * m.sd)
        for m in survey(recovery=0.72).measurements
    ]
    other = Survey(Basis.RATE, t_per_h, (Analyte("Sn", g_per_kg),), tuple(rows))
    found = compare([[full("A", survey())], [full("B", other, plant)]],
                    streams=["conc=heavies", "tails = lights", "feed=ore"])  # fmt: skip
    same = compare([[full("A", survey())], [full("B", survey(recovery=0.72))]])
    assert len(found.differences) == len(same.differences) == 6
    for one, two in zip(found.differences, same.differences, strict=True):
        assert one.answer == two.answer and one.unit == "%"
        assert one.difference == pytest.approx(two.difference)
        assert one.sd == pytest.approx(two.sd, rel=1e-5)
    told = compare([[full("A", survey())], [full("B", other, plant)]],
                   streams=["conc=heavies", "feed=ore"], common_measurements=[])  # fmt: skip
    assert {r.reason for r in told.left_out} == {"'B' has no such answer"}
    assert {r.answer.stream for r in told.left_out} == {"tails"}


def test_arms_against_the_first_or_every_pair() -> None:
    arms = [[quick(x, survey(recovery=r))] for x, r in (("A", 0.7), ("B", 0.72), ("C", 0.78))]
    plain = compare(arms, answers=[REC])
    every = compare(arms, answers=[REC], every_pair=True)
    assert [(d.first, d.second) for d in plain.differences] == [(0, 1), (0, 2)]
    assert [(d.first, d.second) for d in every.differences] == [(0, 1), (0, 2), (1, 2)]
    assert (plain.together, every.together) == (2, 3)
    for some, d in itertools.product((plain, every), (0, 1)):
        p = sorted(x.p for x in some.differences)
        assert some.differences[d].p_together == pytest.approx(
            max(p[i] * (len(p) - i) for i in range(1 + p.index(some.differences[d].p)))
        )


def test_recoveries_to_two_products_are_one_answer() -> None:
    found = compare([[quick("A", survey())], [quick("B", survey(recovery=0.72))]])
    mirrors = {str(d.answer): str(d.mirror_of) for d in found.differences if d.mirror_of}
    assert mirrors == {
        "recovery of Sn to tails": REC, "mass pull to tails": PULL,
    }  # fmt: skip
    assert row(found, "recovery of Sn to tails").p_together == row(found).p_together


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


def test_losses_by_size() -> None:
    """Slimes lose less tin: told in their class and not in the coarse one; sd as simulated."""
    fines, coarse = (GRID.label((c, c)) for c in (2, 0))
    lost = "recovery of Sn to tails, its {}".format
    pair = [[quick("A", sized(0.25))], [quick("B", sized(0.20))]]
    found = compare(pair)
    assert row(found, lost(fines)).first_value == pytest.approx(100.0 * 0.25 / 2.0)
    assert row(found, lost(fines)).difference == pytest.approx(-100.0 * 0.05 / 2.0)
    assert row(found, lost(fines)).verdict is Verdict.REAL
    assert row(found, lost(coarse)).verdict is Verdict.OPEN
    share = row(found, f"share of {fines} in the Sn of tails")
    assert share.first_value == pytest.approx(100.0 * 0.25 / 0.40)
    assert share.second_value == pytest.approx(100.0 * 0.20 / 0.35)
    assert found.together_by_size > 3
    balance = reconcile(TABLE, sized(0.25))
    row_of = next(s for s in balance.sizes.streams if s.stream == "tails").classes[2]
    assert row_of.distribution["Sn"] == pytest.approx((share.first_value, share.first_sd))
    rng = np.random.default_rng(10)
    drawn = (draw(sized(0.25), 150, rng), draw(sized(0.20), 150, rng))
    (d,) = differences(zip(*drawn, strict=True), lost(fines))
    spread(d, row(found, lost(fines)).sd)


def test_sds_are_those_of_the_balance(random_circuit: Callable[..., Any]) -> None:
    """The squares of what the errors do add up to the variance, on random circuits."""
    for seed in range(5):
        made = random_circuit(seed)
        names, rng = made.circuit.stream_names, np.random.default_rng(seed)
        rows = [
            Measurement(s, q, float(v * (1 + 0.02 * rng.standard_normal())), u, float(0.02 * v))
            for j, s in enumerate(names)
            for q, v, u in (
                ("dry mass", made.flow[j], KG), ("X", 100.0 * made.grade[0, j], PERCENT),
                ("Y", 100.0 * made.grade[1, j], PERCENT),
            )
        ]  # fmt: skip
        one = Survey(Basis.BATCH, KG, (Analyte("X", PERCENT), Analyte("Y", PERCENT)), tuple(rows))
        balance = reconcile(made.circuit, one, feed="feed")
        answers = CaseAnswers(BalanceModel(made.circuit, one), "feed", balance.products)
        for name in answers.names():
            found = answers.read(name)
            if name.kind == "recovery":
                said = balance.recovery(name.stream, name.analyte)
                assert found is not None and said.recovery is not None
                assert 100.0 * found.value == pytest.approx(said.recovery)
                assert 100.0 * found.sd == pytest.approx(said.sd, rel=1e-6)
            if name.kind == "grade":
                value = balance.value(name.stream, name.analyte)
                assert found is not None
                assert 100.0 * found.sd == pytest.approx(value.adjusted_sd, rel=1e-6)
