"""Which answers are compared, by which pairs, and their errors."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from balance_cases import only_balanced
from drawn_tests import (
    GRID,
    KG,
    PERCENT,
    PULL,
    REC,
    TABLE,
    answer_row,
    differences,
    draw_tests,
    drawn_survey,
    full_compare,
    quick_compare,
    sized,
    spread_of,
)
from often import often

from oretally.flowsheet import (
    Analyte,
    BalanceModel,
    Basis,
    Circuit,
    Measurement,
    Survey,
    parse_unit,
)
from oretally.io.compare.declarations import compare_declared as compare
from oretally.recon.answers import CaseAnswers
from oretally.recon.comparison import (
    Verdict,
)
from oretally.recon.comparison.repeats import quantile


def test_repeats_know_mirrored_answers_too() -> None:
    """Scatter goes to one product or the other: still one answer, counted once."""
    arms = [[quick_compare(f"{a}{i}", drawn_survey(recovery=r)) for i, r in enumerate(rs)]
            for a, rs in (("A", (0.70, 0.74, 0.71)), ("B", (0.78, 0.72, 0.76)))]  # fmt: skip
    found = compare(arms)
    assert answer_row(found).between_sd and found.together == 4
    assert {str(d.answer) for d in found.differences if d.mirror_of} == {
        "recovery of Sn to tails", "mass pull to tails",
    }  # fmt: skip


def test_inconsistent_tests_are_judged_by_larger_errors() -> None:
    off = drawn_survey(recovery=0.73)
    tails = off.measured("tails", "Sn")
    assert tails is not None
    wrong = replace(tails, value=0.45)
    bad = replace(off, measurements=tuple(wrong if m is tails else m for m in off.measurements))
    found = compare([[full_compare("A", drawn_survey())], [full_compare("B", bad)]])
    assert [t.test.consistent for t in found.tests] == [True, False]
    factor = found.tests[1].factor
    assert factor == pytest.approx(found.tests[1].test.statistic / 2) and factor > 4.0
    d = answer_row(found)
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
        for m in drawn_survey(recovery=0.72).measurements
    ]
    other = Survey(Basis.RATE, t_per_h, (Analyte("Sn", g_per_kg),), tuple(rows))
    found = compare([[full_compare("A", drawn_survey())], [full_compare("B", other, plant)]],
                    streams=["conc=heavies", "tails = lights", "feed=ore"])  # fmt: skip
    same = compare(
        [[full_compare("A", drawn_survey())], [full_compare("B", drawn_survey(recovery=0.72))]]
    )
    assert len(found.differences) == len(same.differences) == 6
    for one, two in zip(found.differences, same.differences, strict=True):
        assert one.answer == two.answer and one.unit == "%"
        assert one.difference == pytest.approx(two.difference)
        assert one.sd == pytest.approx(two.sd, rel=1e-5)
    told = compare([[full_compare("A", drawn_survey())], [full_compare("B", other, plant)]],
                   streams=["conc=heavies", "feed=ore"], common_measurements=[])  # fmt: skip
    assert {r.reason for r in told.left_out} == {"'B' has no such answer"}
    assert {r.answer.stream for r in told.left_out} == {"tails"}


def test_arms_against_the_first_or_every_pair() -> None:
    arms = [
        [quick_compare(x, drawn_survey(recovery=r))]
        for x, r in (("A", 0.7), ("B", 0.72), ("C", 0.78))
    ]
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
    found = compare(
        [[quick_compare("A", drawn_survey())], [quick_compare("B", drawn_survey(recovery=0.72))]]
    )
    mirrors = {str(d.answer): str(d.mirror_of) for d in found.differences if d.mirror_of}
    assert mirrors == {
        "recovery of Sn to tails": REC, "mass pull to tails": PULL,
    }  # fmt: skip
    assert answer_row(found, "recovery of Sn to tails").p_together == answer_row(found).p_together


def test_losses_by_size() -> None:
    """Slimes lose less tin: told in their class and not in the coarse one; sd as simulated."""
    fines, coarse = (GRID.label((c, c)) for c in (2, 0))
    lost = "recovery of Sn to tails, its {}".format
    pair = [[quick_compare("A", sized(0.25))], [quick_compare("B", sized(0.20))]]
    found = compare(pair)
    assert answer_row(found, lost(fines)).first_value == pytest.approx(100.0 * 0.25 / 2.0)
    assert answer_row(found, lost(fines)).difference == pytest.approx(-100.0 * 0.05 / 2.0)
    assert answer_row(found, lost(fines)).verdict is Verdict.REAL
    assert answer_row(found, lost(coarse)).verdict is Verdict.OPEN
    share = answer_row(found, f"share of {fines} in the Sn of tails")
    assert share.first_value == pytest.approx(100.0 * 0.25 / 0.40)
    assert share.second_value == pytest.approx(100.0 * 0.20 / 0.35)
    assert found.together_by_size > 3
    balance = only_balanced(TABLE, sized(0.25))
    row_of = next(s for s in balance.sizes.streams if s.stream == "tails").classes[2]
    assert row_of.distribution["Sn"] == pytest.approx((share.first_value, share.first_sd))
    rng = np.random.default_rng(10)
    drawn = (
        draw_tests(sized(0.25), often(150, 0.1), rng),
        draw_tests(sized(0.20), often(150, 0.1), rng),
    )
    (d,) = differences(zip(*drawn, strict=True), lost(fines))
    spread_of(d, answer_row(found, lost(fines)).sd)


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
        balance = only_balanced(made.circuit, one, feed="feed")
        answers = CaseAnswers(BalanceModel(made.circuit, one), ("feed",), balance.products)
        assert {"recovery", "grade"} <= {name.kind for name in answers.names()}
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
