"""Where metal is lost: by hand, against simulation, in words and tables.

All data are invented: a shaking table, a float cell and a leach with round numbers.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import jsonschema
import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.stats import norm

from oretally.flowsheet import (
    Analyte,
    BalanceModel,
    Basis,
    Circuit,
    Dimension,
    InputError,
    Measurement,
    Survey,
    balance_problem,
    parse_unit,
    positions,
)
from oretally.flowsheet.survey import SizeGrid, class_grade, class_share
from oretally.io import read_case
from oretally.io.forms import make_case
from oretally.io.pictures import grade_recovery_svg
from oretally.io.results import html_report, summary, to_json, xlsx_bytes
from oretally.io.results.document import balance_schema
from oretally.io.results.pdf_pages import pages
from oretally.io.wording import (
    LOSS_HEADING,
    curve_tables,
    expectation_table,
    loss_meaning,
    loss_readings,
    loss_tables,
    size_recovery_tables,
)
from oretally.recon import Balance, reconcile
from oretally.recon.losses import MOST_ASSAYS, POWER, richer_between
from oretally.recon.losses.deciding_test import (
    ALPHA,
    AssayError,
    Prediction,
    chance_to_tell,
    deciding_test,
    grind_half,
    screen,
    split_finest,
    treat_again,
)
from oretally.recon.losses.losses import MUCH_SHARE
from oretally.recon.propagation import sidak_limit
from oretally.recon.result import End, Loss, LossCause, Standing, TestKind
from oretally.recon.solver.prepared import Prepared

Floats = NDArray[np.float64]
KG, PERCENT, GPT = parse_unit("kg"), parse_unit("%"), parse_unit("g/t")
SHARE = parse_unit("%", Dimension.SHARE)
EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
TABLE = Circuit.build({"feed": (None, "table"), "conc": ("table", None), "tails": ("table", None)})
GRID = SizeGrid((300.0, 150.0, 75.0, 38.0))
MASS = np.array([18.0, 27.0, 25.0, 15.0, 15.0])  # of the tails, kg
COARSE_RICH = np.array([0.80, 0.30, 0.13, 0.24, 0.30])
FINE_RICH = np.array([0.20, 0.15, 0.13, 0.24, 0.92])
BOTH_RICH = np.array([0.80, 0.30, 0.13, 0.24, 0.92])
EVEN = np.full(5, 0.40)


def _survey(
    grades: Floats | None, *, mass: Floats = MASS, head: float = 1.0, relative: float = 0.03,
    sieved: bool = True, sizes: SizeGrid = GRID,
) -> Survey:  # fmt: skip
    """Return a table whose tails weigh 100 kg, measured without error; of 102 kg of feed."""
    x = EVEN if grades is None else grades
    tails = float(x @ mass / mass.sum())
    conc = (102.0 * head - 100.0 * tails) / 2.0
    found = []
    for name, weight, grade in (
        ("feed", 102.0, head), ("conc", 2.0, conc), ("tails", 100.0, tails),
    ):  # fmt: skip
        found += [Measurement(name, "dry mass", weight, KG, 0.005 * weight),
                  Measurement(name, "Sn", grade, PERCENT, 0.02 * grade)]  # fmt: skip
    for c in range(sizes.n_classes if sieved else 0):
        label, share = sizes.label((c, c)), float(100.0 * mass[c] / mass.sum())
        found.append(Measurement("tails", class_share(label), share, SHARE, 0.01 * share + 0.2))
        if grades is not None:
            sd = relative * float(grades[c])
            found.append(
                Measurement("tails", class_grade("Sn", label), float(grades[c]), PERCENT, sd)
            )
    return Survey(Basis.BATCH, KG, (Analyte("Sn", PERCENT),), tuple(found), "Invented: a table",
                  sizes=sizes if sieved else SizeGrid())  # fmt: skip


@cache
def _case(name: str) -> Balance:
    made = {
        "coarse": lambda: _survey(COARSE_RICH),
        "fine": lambda: _survey(FINE_RICH),
        "both": lambda: _survey(BOTH_RICH),
        "even": lambda: _survey(EVEN),
        "bulk": lambda: _survey(None, sieved=False),
        "sieved": lambda: _survey(None),
    }
    return reconcile(TABLE, made[name]())


@cache
def _example(name: str) -> Balance:
    case = read_case(EXAMPLES / name)
    return reconcile(case.circuit, case.survey, feed=case.feed, products=case.products,
                     lost=case.lost or None)  # fmt: skip


def _loss(balance: Balance, analyte: str = "Sn") -> Loss:
    (found,) = (x for x in balance.losses.found if x.analyte == analyte)
    return found


# ---- the distribution of the loss


def test_a_loss_by_hand() -> None:
    """Tails of 100 kg with the metal of each class in kg, over 102 kg of feed at 1 %."""
    loss = _loss(_case("coarse"))
    assert (loss.stream, loss.analyte, loss.unit, loss.of) == ("tails", "Sn", "%", "feed")
    assert loss.kept == ("conc",)
    metal = MASS * COARSE_RICH / 100.0
    whole = float(metal.sum())
    assert loss.percent[0] == pytest.approx(100.0 * whole / 1.02)
    assert loss.grade is not None and loss.grade[0] == pytest.approx(whole)
    assert [p.label for p in loss.parts] == ["+300 um", "-300+150 um", "-150+75 um", "-75+38 um",
                                             "-38 um"]  # fmt: skip
    for c, part in enumerate(loss.parts):
        found = (part.solids, part.grade, part.of_loss, part.of_feed, part.against_loss,
                 part.against_head)  # fmt: skip
        told = [pair[0] for pair in found if pair is not None]
        assert told == pytest.approx([
            MASS[c], COARSE_RICH[c], 100.0 * metal[c] / whole, 100.0 * metal[c] / 1.02,
            COARSE_RICH[c] / whole, COARSE_RICH[c],
        ])  # fmt: skip
    coarse, fine = loss.ends
    assert (coarse.end, coarse.part.label) == (End.COARSE, "+300 um")  # 18 % is nearest to 20 %
    assert (fine.end, fine.part.label) == (End.FINE, "-38 um")
    assert coarse.against_loss is Standing.RICHER and coarse.against_head is Standing.POORER
    assert coarse.matters and not fine.matters


def test_the_coarse_end_may_be_several_classes() -> None:
    mass = np.array([4.0, 17.0, 40.0, 24.0, 15.0])
    loss = _loss(reconcile(TABLE, _survey(COARSE_RICH, mass=mass)))
    coarse = loss.ends[0].part
    assert coarse.label == "+150 um"  # 4 % and 21 %: the second is nearer to a fifth
    assert coarse.grade is not None
    assert coarse.grade[0] == pytest.approx((4.0 * 0.80 + 17.0 * 0.30) / 21.0)


def test_sds_of_a_loss_agree_with_simulation() -> None:
    """600 surveys drawn with the stated errors: the sd of an sd is 1/sqrt(1198), 2.9 %."""
    survey = _survey(BOTH_RICH)
    problem, n = balance_problem(TABLE, survey), 600
    rng = np.random.default_rng(70)

    def drawn(value: Floats, sd: Floats) -> Floats:
        noise = rng.standard_normal((n, *value.shape))
        return np.asarray(value + np.where(np.isfinite(sd), sd, 0.0) * noise)

    many = Prepared(problem).solve_many(
        drawn(problem.flow, problem.flow_sd), drawn(problem.grade, problem.grade_sd)
    )
    assert many.converged.all()
    first = positions(TABLE, survey).carriers.classes[2]
    F, x = many.flow, many.grade[:, 0]
    metal = F[:, first : first + 5] * x[:, first : first + 5]
    feed, whole = F[:, 0] * x[:, 0], F[:, 2] * x[:, 2]
    parts = _loss(_case("both")).parts
    for c in (0, 2, 4):
        pairs = (parts[c].of_loss, parts[c].of_feed, parts[c].against_loss, parts[c].against_head)
        simulated = (100.0 * metal[:, c] / whole, 100.0 * metal[:, c] / feed,
                     x[:, first + c] / x[:, 2], x[:, first + c] / x[:, 0])  # fmt: skip
        for pair, found in zip(pairs, simulated, strict=True):
            assert pair is not None
            assert found.std(ddof=1) == pytest.approx(pair[1], rel=4.0 * 0.029)
            assert found.mean() == pytest.approx(pair[0], abs=5.0 * pair[1] / n**0.5)


def test_an_end_is_called_richer_no_oftener_than_said() -> None:
    """Tails of one grade throughout: an end stands out, either way, in 5 % of surveys."""
    survey, n = _survey(EVEN), 1000
    problem = balance_problem(TABLE, survey)
    rng = np.random.default_rng(71)

    def drawn(value: Floats, sd: Floats) -> Floats:
        noise = rng.standard_normal((n, *value.shape))
        return np.asarray(value + np.where(np.isfinite(sd), sd, 0.0) * noise)

    many = Prepared(problem).solve_many(
        drawn(problem.flow, problem.flow_sd), drawn(problem.grade, problem.grade_sd)
    )
    first = positions(TABLE, survey).carriers.classes[2]
    parts, limit = _loss(_case("even")).parts, sidak_limit(ALPHA, 2)
    out = np.zeros(n, bool)
    for c in (0, 4):
        pair = parts[c].against_loss
        assert pair is not None
        out |= np.abs(many.grade[:, 0, first + c] / many.grade[:, 0, 2] - 1.0) > limit * pair[1]
    assert out.mean() == pytest.approx(ALPHA, abs=4.0 * (ALPHA * (1.0 - ALPHA) / n) ** 0.5)


# ---- the chance to tell


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
    test = deciding_test(kind, MAKE[kind](np.array(v), V), errors, parse_unit("kg"))
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
    loss = _loss(_case("coarse"))
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
    survey = _survey(COARSE_RICH)
    own = AssayError.of(BalanceModel(TABLE, survey), 0, "tails", TestKind.GRIND_HALF).stated
    assert sorted(x for x, _ in own) == pytest.approx(sorted(COARSE_RICH / 100.0))
    assert {round(sd / x, 9) for x, sd in own} == {0.03}
    tails = float(COARSE_RICH @ MASS / MASS.sum()) / 100.0
    for bulk in (survey, _survey(None)):
        (found,) = AssayError.of(BalanceModel(TABLE, bulk), 0, "tails", TestKind.TREAT_AGAIN).stated
        assert found == pytest.approx(
            (tails, 0.02 * tails) if bulk is survey else (0.004, 0.02 * 0.004)
        )
    (screened,) = AssayError.of(
        BalanceModel(TABLE, _survey(None)), 0, "tails", TestKind.SCREEN
    ).stated
    assert screened == pytest.approx((0.004, 0.02 * 0.004))  # no class was assayed
    without = replace(survey, measurements=tuple(
        m for m in survey.measurements if m.stream != "tails" or m.unit is KG))  # fmt: skip
    for kind in TestKind:
        any_stream = AssayError.of(BalanceModel(TABLE, without), 0, "tails", kind).stated
        assert sorted(x for x, _ in any_stream)[0] == pytest.approx(0.01)


def test_a_test_of_the_whole_has_the_error_of_assays_of_the_whole() -> None:
    """Class assays of 12 %, bulk assays of 2 %: a second treatment is assayed in bulk."""
    (test,) = _loss(reconcile(TABLE, _survey(EVEN, relative=0.12))).tests
    assert test.kind is TestKind.TREAT_AGAIN
    reach = next(e for e in test.expected if e.explanation is LossCause.OUT_OF_REACH)
    assert reach.sd == pytest.approx(2.0**0.5 * 0.02 * 0.40, rel=1e-3)


@pytest.mark.parametrize("rows", [1, 4])
def test_one_assay_has_the_error_of_one_reading(tmp_path: Path, rows: int) -> None:
    """Pooled rows make the grade surer, not one more assay; a batch is on top of each."""
    shutil.copytree(EXAMPLES / "tin_table", tmp_path / "case")
    table = tmp_path / "case" / "measurements.csv"
    table.write_text(table.read_text("utf-8").rstrip() + "\n"
                     + "tailings,,,0.303,3\n" * (rows - 1), "utf-8")  # fmt: skip
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
        balance = reconcile(case.circuit, case.survey, feed=case.feed, products=case.products)
        errors = AssayError.of(
            BalanceModel(case.circuit, case.survey), 0, "tailings", TestKind.SCREEN
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
    test = deciding_test(TestKind.GRIND_HALF, predictions, errors, KG)
    assert test is not None and test.assays is not None

    def chance(n: int) -> float:
        spread = [(p.sd**2 + 2.0 * sd**2 / n) ** 0.5 for p in predictions]
        return min(chance_to_tell([0.4, 0.0], spread, ALPHA))

    assert chance(test.assays) >= POWER
    assert test.assays == 1 or chance(test.assays - 1) < POWER
    assert (test.assays == 1) == (test.chance >= POWER)


def test_a_test_that_cannot_tell_says_so() -> None:
    close = [Prediction(LossCause.MISSED, 0.01, 0.02, (0.4, 0.39)),
             Prediction(LossCause.OUT_OF_REACH, 0.0, 0.02, (0.4, 0.4))]  # fmt: skip
    test = deciding_test(TestKind.TREAT_AGAIN, close, AssayError(((0.4, 0.01),)), KG)
    assert test is not None and test.assays is None and test.chance < 0.1
    loss = replace(_loss(_case("even")), tests=(test,))
    balance = _case("even")
    balance = replace(balance, losses=replace(balance.losses, found=(loss,)))
    (reading,) = loss_readings(balance)
    assert reading.tests[-1].endswith(
        f"% or more (even {MOST_ASSAYS} assays of each do not make it 80 %: the explanations "
        "predict too much alike)."
    )


def test_no_prediction_and_no_stated_error_give_no_test() -> None:
    assert screen(np.array([1.1, 1.0, 0.2]), np.zeros((3, 3))) == []  # richer than the head
    assert split_finest(np.array([0.3, 0.4]), np.zeros((2, 2))) == []  # not richer than the next
    assert deciding_test(TestKind.SCREEN, [], AssayError(((0.4, 0.1),)), KG) is None
    some = treat_again(np.array([0.4, 0.3]), np.eye(2) * 1e-6)
    assert deciding_test(TestKind.TREAT_AGAIN, some, AssayError(()), KG) is None


def test_a_loss_too_small_for_untouched_grains_lies_in_the_coarse_part_whole() -> None:
    untouched = screen(np.array([0.05, 1.0, 0.2]), np.eye(3) * 1e-8)[0]
    assert list(untouched.grades) == pytest.approx([0.25, 0.0])
    rich = screen(np.array([0.5, 1.0, 0.2]), np.eye(3) * 1e-8)[0]
    assert list(rich.grades) == pytest.approx([1.0, 0.375])


# ---- which test is proposed


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
    loss = _loss(_case(name))
    assert [test.kind for test in loss.tests] == kinds
    assert loss.sieved is (name != "bulk")
    shares = [e.part.of_loss[0] for e in loss.ends if e.matters and e.part.of_loss]
    if len(shares) > 1:
        assert shares[0] > shares[1]  # the greater loss has the first test


def test_a_screening_takes_the_opening_that_was_used() -> None:
    (test,) = _loss(_case("sieved")).tests
    assert test.opening_um == 300.0 and test.coarse_percent == pytest.approx(18.0)
    (blind,) = _loss(_case("bulk")).tests
    assert blind.opening_um is None and blind.coarse_percent == pytest.approx(20.0)


def test_a_coarser_stack_is_read_in_its_runs() -> None:
    """The feed has a sieve more than the tails: their run of two classes is one part."""
    grid = SizeGrid((300.0, 150.0, 75.0), ((1, 2),))
    survey = _survey(None, sieved=False)
    found = list(survey.measurements)
    for run, share, grade in (((0, 0), 20.0, 0.8), ((1, 2), 50.0, 0.2), ((3, 3), 30.0, 0.4667)):
        label = grid.label(run)
        found += [Measurement("tails", class_share(label), share, SHARE, 0.5),
                  Measurement("tails", class_grade("Sn", label), grade, PERCENT, 0.01)]  # fmt: skip
    loss = _loss(reconcile(TABLE, replace(survey, measurements=tuple(found), sizes=grid)))
    assert [p.label for p in loss.parts] == ["+300 um", "-300+75 um", "-75 um"]
    assert [p.grade[0] for p in loss.parts if p.grade] == pytest.approx(
        [0.8, 0.2, 0.4667], abs=0.01
    )
    assert sum(p.of_loss[0] for p in loss.parts if p.of_loss) == pytest.approx(100.0)


# ---- what counts as lost


def _plant(analytes: Sequence[tuple[str, tuple[float, ...]]]) -> tuple[Circuit, Survey]:
    """Return a circuit with three products of 2, 18 and 80 kg, and grades of its analytes."""
    circuit = Circuit.build({"ore": (None, "jig"), "conc": ("jig", None), "mids": ("jig", None),
                             "tails": ("jig", None)})  # fmt: skip
    masses = {"ore": 100.0, "conc": 2.0, "mids": 18.0, "tails": 80.0}
    found = [Measurement(s, "dry mass", w, KG, 0.004 * w) for s, w in masses.items()]
    for name, grades in analytes:
        head = float(np.array([0.02, 0.18, 0.80]) @ np.array(grades))
        for s, x in zip(masses, (head, *grades), strict=True):
            found.append(Measurement(s, name, x, PERCENT, 0.02 * x))
    named = tuple(Analyte(name, PERCENT) for name, _ in analytes)
    return circuit, Survey(Basis.BATCH, KG, named, tuple(found), "Invented: a jig")


def test_all_but_the_richest_is_lost_and_what_is_not_enriched_is_not_read() -> None:
    balance = reconcile(*_plant([("Pb", (40.0, 3.0, 0.5)), ("SiO2", (20.0, 60.0, 70.0))]))
    losses = balance.losses
    assert [(x.stream, x.analyte, x.kept) for x in losses.found] == [
        ("mids", "Pb", ("conc",)), ("tails", "Pb", ("conc",)),
    ]  # fmt: skip
    assert losses.not_read == ("SiO2",)
    assert "Not read: SiO2, as no product has 1.2 times the grade of the feed." in loss_meaning(
        balance
    )
    mids = next(r for r in loss_readings(balance) if r.stream == "mids")
    assert mids.sentences[-1].startswith("It is richer in Pb than the feed")
    assert mids.tests == ()


def test_lost_products_may_be_named() -> None:
    circuit, survey = _plant([("Pb", (40.0, 3.0, 0.5)), ("SiO2", (20.0, 60.0, 70.0))])
    losses = reconcile(circuit, survey, lost=["tails"]).losses
    assert [(x.stream, x.analyte, x.kept) for x in losses.found] == [
        ("tails", "Pb", ("conc", "mids"))
    ]


def test_a_case_may_name_them_as_folder_and_as_workbook(tmp_path: Path) -> None:
    case = read_case(EXAMPLES / "tails_by_size")
    assert case.lost == ("tailings",)
    balance = _example("tails_by_size")
    (loss,) = balance.losses.found
    assert (loss.stream, loss.kept) == ("tailings", ("concentrate", "middlings"))
    (tmp_path / "result.xlsx").write_bytes(xlsx_bytes(balance))
    make_case(tmp_path / "copy.xlsx", "tails_by_size")
    assert {read_case(tmp_path / name).lost for name in ("result.xlsx", "copy.xlsx")} == {
        ("tailings",)
    }


def test_what_is_rich_in_the_tailings_is_not_read_if_they_are_lost() -> None:
    """Unless said otherwise the tailings, richest in As, count as what is kept of it."""
    circuit, survey = _plant([("Pb", (40.0, 3.0, 0.5)), ("As", (0.1, 0.1, 0.9))])
    balance = reconcile(circuit, survey)
    assert {x.kept for x in balance.losses.found if x.analyte == "As"} == {("tails",)}
    assert '[report] lost = ["..."]' in loss_meaning(balance)
    balance = reconcile(circuit, survey, lost=["tails"])
    assert balance.losses.not_read == ("As",)
    assert "Not read: As, as what is kept is no richer in it than what is lost." in loss_meaning(
        balance
    )


@pytest.mark.parametrize(
    ("lost", "problem", "mend"),
    [
        (["tail"], "'tail' is given as lost, but is no product.", "Did you mean 'tails'?"),
        (["zzz"], "'zzz' is given as lost, but is no product.", "Products: conc, mids, tails."),
        (["conc", "mids", "tails"], "Every product is given as lost.",
         "Leave out those that are kept."),
    ],
)  # fmt: skip
def test_names_of_lost_products_are_checked(lost: list[str], problem: str, mend: str) -> None:
    circuit, survey = _plant([("Pb", (40.0, 3.0, 0.5))])
    with pytest.raises(InputError) as caught:
        reconcile(circuit, survey, lost=lost)
    (fault,) = caught.value.faults
    assert (fault.problem, fault.mend) == (problem, mend)


def test_of_a_leach_the_solution_is_kept() -> None:
    loss = _loss(_example("leach_test"), "Au")
    assert (loss.stream, loss.kept) == ("tails", ("pregnant solution",))


def test_one_product_loses_nothing() -> None:
    balance = _example("grinding_by_size")
    assert balance.losses.found == () and loss_readings(balance) == ()
    assert "Where the metal is lost" not in summary(balance)


@pytest.mark.parametrize("lost", [["conc"], None])
def test_nothing_read_is_said_and_why(lost: list[str] | None) -> None:
    """What is rich is called lost, or nothing is enriched: the section says so, everywhere."""
    grades = (40.0, 3.0, 0.5) if lost else (1.1, 1.0, 1.0)
    circuit, survey = _plant([("Pb", grades)])
    balance = reconcile(circuit, survey, lost=lost)
    assert balance.losses.found == () and loss_readings(balance) == ()
    said = "Not read: Pb, as what is kept is no richer in it than what is lost."
    if lost is None:
        said = "Not read: Pb, as no product has 1.2 times the grade of the feed."
    assert loss_meaning(balance) == said
    printed = [b for part in pages(balance, (), None)["parts"] for b in part["blocks"]]
    at = printed.index({"kind": "heading", "text": LOSS_HEADING})
    assert printed[at + 1]["texts"] == (said,)
    for text in (_flat(summary(balance)), _flat(html_report(balance))):
        assert LOSS_HEADING in text and said in text


def test_where_there_is_nothing_to_read_nothing_is_said() -> None:
    circuit, survey = _plant([])
    one_product = Circuit.build({"in": (None, "box"), "out": ("box", None)})
    weighed = tuple(Measurement(s, "dry mass", 5.0, KG, 0.1) for s in ("in", "out"))
    assayed = tuple(Measurement(s, "Pb", 1.0, PERCENT, 0.1) for s in ("in", "out"))
    one = Survey(Basis.BATCH, KG, (Analyte("Pb", PERCENT),), weighed + assayed)
    for balance in (reconcile(circuit, survey), reconcile(one_product, one)):
        assert loss_meaning(balance) == ""
        for text in (summary(balance), html_report(balance), str(pages(balance, (), None))):
            assert LOSS_HEADING not in text


def test_a_declared_loss_is_no_product_to_test() -> None:
    assert {x.stream for x in _example("month_with_stockpile").losses.found} == {"tailings"}


# ---- grade and recovery, recovery by size


def test_grade_and_recovery_by_hand() -> None:
    balance = reconcile(*_plant([("Pb", (40.0, 3.0, 0.5)), ("SiO2", (20.0, 60.0, 70.0))]))
    (curve,) = balance.losses.curves
    assert (curve.analyte, curve.of) == ("Pb", "ore")
    assert [p.stream for p in curve.points] == ["conc", "mids", "tails"]
    metal = np.cumsum([0.8, 0.54, 0.4])
    for p, m, w in zip(curve.points, metal, (2.0, 20.0, 100.0), strict=True):
        assert (p.mass_pull[0], p.grade[0], p.recovery[0]) == pytest.approx(
            (w, 100.0 * m / w, 100.0 * m / 1.74)
        )
    # with all products together nothing is uncertain but the grade; without the last as much as it
    assert curve.points[2].recovery == pytest.approx((100.0, 0.0), abs=1e-6)
    tails = balance.recovery("tails", "Pb")
    assert curve.points[1].recovery[1] == pytest.approx(tails.sd)
    assert curve.points[0].recovery == pytest.approx(
        (balance.recovery("conc", "Pb").recovery, balance.recovery("conc", "Pb").sd)
    )
    head = balance.value("ore", "Pb")
    assert curve.points[2].grade == pytest.approx((head.adjusted, head.adjusted_sd))
    (table,) = curve_tables(balance)
    assert [row[0] for row in table.rows] == ["conc", "+ mids", "+ tails"]
    root = ElementTree.fromstring(grade_recovery_svg(curve))  # noqa: S314 our own
    assert root.find("{http://www.w3.org/2000/svg}title") is not None
    assert "+ mids" in grade_recovery_svg(curve)


def test_two_products_have_no_curve() -> None:
    assert _case("bulk").losses.curves == ()
    assert _example("leach_test").losses.curves == ()


def _cell() -> Balance:
    """Return a float cell of which both products were sieved and assayed by size."""
    circuit = Circuit.build({"in": (None, "cell"), "froth": ("cell", None), "sink": ("cell", None)})
    grid = SizeGrid((150.0, 38.0))
    froth, sink = np.array([1.0, 5.0, 4.0]), np.array([39.0, 25.0, 26.0])
    froth_pb, sink_pb = np.array([0.3, 3.0, 1.2]), np.array([0.7, 0.2, 0.8])
    streams = {"in": (froth + sink, froth_pb + sink_pb), "froth": (froth, froth_pb),
               "sink": (sink, sink_pb)}  # fmt: skip
    found = []
    for name, (flow, metal) in streams.items():
        w, m = float(flow.sum()), float(metal.sum())
        found += [Measurement(name, "dry mass", w, KG, 0.005 * w),
                  Measurement(name, "Pb", 100.0 * m / w, PERCENT, 2.0 * m / w)]  # fmt: skip
        for c in range(3):
            label = grid.label((c, c))
            share, x = float(100.0 * flow[c] / w), float(100.0 * metal[c] / flow[c])
            found.append(Measurement(name, class_share(label), share, SHARE, 0.02 * share + 0.1))
            found.append(Measurement(name, class_grade("Pb", label), x, PERCENT, 0.03 * x))
    return reconcile(circuit, Survey(Basis.BATCH, KG, (Analyte("Pb", PERCENT),), tuple(found),
                                     "Invented: a cell", sizes=grid))  # fmt: skip


def test_recovery_by_size_by_hand() -> None:
    balance = _cell()
    (found,) = balance.losses.by_separator
    assert (found.node, found.analyte, found.product) == ("cell", "Pb", "froth")
    shares = [pair[0] for _, pair in found.classes if pair is not None]
    assert shares == pytest.approx([30.0, 93.75, 60.0])
    (partition,) = balance.sizes.partitions  # of the coarser product, which is the sink
    assert partition.product == "sink"
    for (_, pair), row in zip(found.classes, partition.classes, strict=True):
        other = row.analytes["Pb"]
        assert pair is not None and other is not None
        assert (pair[0] + other[0], pair[1]) == pytest.approx((100.0, other[1]), rel=1e-6)
    (table,) = size_recovery_tables(balance)
    assert table.header == ["class", "Pb to froth", "±"]
    assert size_recovery_tables(_example("grinding_by_size")) == []  # its partition table shows it


# ---- in words, and everywhere


def test_a_rich_class_between_the_ends_is_told() -> None:
    """The second class holds a third of the loss, at 1.3 times the whole; the third is poor."""
    grades = np.array([0.95, 0.60, 0.13, 0.24, 0.30])
    balance = reconcile(TABLE, _survey(grades))
    loss = _loss(balance)
    second = loss.parts[1]
    assert richer_between(loss) == (second,)
    assert second.of_loss is not None and second.of_loss[0] > 100.0 * MUCH_SHARE
    (reading,) = loss_readings(balance)
    (told,) = (s for s in reading.sentences if "-300+150 um" in s)
    whole = float(grades @ MASS / MASS.sum())
    assert told.startswith(f"Between the ends, -300+150 um: {27 * 0.6 / whole:.2f}")
    assert told.endswith(
        "times the grade of the whole, richer beyond chance; what is proposed below leaves it out."
    )
    assert told in _flat(summary(balance)) and told in _flat(html_report(balance))
    for name in ("coarse", "fine", "even", "both"):  # poorer there, or not told apart
        assert richer_between(_loss(_case(name))) == ()
    blurred = _loss(reconcile(TABLE, _survey(grades, relative=0.30)))
    assert richer_between(blurred) == ()  # as rich, but not beyond chance


def _flat(text: str) -> str:
    return " ".join(text.split())


def test_words_on_a_coarse_loss() -> None:
    (reading,) = loss_readings(_case("coarse"))
    text = " ".join(reading.sentences)
    assert "of the Sn of 'feed' leaves in 'tails'." in text
    assert "Coarse end, +300 um: 18.00 ±" in text and "times the grade of the whole, richer" in text
    assert "Sn locked in coarse particles, or free coarse grains that the device missed" in text
    assert "cannot tell them apart" in text
    assert (
        "halve +300 um of 'tails' with a riffle. Grind one half to pass 300 um" in reading.tests[0]
    )
    assert reading.tests[1] == (
        "Chance that it tells, whichever explanation holds, with one assay of each part as good as "
        "stated: above 99 %."
    )


def test_words_where_nothing_was_measured_by_size() -> None:
    (reading,) = loss_readings(_case("bulk"))
    assert reading.sentences[1] == (
        "'tails' was not measured by size: no number here says in which sizes Sn is lost."
    )
    assert reading.tests[0].startswith(
        "Do first: screen 'tails' on the sieve that keeps about a fifth of it (no size is known: "
        "begin at 150 um, as is common), weigh and assay both parts."
    )
    (sieved,) = loss_readings(_case("sieved"))
    assert "was sieved, but not assayed by size" in sieved.sentences[1]
    assert sieved.tests[0].startswith("Do first: assay 'tails' above and below 300 um, where 18 %")


def test_words_on_the_other_patterns() -> None:
    (fine,) = loss_readings(_case("fine"))
    assert any("The assay of the class alone does not tell which." in s for s in fine.sentences)
    assert "split -38 um of 'tails' once more" in fine.tests[0]
    (even,) = loss_readings(_case("even"))
    assert "which the errors do not tell from 1" in " ".join(even.sentences)
    assert any("look the same by size" in s for s in even.sentences)
    assert "treat a sample of 'tails' once more" in even.tests[0]


def test_an_inconsistent_survey_is_to_be_settled_first() -> None:
    assert "settle that first" in loss_meaning(_example("wrong_assay"))
    assert "settle that first" not in loss_meaning(_example("tin_table"))


@pytest.mark.parametrize("name", ["coarse", "fine", "even", "both", "bulk", "sieved"])
def test_terminal_report_and_json_show_it(name: str) -> None:
    balance = _case(name)
    text, html = _flat(summary(balance)), _flat(html_report(balance))
    for reading in loss_readings(balance):
        for sentence in (*reading.sentences, *reading.tests):
            assert sentence in text
            assert sentence.replace("'", "&#39;") in html
    for table in (*loss_tables(balance), expectation_table(balance)):
        assert table.caption in text and table.caption in html
    document = json.loads(to_json(balance))
    jsonschema.Draft202012Validator(balance_schema()).validate(document)
    (found,) = document["losses"]["found"]
    loss = _loss(balance)
    assert found["percent"] == {"value": loss.percent[0], "sd": loss.percent[1]}
    assert [t["test"] for t in found["tests"]] == [t.kind.value for t in loss.tests]
    assert [e["chance"] for t in found["tests"] for e in t["expected"]] == [
        e.chance for t in loss.tests for e in t.expected
    ]


def test_json_of_curves_and_recovery_by_size() -> None:
    for balance in (_cell(), _example("tin_table"), _example("leach_test")):
        document = json.loads(to_json(balance))
        jsonschema.Draft202012Validator(balance_schema()).validate(document)
        assert len(document["losses"]["grade_recovery"]) == len(balance.losses.curves)
        assert len(document["losses"]["recovery_by_size"]) == len(balance.losses.by_separator)


def test_many_tests_are_cut_in_the_terminal_only() -> None:
    balance = reconcile(*_plant([(f"A{i}", (40.0, 0.4, 0.5)) for i in range(5)]))
    assert len(balance.losses.found) == 10
    brief, whole = expectation_table(balance, brief=True), expectation_table(balance)
    assert brief.caption.endswith("(4 more tests: see --html or --json)")
    assert (len(brief.rows), len(whole.rows)) == (18, 30)
