"""The test that would tell why an analyte is lost: its chance, its errors, when there is none."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from balance_cases import only_balanced
from loss_cases import (
    COARSE_RICH,
    EVEN,
    EXAMPLES,
    KG,
    MASS,
    TABLE,
    Floats,
    loss_case,
    loss_survey,
    only_loss,
)
from scipy.stats import norm

from oretally.flowsheet import (
    BalanceModel,
    parse_unit,
)
from oretally.io import read_case
from oretally.io.wording import (
    loss_readings,
)
from oretally.recon.losses.deciding_test import (
    ALPHA,
    AssayError,
    Prediction,
    chance_to_tell,
    deciding_test,
    grind_half,
    screen,
    split_finest,
    stated_assays,
    treat_again,
)
from oretally.recon.result import MOST_ASSAYS, TEST_POWER, LossCause, TestKind


@pytest.mark.parametrize(
    ("values", "sds"),
    [
        ([0.0, 1.0], [0.5, 0.5]),
        ([0.0, 1.0], [0.2, 0.6]),
        ([0.3, 0.1], [0.05, 0.10]),
        ([0.9, 0.0, -0.4], [0.3, 0.2, 0.25]),
        ([0.0, 0.1, 5.0], [0.3, 0.2, 1.0]),
        ([0.0, 0.0], [1.0, 1.0]),
    ],
)
def test_chance_to_tell_agrees_with_simulation(values: list[float], sds: list[float]) -> None:
    """Results drawn under each explanation, and held against the limits of all the others."""
    n, z = 20_000, float(norm.ppf(1.0 - ALPHA / 2.0))
    rng = np.random.default_rng(72)
    for i, chance in enumerate(chance_to_tell(values, sds, ALPHA)):
        result = rng.normal(values[i], sds[i], n)
        others = [j for j in range(len(values)) if j != i]
        told = np.all([np.abs(result - values[j]) > z * sds[j] for j in others], axis=0)
        error = max(chance * (1.0 - chance) / n, 1.0 / n**2) ** 0.5
        assert told.mean() == pytest.approx(chance, abs=4.0 * error)


GRADES: dict[TestKind, dict[LossCause, Callable[..., tuple[Any, Any]]]] = {
    TestKind.SCREEN: {
        LossCause.COARSE_UNTOUCHED: lambda x, h, w: (h, (x - w * h) / (1.0 - w)),
        LossCause.NO_SIZE: lambda x, h, w: (x, x),
        LossCause.ALL_FINE: lambda x, h, w: (0.0 * x, x / (1.0 - w)),
    },
    TestKind.GRIND_HALF: {
        LossCause.LOCKED: lambda x, R: (x, x * (1.0 - R)),
        LossCause.FREE: lambda x, R: (x * (1.0 - R), x * (1.0 - R)),
    },
    TestKind.SPLIT_FINEST: {
        LossCause.SLIMES: lambda x, near: (2.0 * x - near, near),
        LossCause.NOT_BY_SIZE: lambda x, near: (x, x),
    },
    TestKind.TREAT_AGAIN: {
        LossCause.MISSED: lambda x, R: (x, x * (1.0 - R)),
        LossCause.OUT_OF_REACH: lambda x, R: (x, x),
    },
}
"""The grades of the two parts that would be assayed, written a second time."""


MAKE: dict[TestKind, Callable[[Floats, Floats], list[Prediction]]] = {
    TestKind.SCREEN: screen, TestKind.GRIND_HALF: grind_half,
        TestKind.SPLIT_FINEST: split_finest, TestKind.TREAT_AGAIN: treat_again}  # fmt: skip


@pytest.mark.parametrize("assay", [0.03, 0.10, 0.20])
@pytest.mark.parametrize(
    ("kind", "v", "sd"),
    [
        (TestKind.SCREEN, [0.50, 0.8, 0.20], [0.010, 0.02, 0.004]),
        (TestKind.GRIND_HALF, [0.80, 0.35], [0.020, 0.010]),
        (TestKind.SPLIT_FINEST, [0.50, 0.40], [0.010, 0.012]),
        (TestKind.TREAT_AGAIN, [0.40, 0.30], [0.008, 0.010]),
    ],
)
def test_a_whole_test_agrees_with_simulation(
    kind: TestKind, v: list[float], sd: list[float], assay: float
) -> None:
    """The truth drawn from what the balance says, both parts assayed, the limits applied.

    ``assay`` is the relative error of an assay of 0.4 or more, and that of 0.4 below it.
    """
    n, z = 20_000, float(norm.ppf(1.0 - ALPHA / 2.0))
    rng = np.random.default_rng(73)
    correlation = np.full((len(v), len(v)), 0.3) + 0.7 * np.eye(len(v))
    V = correlation * np.outer(sd, sd)
    errors = AssayError(((0.4, 0.4 * assay),))
    test = deciding_test(kind, MAKE[kind](np.array(v), V), errors, unit=parse_unit("kg"))
    assert test is not None
    assert {e.explanation for e in test.expected} == set(GRADES[kind])
    truth = rng.multivariate_normal(v, V, n).T
    for each in test.expected:
        parts = GRADES[kind][each.explanation](*truth)
        nominal = GRADES[kind][each.explanation](*v)
        one, other = (
            x + rng.normal(0.0, errors.sd(float(x0)), n)
            for x, x0 in zip(parts, nominal, strict=True)
        )
        result = one - other
        assert result.mean() == pytest.approx(each.value, abs=5.0 * each.sd / n**0.5)
        assert result.std() == pytest.approx(each.sd, rel=4.0 / (2.0 * n) ** 0.5)
        told = np.all([np.abs(result - e.value) > z * e.sd for e in test.expected if e is not each],
                      axis=0)  # fmt: skip
        error = max(each.chance * (1.0 - each.chance) / n, 1.0 / n**2) ** 0.5
        assert told.mean() == pytest.approx(each.chance, abs=4.0 * error + 1e-3)
    assert test.chance == min(e.chance for e in test.expected)


def test_expectations_of_a_survey_by_hand() -> None:
    """Tails at 0.3575 %, head at 1 %; a half ground gives what the feed gave."""
    loss = only_loss(loss_case("coarse"))
    (test,) = loss.tests
    R = 1.0 - loss.percent[0] / 100.0
    locked, free = test.expected
    assert (test.kind, test.part, test.opening_um) == (TestKind.GRIND_HALF, "+300 um", 300.0)
    assert (locked.explanation, free.explanation) == (LossCause.LOCKED, LossCause.FREE)
    assert [locked.value, free.value] == pytest.approx([0.80 * R, 0.0])
    left = 0.80 * (1.0 - R)  # the nearest assay stated is of 0.30 %, with 3 %
    assert free.sd == pytest.approx(2.0**0.5 * 0.03 * 0.30 * left / 0.30, rel=1e-6)


def test_assay_errors_grow_in_proportion_and_do_not_shrink() -> None:
    errors = AssayError(((0.1, 0.01), (1.0, 0.03)))
    found = [errors.sd(x) for x in (0.0, 0.05, 0.1, 0.2, 1.0, 2.0, 0.9)]
    assert found == pytest.approx([0.01, 0.01, 0.01, 0.02, 0.03, 0.06, 0.03])
    assert np.isnan(AssayError(()).sd(1.0))


def test_assay_errors_are_those_of_the_stream_else_of_any() -> None:
    """Of whole products for a test of the whole, of classes for one of parts."""
    survey = loss_survey(COARSE_RICH)
    own = AssayError.of(
        stated_assays(BalanceModel(TABLE, survey)), 0, "tails", test=TestKind.GRIND_HALF
    ).stated
    assert sorted(x for x, _ in own) == pytest.approx(sorted(COARSE_RICH / 100.0))
    assert {round(sd / x, 9) for x, sd in own} == {0.03}
    tails = float(COARSE_RICH @ MASS / MASS.sum()) / 100.0
    for bulk in (survey, loss_survey(None)):
        (found,) = AssayError.of(
            stated_assays(BalanceModel(TABLE, bulk)), 0, "tails", test=TestKind.TREAT_AGAIN
        ).stated
        assert found == pytest.approx(
            (tails, 0.02 * tails) if bulk is survey else (0.004, 0.02 * 0.004)
        )
    (screened,) = AssayError.of(
        stated_assays(BalanceModel(TABLE, loss_survey(None))), 0, "tails", test=TestKind.SCREEN
    ).stated
    assert screened == pytest.approx((0.004, 0.02 * 0.004))  # no class was assayed
    without = replace(survey, measurements=tuple(
        m for m in survey.measurements if m.stream != "tails" or m.unit is KG))  # fmt: skip
    for kind in TestKind:
        any_stream = AssayError.of(
            stated_assays(BalanceModel(TABLE, without)), 0, "tails", test=kind
        ).stated
        assert sorted(x for x, _ in any_stream)[0] == pytest.approx(0.01)


def test_a_test_of_the_whole_has_the_error_of_assays_of_the_whole() -> None:
    """Class assays of 12 %, bulk assays of 2 %: a second treatment is assayed in bulk."""
    (test,) = only_loss(only_balanced(TABLE, loss_survey(EVEN, relative=0.12))).tests
    assert test.kind is TestKind.TREAT_AGAIN
    reach = next(e for e in test.expected if e.explanation is LossCause.OUT_OF_REACH)
    assert reach.sd == pytest.approx(2.0**0.5 * 0.02 * 0.40, rel=1e-3)


@pytest.mark.parametrize("rows", [1, 4])
def test_one_assay_has_the_error_of_one_reading(tmp_path: Path, rows: int) -> None:
    """Pooled rows make the grade surer, not one more assay; a batch is on top of each."""
    shutil.copytree(EXAMPLES / "tin_table", tmp_path / "case")
    table = tmp_path / "case" / "measurements.csv"
    head, *lines = table.read_text("utf-8").splitlines()
    lines += ["tailings,,,0.303,3"] * (rows - 1)
    numbered = [f"{line},{i}" for i, line in enumerate(lines)]
    table.write_text("\n".join([f"{head},replicate", *numbered]), "utf-8")
    one = 0.03 * 0.303
    circuit = tmp_path / "case" / "circuit.toml"
    plain = circuit.read_text("utf-8")
    for batch in (0.0, 2.0):
        if batch:
            source = f'\n[sources]\nbatch = {{ of = "Sn", relative = {batch} }}\n'
            circuit.write_text(plain + source, "utf-8")
        case = read_case(tmp_path / "case")
        m = case.survey.measured("tailings", "Sn")
        assert m is not None
        assert m.sd == pytest.approx((one**2 / rows + (0.303 * batch / 100.0) ** 2) ** 0.5)
        balance = only_balanced(case.circuit, case.survey, feed=case.feed, products=case.products)
        errors = AssayError.of(
            stated_assays(BalanceModel(case.circuit, case.survey)),
            0,
            "tailings",
            test=TestKind.SCREEN,
        )
        assert 100.0 * errors.sd(m.value_base) == pytest.approx(
            (one**2 + (0.303 * batch / 100.0) ** 2) ** 0.5
        )
        test = next(x for x in balance.losses.found if x.stream == "tailings").tests[0]
        even = next(e for e in test.expected if e.explanation is LossCause.NO_SIZE)
        assert even.sd == pytest.approx(
            2.0**0.5 * 100.0 * errors.sd(m.value_base), rel=0.02
        )  # the adjusted grade is a little off the assay


@pytest.mark.parametrize("sd", [0.05, 0.12, 0.2, 0.3])
def test_fewest_assays_are_the_fewest(sd: float) -> None:
    predictions = [
        Prediction(LossCause.LOCKED, 0.4, 0.01, (0.8, 0.4)),
        Prediction(LossCause.FREE, 0.0, 0.0, (0.4, 0.4)),
    ]
    errors = AssayError(((0.4, sd), (0.8, sd)))
    test = deciding_test(TestKind.GRIND_HALF, predictions, errors, unit=KG)
    assert test is not None and test.assays is not None

    def chance(n: int) -> float:
        spread = [(p.sd**2 + 2.0 * sd**2 / n) ** 0.5 for p in predictions]
        return min(chance_to_tell([0.4, 0.0], spread, ALPHA))

    assert chance(test.assays) >= TEST_POWER
    assert test.assays == 1 or chance(test.assays - 1) < TEST_POWER
    assert (test.assays == 1) == (test.chance >= TEST_POWER)


def test_a_test_that_cannot_tell_says_so() -> None:
    close = [Prediction(LossCause.MISSED, 0.01, 0.02, (0.4, 0.39)),
             Prediction(LossCause.OUT_OF_REACH, 0.0, 0.02, (0.4, 0.4))]  # fmt: skip
    test = deciding_test(TestKind.TREAT_AGAIN, close, AssayError(((0.4, 0.01),)), unit=KG)
    assert test is not None and test.assays is None and test.chance < 0.1
    loss = replace(only_loss(loss_case("even")), tests=(test,))
    balance = loss_case("even")
    balance = replace(balance, losses=replace(balance.losses, found=(loss,)))
    (reading,) = loss_readings(balance)
    assert reading.tests[-1].endswith(
        f"% or more (even {MOST_ASSAYS} assays of each do not make it 80 %: the explanations "
        "predict too much alike)."
    )


def test_no_prediction_and_no_stated_error_give_no_test() -> None:
    assert screen(np.array([1.1, 1.0, 0.2]), np.zeros((3, 3))) == []  # richer than the head
    assert split_finest(np.array([0.3, 0.4]), np.zeros((2, 2))) == []  # not richer than the next
    assert deciding_test(TestKind.SCREEN, [], AssayError(((0.4, 0.1),)), unit=KG) is None
    some = treat_again(np.array([0.4, 0.3]), np.eye(2) * 1e-6)
    assert deciding_test(TestKind.TREAT_AGAIN, some, AssayError(()), unit=KG) is None


def test_a_loss_too_small_for_untouched_grains_lies_in_the_coarse_part_whole() -> None:
    untouched = screen(np.array([0.05, 1.0, 0.2]), np.eye(3) * 1e-8)[0]
    assert list(untouched.grades) == pytest.approx([0.25, 0.0])
    rich = screen(np.array([0.5, 1.0, 0.2]), np.eye(3) * 1e-8)[0]
    assert list(rich.grades) == pytest.approx([1.0, 0.375])


@pytest.mark.parametrize(
    ("name", "kinds"),
    [
        ("coarse", [TestKind.GRIND_HALF]),
        ("fine", [TestKind.SPLIT_FINEST]),
        ("even", [TestKind.TREAT_AGAIN]),
        ("both", [TestKind.GRIND_HALF, TestKind.SPLIT_FINEST]),
        ("bulk", [TestKind.SCREEN]),
        ("sieved", [TestKind.SCREEN]),
    ],
)
def test_the_test_goes_with_the_pattern(name: str, kinds: list[TestKind]) -> None:
    loss = only_loss(loss_case(name))
    assert [test.kind for test in loss.tests] == kinds
    assert loss.sieved is (name != "bulk")
    shares = [e.part.of_loss[0] for e in loss.ends if e.matters and e.part.of_loss]
    if len(shares) > 1:
        assert shares[0] > shares[1]  # the greater loss has the first test


def test_a_screening_takes_the_opening_that_was_used() -> None:
    (test,) = only_loss(loss_case("sieved")).tests
    assert test.opening_um == 300.0 and test.coarse_percent == pytest.approx(18.0)
    (blind,) = only_loss(loss_case("bulk")).tests
    assert blind.opening_um is None and blind.coarse_percent == pytest.approx(20.0)
