"""The study of slips: its circuits balance, its oracle is exact, and a small sample of it.

`python tests/support/study_slips.py` runs all of it, for hours.
"""

from __future__ import annotations

from math import exp, log, pi

import numpy as np
import pytest
from often import NIGHTLY
from scipy.integrate import quad
from scipy.stats import multivariate_normal
from slip_circuits import CIRCUITS, SINGLE_SLIPS
from slip_draws import KINDS, Case, digits_exchanged, noisy, one_slip, with_random_errors
from slip_evidence import Ways, log_any, log_pair, log_single
from slip_oracle import NONE, Oracle, exact_groups
from slip_tasks import tasks_of
from study_slips import BINS, counted, reliability, studied

from oretally.flowsheet import balance_problem
from oretally.recon.solver import solve

FIRST, NAMED = 0.95, 0.90  # of what the oracle can tell apart; of those that stand first
SUSPECTED, CLEAN = 0.02, 0.95  # sound surveys with a suspect from one half on; without any
OFF, COUNTED = 0.05, 50  # of a bin of probabilities, and how many it takes to be judged

SAMPLE = (("bench", 9), ("table", 14)) if NIGHTLY else (("bench", 18), ("table", 56))
"""Circuits, and one slip in so many."""
SOUND = (
    (("bench", 12), ("table", 8)) if NIGHTLY else (("bench", 6), ("table", 4))
)  # circuits, and draws


@pytest.mark.parametrize("name", CIRCUITS)
def test_true_values_balance(name: str) -> None:
    """True values of every circuit close: with them for readings nothing is adjusted."""
    plant = CIRCUITS[name]()
    case = Case(plant, np.array([r.true for r in plant.readings]))
    found = solve(balance_problem(plant.circuit, case.survey))
    assert found.converged
    assert found.classes.degrees_of_freedom >= 3
    below_detection = sum(m.sd > 0.0 for m in plant.fixed)  # read as half of the limit, not as 0
    assert found.objective < (0.01 if below_detection else 1e-20)


def test_digits_that_are_exchanged() -> None:
    """By hand: neighbours from the first digit that is not 0, the point stays."""
    assert digits_exchanged(13.5) == [31.5, 15.3]
    assert digits_exchanged(1.3) == [3.1, 1.03]
    assert digits_exchanged(0.00047) == [0.00074, 0.000407]
    assert digits_exchanged(5200.0) == [2500.0, 5020.0]


@pytest.mark.parametrize("name", SINGLE_SLIPS)
def test_slips_change_what_they_say(name: str) -> None:
    """One number is other than written, two for an exchange; each by three stated errors or more.

    No number is one that the reader of a case refuses.
    """
    plant = CIRCUITS[name]()
    written = noisy(plant, np.random.default_rng(3))
    for i, r in enumerate(plant.readings):
        for kind in KINDS:
            case = one_slip(plant, written, i, kind, np.random.default_rng(i))
            if case is None:
                continue
            (wrong,) = case.wrong
            assert sorted(wrong.right) == np.flatnonzero(case.written != written).tolist()
            assert all(wrong.right[j] == written[j] for j in wrong.right)
            assert len(wrong.right) == (2 if kind == "neighbours" else 1)
            assert abs(case.written[i] - written[i]) >= 3.0 * r.relative * written[i]
            assert 0.0 < case.written[i] <= r.largest


def test_random_errors_come_as_often_as_stated() -> None:
    """3 % of the numbers of the bench test, both of an exchange counted: 0.0315 +- 0.0024."""
    plant = CIRCUITS["bench"]()
    cases = [with_random_errors(plant, np.random.default_rng(s)) for s in range(500)]
    wrong = sum(len(w.right) for c in cases for w in c.wrong)
    assert 0.024 <= wrong / (500 * len(plant.readings)) <= 0.039


# ---- the oracle's closed forms, against quadrature


def _size(b: float, w: float) -> float:
    """Return the density of an error of b stated errors, as `slip_evidence` states it."""
    return float(b**2 / w**3 * exp(-0.5 * (b / w) ** 2) / (2.0 * pi) ** 0.5)


def _normal(gap: float, variance: float) -> float:
    return float(exp(-0.5 * gap**2 / variance) / (2.0 * pi * variance) ** 0.5)


def _any_size(value: float, sd: float, widths: tuple[float, ...]) -> Ways:
    w = np.array(widths)
    return Ways(np.log(np.full(w.size, 0.3)), np.full(w.size, value), sd * np.sqrt(1.0 + w**2), w,
                sd)  # fmt: skip


@pytest.mark.parametrize("value", [4.2, 5.0, 9.0])
def test_one_error_is_exact(value: float) -> None:
    """A reading is the true value plus noise plus b stated errors: integrated over b."""
    said, variance, sd = 5.0, 0.2**2, 0.15
    found = log_single(_any_size(value, sd, (6.0, 60.0)), said, variance)
    for way, w in zip(found, (6.0, 60.0), strict=True):

        def density(b: float, w: float = w) -> float:
            return _size(b, w) * _normal(value - said - sd * b, variance + sd**2)

        at = (value - said) / sd
        expected = 0.3 * quad(density, at - 15.0, at + 15.0, points=[0.0, at], epsrel=1e-10)[0]
        assert exp(way) == pytest.approx(expected, rel=1e-8)


def test_size_of_a_loss_is_exact() -> None:
    """The same for a size that is estimated as u, with a variance of its own."""
    expected = quad(lambda b: _size(b, 1.0) * _normal(1.7 - b, 0.09), -8.0, 8.0, epsrel=1e-10)[0]
    assert log_any(1.7, 0.09, 1.0) == pytest.approx(log(expected), rel=1e-8)


@pytest.mark.parametrize("correlation", [0.0, 0.8, -0.8])
def test_two_errors_are_exact(correlation: float) -> None:
    """Two errors of any size, what is said of both correlated: on a plane grid over both sizes."""
    said, values, sd, w = np.array([5.0, 2.0]), np.array([6.1, 1.2]), np.array([0.15, 0.1]), 6.0
    cov = np.array([[0.04, correlation * 0.02], [correlation * 0.02, 0.01]])
    one, other = (_any_size(v, s, (w,)) for v, s in zip(values, sd, strict=True))
    step = 0.1
    side = np.arange(-20.0, 20.0, step)
    b = np.stack(np.meshgrid(*((values - said)[:, None] / sd[:, None] + side), indexing="ij"), -1)
    density = multivariate_normal(said, cov + np.diag(sd**2)).pdf(values - sd * b)
    sizes = np.prod(b**2 / w**3 * np.exp(-0.5 * (b / w) ** 2) / (2.0 * pi) ** 0.5, axis=-1)
    expected = 0.3**2 * float((density * sizes).sum()) * step**2
    assert exp(log_pair(one, other, said, cov)) == pytest.approx(expected, rel=1e-6)


def test_a_slip_and_an_error_of_any_size() -> None:
    """Two independent errors, one of them a slip: the product of both."""
    slip = Ways(np.log([0.02]), np.array([5.1]), np.array([0.1]), np.zeros(1), 1.0)
    error, said = _any_size(3.0, 0.1, (6.0,)), np.array([5.0, 2.0])
    expected = log_single(slip, 5.0, 0.04)[0] + log_single(error, 2.0, 0.01)[0]
    assert log_pair(slip, error, said, np.diag([0.04, 0.01])) == pytest.approx(expected, rel=1e-9)


# ---- the oracle


def test_exact_groups_of_one_node() -> None:
    """By hand: one node checks each assay once, so its readings are alike; masses are not.

    A loss that is like the charge is a charge weighed too high. Sulphur of the charge is missing:
    nothing checks that of the products. Of the gold in the solutions around a filter neither.
    """
    groups = exact_groups(CIRCUITS["bench"]())
    streams = ("charge", "concentrate", "tails")
    for analyte in ("Cu", "Au"):
        alike = frozenset(f"{analyte} of {s}" for s in streams)
        assert all(groups[name] == alike for name in alike)
    assert groups["dry mass of charge"] == {"dry mass of charge", "loss at cell"}
    gold = {f"Au in solution of {s}" for s in ("tails", "wash water", "pregnant solution")}
    assert exact_groups(CIRCUITS["leach"]())["Au in solution of tails"] == gold
    for name in ("dry mass of concentrate", "dry mass of tails", "S of tails", "S of concentrate"):
        assert groups[name] == {name}


def test_oracle_on_a_clear_slip() -> None:
    """A charge of ten times the mass: nothing else explains three balances. None is suspected."""
    plant = CIRCUITS["bench"]()
    written = noisy(plant, np.random.default_rng(5))
    case = one_slip(plant, written, 0, "x10", np.random.default_rng(0))
    assert case is not None
    verdict = Oracle(case).verdict()
    assert verdict.told and verdict.named
    assert verdict.first == "dry mass of charge"
    assert verdict.probability[NONE] < 1e-6
    sound = Oracle(Case(plant, written)).shares()
    assert sound[NONE,] > 0.5
    assert sum(sound.values()) == pytest.approx(1.0)


# ---- a small sample of the study


def test_the_right_number_stands_first() -> None:
    """Of what the oracle can tell apart; and the slip is named. Of so few one may be missed."""
    tasks = [t for name, every in SAMPLE for t in tasks_of("slips", name, 0, 1, every)]
    count = counted(studied(tasks))["all", "all"]
    assert count["told"] >= (8 if NIGHTLY else 2)
    assert count["first"] >= FIRST * count["told"] - 1.0
    assert count["named"] >= NAMED * count["first"] - 1.0


def test_nothing_is_suspected_of_sound_surveys() -> None:
    """Few draws: none with a suspect from one half on, at most one with any."""
    tasks = [t for name, draws in SOUND for t in tasks_of("sound", name, 0, draws)]
    told = [[p for p, _ in r["ours"]["suspects"]] for r in studied(tasks)]
    assert sum(max(p, default=0.0) >= 0.5 for p in told) <= SUSPECTED * len(told)
    assert sum(not p for p in told) >= CLEAN * len(told) - 1.0


def test_reliability_counts_every_error_once() -> None:
    """By hand: two suspects, one right, and one that is not listed."""
    record = {"ours": {"suspects": [[0.75, 1], [0.72, 0]], "others": [[0.03, 0]]}}
    found = reliability([record])
    assert (found["70 to 80"]["said"], found["70 to 80"]["true"]) == (2, 1)
    assert (found["2 to 5"]["said"], found["2 to 5"]["true"]) == (1, 0)
    assert len(BINS) == 14
