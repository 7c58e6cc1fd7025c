"""Is a difference between tests real: rates of error, simulated."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from drawn_tests import (
    DRAWN,
    GRADE,
    GRID,
    PULL,
    REC,
    answer_row,
    draw_tests,
    drawn_survey,
    false_rate,
    quick_compare,
    sized,
)
from often import often
from scipy.stats import binom

from oretally.flowsheet import (
    Survey,
)
from oretally.io.compare.declarations import compare_declared as compare
from oretally.recon.answers import AnswerName
from oretally.recon.comparison import (
    TESTS_POWER,
    Verdict,
)
from oretally.recon.comparison.multiple_tests import WHOLE_SHARE, AnswerRow, judged_together
from oretally.recon.comparison.repeats import RepeatPlan, chance_to_decide


def test_equal_tests_are_told_apart_at_the_nominal_rate() -> None:
    """Pairs of surveys of one truth: each answer alone 5 %, any of all at most 5 %."""
    rng = np.random.default_rng(1)
    alone: dict[str, list[bool]] = {REC: [], GRADE: [], PULL: [], "grade of Sn in tails": []}
    together = []
    for a, b in zip(
        draw_tests(drawn_survey(), DRAWN, rng), draw_tests(drawn_survey(), DRAWN, rng), strict=True
    ):
        found = compare([[a], [b]])
        assert found.together == len(alone)
        for answer, hits in alone.items():
            d = answer_row(found, answer)
            hits.append(d.p < 0.05)
            assert (d.low > 0.0 or d.high < 0.0) == hits[-1]
        together.append(any(d.verdict is Verdict.REAL for d in found.differences))
    for hits in alone.values():
        false_rate(hits, 0.05)
    assert 0.02 * DRAWN < sum(together) < binom.isf(1e-4, DRAWN, 0.05)


def test_a_sized_case_keeps_the_level_over_all_its_answers() -> None:
    """Equal sieved tests: any 'real', of whole streams or of classes, no oftener than promised.

    Seen at several levels at once: a p corrected for all is below a level with at most its chance.
    """
    rng, n = np.random.default_rng(21), often(150, 0.1)
    pairs = zip(draw_tests(sized(0.25), n, rng), draw_tests(sized(0.25), n, rng), strict=True)
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
    """Four answers of whole streams and twelve by size, each by itself: draws of their p."""
    d = answer_row(
        compare(
            [
                [quick_compare("A", drawn_survey())],
                [quick_compare("B", drawn_survey(recovery=0.71))],
            ]
        )
    )
    names = [AnswerName("grade", "Sn", f"s{i}") for i in range(4)]
    names += [AnswerName("share", "Sn", "tails", f"c{i}") for i in range(12)]
    rng, hits, n = np.random.default_rng(23), [], often(2000)
    for p in rng.uniform(size=(n, 16)):
        rows = [
            AnswerRow(
                replace(d, answer=name, p_together=float(p[i])), {i: 1.0}, {}, RepeatPlan(0.0), 1.0
            )
            for i, name in enumerate(names)
        ]
        judged = judged_together(rows, 0.05, None)
        assert (judged.whole, judged.by_size) == (4, 12)
        hits.append(any(x.verdict is Verdict.REAL for x in judged.differences))
    false_rate(hits, 1.0 - (1.0 - 0.04 / 4) ** 4 * (1.0 - 0.01 / 12) ** 12)
    assert sum(hits) < binom.isf(1e-4, n, 0.05)


def test_one_kind_of_answers_has_the_whole_level() -> None:
    pair = [[quick_compare("A", sized(0.25))], [quick_compare("B", sized(0.24))]]
    sizes = [f"share of {GRID.label((c, c))} in the Sn of tails" for c in range(3)]
    only, whole = compare(pair, answers=sizes), compare(pair, answers=[REC, GRADE])
    assert (only.alpha_whole, only.alpha_by_size, only.together) == (0.0, 0.05, 0)
    assert (whole.alpha_whole, whole.alpha_by_size, whole.together_by_size) == (0.05, 0.0, 0)
    both = compare(pair, answers=[REC, GRADE, *sizes])
    assert answer_row(both).p_together == pytest.approx(
        min(answer_row(whole).p_together / WHOLE_SHARE, 1.0)
    )


def test_tests_that_are_named_are_more_than_have_just_not_decided() -> None:
    """Single tests and repeats of a difference that is seen now and then; and as one of four."""
    rng, n = np.random.default_rng(22), often(200, 0.1)
    one, other = drawn_survey(), drawn_survey(recovery=0.715)
    drawn = [draw_tests(s, n, rng) for s in (one, one, one, other, other, other)]
    near = lifted = 0
    for tests in zip(*drawn, strict=True):
        for arms, least in (([tests[:1], tests[3:4]], 3.0), ([tests[:3], tests[3:]], 1.5)):
            found = compare(arms, least=least)
            for d in found.differences:
                assert d.level == pytest.approx(0.05 / found.together)
                if d.verdict is Verdict.OPEN:
                    near += d.p_together > 0.05 > d.p
                    assert d.tests is None or d.tests > len(arms[0])
                    single = chance_to_decide(RepeatPlan(own=d.sd**2), d.size, 1, alpha=d.level)
                    lifted += len(arms[0]) == 1 and single >= TESTS_POWER
    assert near > n / 4  # alone they would have been real
    assert lifted > n / 20  # one test tells 3 points eight times in ten, but it has just not told


def test_the_number_of_tests_is_for_the_level_that_the_verdict_asks() -> None:
    """A lone answer has 5 %, one of four 1.25 %: with so many tests it is found 8 times in 10."""
    pair = [
        [quick_compare("A", drawn_survey())],
        [quick_compare("B", drawn_survey(recovery=0.711))],
    ]
    alone, together = answer_row(compare(pair, answers=[REC])), answer_row(compare(pair))
    assert (alone.level, together.level) == pytest.approx((0.05, 0.0125))
    needed = list[int]()
    for d in (alone, together):
        assert d.tests is not None
        needed.append(d.tests)
        plan = RepeatPlan(own=d.sd**2)
        fewer, enough = (
            chance_to_decide(plan, d.size, n, alpha=d.level) for n in (d.tests - 1, d.tests)
        )
        assert fewer < TESTS_POWER <= enough
    assert 2 < needed[0] < needed[1]


def test_nominal_rate_with_the_errors_of_each_survey() -> None:
    """The whole way, each survey balanced by itself with its own sds."""
    rng = np.random.default_rng(11)

    def drawn() -> Survey:
        base = drawn_survey()
        return replace(base, measurements=tuple(
            replace(m, value=m.value + m.sd * rng.standard_normal()) for m in base.measurements
        ))  # fmt: skip

    hits = []
    for _ in range(often(200, 0.15)):
        found = compare(
            [[quick_compare("A", drawn())], [quick_compare("B", drawn())]], answers=[REC, GRADE]
        )
        hits += [d.p < 0.05 for d in found.differences]
    false_rate(hits, 0.05)
