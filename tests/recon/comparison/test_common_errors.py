"""What tests have in common cancels; repeats, levels and names."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_tests import (
    DRAWN,
    GRADE,
    KG,
    PERCENT,
    REC,
    answer_row,
    differences,
    draw_tests,
    drawn_survey,
    false_rate,
    full_compare,
    quick_compare,
    sampling,
    spread_of,
)

from oretally.flowsheet import (
    Analyte,
    Basis,
    InputError,
    Measurement,
    Survey,
)
from oretally.io.compare.declarations import compare_declared as compare
from oretally.recon.comparison import (
    Comparison,
    Verdict,
)
from oretally.recon.comparison.repeats import RepeatPlan, chance_to_decide


def test_real_difference_is_found_as_often_as_said() -> None:
    """The chance to tell with one test each, from the sds that a comparison states."""
    rng = np.random.default_rng(2)
    d = answer_row(
        compare(
            [
                [quick_compare("A", drawn_survey())],
                [quick_compare("B", drawn_survey(recovery=0.72))],
            ],
            answers=[REC],
        )
    )
    said = chance_to_decide(RepeatPlan(own=d.sd**2), 2.0, 1, alpha=0.05)
    assert 0.3 < said < 0.95
    pairs = zip(
        draw_tests(drawn_survey(), DRAWN, rng),
        draw_tests(drawn_survey(recovery=0.72), DRAWN, rng),
        strict=True,
    )
    false_rate([first(compare([[a], [b]], answers=[REC])) is Verdict.REAL for a, b in pairs], said)


def first(found: Comparison) -> Verdict:
    return found.differences[0].verdict


def test_a_common_batch_cancels_as_far_as_it_is_common() -> None:
    """sd of the difference as simulated; ignored, it would be far too large."""
    rng = np.random.default_rng(3)
    base = drawn_survey(batch=0.04, relative=0.01, feed=0.2)
    u = rng.standard_normal(DRAWN)
    pairs = zip(draw_tests(base, DRAWN, rng, u=u), draw_tests(base, DRAWN, rng, u=u), strict=True)
    grade, recovery = differences(pairs, GRADE, REC)
    two = [[quick_compare(x, base)] for x in "AB"]
    told, not_told = compare(two, common=["batch"]), compare(two)
    spread_of(grade, answer_row(told, GRADE).sd)
    spread_of(recovery, answer_row(told, REC).sd)
    assert answer_row(not_told, GRADE).sd == pytest.approx(answer_row(told, GRADE).apart_sd)
    assert answer_row(not_told, GRADE).sd > 1.5 * np.std(grade)
    assert not_told.common.undeclared_sources() == ["batch"]
    assert told.common.undeclared_sources() == []


def test_batches_apart_do_not_cancel() -> None:
    """The same name, but another batch in each test: the sd without declaring it is right."""
    rng = np.random.default_rng(4)
    base = drawn_survey(batch=0.04, relative=0.01, feed=0.2)
    one, other = (draw_tests(base, DRAWN, rng, u=rng.standard_normal(DRAWN)) for _ in "AB")
    (grade,) = differences(zip(one, other, strict=True), GRADE)
    two = [[quick_compare(x, base)] for x in "AB"]
    spread_of(grade, answer_row(compare(two), GRADE).sd)
    assert answer_row(compare(two, common=["batch"]), GRADE).sd < (1.0 - sampling(grade)) * np.std(
        grade
    )


def test_one_feed_assay_for_both_tests() -> None:
    """One reading in both: sd as simulated when told, wrong when not."""
    rng = np.random.default_rng(5)
    base = drawn_survey(relative=0.04, feed=0.03)
    given = {("feed", "Sn"): rng.standard_normal(DRAWN)}
    pairs = zip(
        draw_tests(base, DRAWN, rng, given=given),
        draw_tests(base, DRAWN, rng, given=given),
        strict=True,
    )
    (grade,) = differences(pairs, GRADE)
    two = [[quick_compare(x, base)] for x in "AB"]
    told = answer_row(compare(two, common_measurements=["feed:Sn"]), GRADE)
    spread_of(grade, told.sd)
    assert told.apart_sd == pytest.approx(answer_row(compare(two), GRADE).sd)
    assert told.apart_sd / np.std(grade) > 1.0 + sampling(grade)
    other = [
        [quick_compare("A", base)],
        [quick_compare("B", drawn_survey(recovery=0.71, relative=0.04, feed=0.03))],
    ]
    assert ("feed", "Sn") in compare(other).common.undeclared_measurements()


def test_covariance_by_hand() -> None:
    """Without redundancy the recovery is (mass x grade) / (mass x grade): Cov by the formula."""
    named = Survey(Basis.BATCH, KG, (Analyte("Sn", PERCENT),), (
        Measurement("feed", "dry mass", 25.0, KG, 0.1),
        Measurement("conc", "dry mass", 0.5, KG, 0.01),
        Measurement("feed", "Sn", 1.0, PERCENT, 0.03),
        Measurement("conc", "Sn", 35.0, PERCENT, 0.5),
    ))  # fmt: skip
    pair = [[quick_compare("A", named)], [quick_compare("B", replace(named, title="other"))]]
    apart, told = (
        answer_row(compare(pair, common_measurements=given)) for given in ((), ("feed:Sn",))
    )
    relative = [0.1 / 25.0, 0.01 / 0.5, 0.03, 0.5 / 35.0]
    one = 70.0**2 * sum(r * r for r in relative)
    assert apart.sd**2 == pytest.approx(2.0 * one)
    assert told.sd**2 == pytest.approx(2.0 * (one - (70.0 * 0.03) ** 2))
    assert told.apart_sd == pytest.approx(apart.sd)


def test_everything_common_leaves_no_difference() -> None:
    pair = [[quick_compare(x, drawn_survey())] for x in "AB"]
    names = [f"{m.stream}:{m.quantity}" for m in drawn_survey().measurements]
    found = compare(pair, common_measurements=names[:-1])
    assert answer_row(found).sd < 0.8 * answer_row(found).apart_sd
    with pytest.raises(InputError, match="no error is left"):
        compare(pair, common_measurements=names)


def test_repeats_with_scatter_keep_the_nominal_rate() -> None:
    """Three tests of each, scattered beyond their errors: t keeps 5 %, single tests do not."""
    rng = np.random.default_rng(6)
    tin = 0.25 * 0.03 * rng.standard_normal((6, DRAWN))  # kg that goes to one product or the other
    drawn = [
        draw_tests(drawn_survey(), DRAWN, rng,
                   off={("conc", "Sn"): t / 0.5, ("tails", "Sn"): -t / 24.5})
        for t in tin
    ]  # fmt: skip
    real, single = [], []
    for tests in zip(*drawn, strict=True):
        d = compare([tests[:3], tests[3:]], answers=[REC]).differences[0]
        assert d.dof == 4.0 and d.between_sd is not None
        real.append(d.verdict is Verdict.REAL)
        single.append(first(compare([tests[:1], tests[3:4]], answers=[REC])) is Verdict.REAL)
    false_rate(real, 0.05)
    assert sum(single) > 0.5 * DRAWN


def test_repeats_without_scatter_are_no_worse() -> None:
    """Scatter as stated: below 5 %, for both stated errors and scatter must tell."""
    rng = np.random.default_rng(12)
    drawn = [draw_tests(drawn_survey(), DRAWN, rng) for _ in range(6)]
    real = [
        first(compare([tests[:3], tests[3:]], answers=[REC])) is Verdict.REAL
        for tests in zip(*drawn, strict=True)
    ]
    said = chance_to_decide(RepeatPlan(own=1.0), 0.0, 3, alpha=0.05)
    assert 0.01 < said < 0.05
    false_rate(real, said)


def test_least_difference_that_matters() -> None:
    near = compare(
        [[quick_compare("A", drawn_survey())], [quick_compare("B", drawn_survey(recovery=0.701))]],
        least=5.0,
    )
    d = answer_row(near)
    assert d.verdict is Verdict.SMALL and -5.0 < d.low < d.high < 5.0
    assert answer_row(near, GRADE).verdict is Verdict.OPEN
    assert answer_row(near, GRADE).size == pytest.approx(abs(answer_row(near, GRADE).difference))
    assert d.size == 5.0
    close = answer_row(
        compare(
            [
                [quick_compare("A", drawn_survey())],
                [quick_compare("B", drawn_survey(recovery=0.701))],
            ],
            least=0.5,
        )
    )
    assert close.verdict is Verdict.OPEN and close.tests is not None and close.tests > 5


def test_what_is_real_may_be_smaller_than_what_matters() -> None:
    pair = [[quick_compare("A", drawn_survey())], [quick_compare("B", drawn_survey(recovery=0.73))]]
    for least, verdict in ((None, Verdict.REAL), (2.5, Verdict.REAL), (6.0, Verdict.SLIGHT)):
        found = compare(pair, least=least)
        assert answer_row(found).verdict is verdict and answer_row(found).real
        if verdict is Verdict.SLIGHT:
            assert (
                least is not None
                and -least < answer_row(found).low < answer_row(found).high < least
            )
        assert answer_row(found, "grade of Sn in tails").verdict is Verdict.REAL  # points of what?


def test_what_is_common_is_not_scaled_up_with_a_test() -> None:
    """A test whose numbers disagree: its own errors grow, a batch that both had still cancels."""
    base = drawn_survey(batch=0.04, relative=0.01, feed=0.2)
    feed = base.measured("feed", "dry mass")
    assert feed is not None
    wrong = replace(feed, value=26.0)
    off = replace(base, measurements=tuple(wrong if m is feed else m for m in base.measurements))
    pair = [[full_compare("A", base)], [full_compare("B", off)]]
    told, not_told = (answer_row(compare(pair, common=given), GRADE) for given in (("batch",), ()))
    factor = compare(pair).tests[1].factor
    assert factor > 4.0 and told.scaled_sd is not None and not_told.scaled_sd is not None

    def parts(one: Survey) -> tuple[float, float]:
        """Return the variance that a test has by itself, and what one sd of the batch does."""
        found = quick_compare("", one).answers.read(told.answer)
        assert found is not None
        batch = sum(100.0 * m for place, m in found.slopes.items() if place.kind == "source")
        return (100.0 * found.sd) ** 2 - batch**2, batch

    (own, batch), (other_own, other_batch) = parts(base), parts(off)
    assert batch == pytest.approx(other_batch, rel=0.1) and batch**2 > 4.0 * own
    assert told.scaled_sd**2 == pytest.approx(
        own + factor * other_own + (other_batch - batch) ** 2, rel=1e-6
    )
    assert not_told.scaled_sd**2 == pytest.approx(
        own + batch**2 + factor * (other_own + other_batch**2), rel=1e-6
    )
