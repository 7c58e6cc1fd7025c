"""Extraction against time, the cone of leaches that slow down, use of reagents."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from balance_cases import only_balanced
from bottle_rolls import (
    CIRCUIT,
    HOURS,
    ORE,
    leach_of,
    true_case,
    true_kinetics,
    true_measurements,
    truth,
    write_case,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from often import often

from oretally.io import Case, read_case
from oretally.recon import Balance, reconcile
from oretally.recon.kinetics import RateCone
from oretally.recon.leach_over_time import courses

_rates = st.floats(0.002, 3.0)
_shares = st.floats(0.01, 1.0)


def _balance(case: Case) -> Balance:
    return only_balanced(case.circuit, case.survey, feed=case.feeds, products=case.products)


@pytest.mark.parametrize("made_up", [True, False])
def test_true_numbers_give_the_truth(tmp_path: Path, made_up: bool) -> None:
    """All three extractions are the true ones, samples made up or not; nothing is suspect."""
    balance = _balance(true_case(tmp_path, made_up=made_up))
    (course,) = balance.courses
    of = truth(made_up=made_up)
    for p, share, volume in zip(course.points, of.extracted, of.volume, strict=True):
        assert p.reconciled is not None
        assert p.by_solution is not None
        assert p.solution is not None
        assert p.reconciled[0] == pytest.approx(100.0 * share, abs=0.1)
        assert p.by_solution[0] == pytest.approx(100.0 * share, abs=0.1)  # less < 0.002 mg/L put in
        assert p.reconciled[1] < p.by_solution[1]
        assert 1000.0 * p.solution[0] == pytest.approx(volume, abs=0.1)
    (row,) = balance.extractions
    assert row.by_solids == pytest.approx(100.0 * of.extracted[-1], abs=0.01)
    assert course.points[-1].reconciled == pytest.approx((row.reconciled, row.reconciled_sd))
    assert course.unaccounted is not None
    assert course.unaccounted[0] == pytest.approx(0.0, abs=1e-6)
    assert course.check is not None
    assert course.check.p > 0.5
    assert not balance.suspects
    best = course.curves[0]
    assert best.holds
    coming = course.to_come[0]
    assert coming is not None
    left = 90.0 * np.exp(-0.12 * HOURS[-1])
    assert coming[0] == pytest.approx(left, abs=3.0 * coming[1])


def test_a_volume_that_is_missing_follows_from_the_balance(tmp_path: Path) -> None:
    """One sample without a volume: found, if the final solution was measured."""
    kinetics = true_kinetics(truth()).replace("\n8,50.0,", "\n8,,")
    balance = _balance(read_case(write_case(tmp_path, kinetics)))
    found = balance.value("sample at 8 h", "water")
    assert found.adjusted_sd is not None
    assert found.adjusted == pytest.approx(50.0, abs=found.adjusted_sd)
    assert found.adjusted_sd < 10.0
    (course,) = balance.courses
    assert [p.reconciled is None for p in course.points] == [False] * len(HOURS)
    assert [p.by_solution is None for p in course.points] == [False] * 3 + [True] * 3


def test_evaporation_is_asked_for(tmp_path: Path) -> None:
    """Less solution at the end than was put in: how much."""
    lines = true_measurements(truth()).splitlines()
    final = float(lines[-1].split(",")[4])
    measured = "\n".join([*lines[:-1], f"final solution,,,,{final - 60.0},,"])
    case = read_case(write_case(tmp_path, true_kinetics(truth()), measurements=measured))
    (course,) = courses(leach_of(case.circuit, case.survey))
    assert course.unaccounted is not None
    gap, sd = course.unaccounted
    assert gap == pytest.approx(0.060, abs=1e-6)
    assert gap > 1.96 * sd


def test_a_wrong_volume_is_not_held_against_the_course(tmp_path: Path) -> None:
    """The balance finds it; that the leach slows down is not called in question."""
    lines = true_measurements(truth()).splitlines()
    final = float(lines[-1].split(",")[4])
    measured = "\n".join([*lines[:-1], f"final solution,,,,{final - 100.0},,"])
    case = read_case(write_case(tmp_path, true_kinetics(truth()), measurements=measured))
    balance = reconcile(
        case.circuit, case.survey, feed=case.feeds, products=case.products, second_opinions=False
    )
    assert balance.global_test.consistent is False
    assert balance.gross_errors.sound is not None and balance.gross_errors.sound < 0.01
    assert not balance.suspects[0].over_time
    assert ("final solution", "water") in [(g.where, g.quantity) for g in balance.suspects[0].group]


def test_solids_dissolve_in_the_leach_as_the_case_has_it(tmp_path: Path) -> None:
    """Not at an interval, which no case could state."""
    measured = true_measurements(truth()).replace("residue,,1226.9939", "residue,,1166.9939")
    balance = _balance(
        read_case(write_case(tmp_path, true_kinetics(truth()), measurements=measured))
    )
    (note,) = [n for n in balance.notes if n.startswith("Solids out of")]
    assert "state dissolves = true at the node 'bottle' (in" in note and " to " not in note[:40]


def test_reagents_per_tonne(tmp_path: Path) -> None:
    """Put in, left, taken away, consumed: the same as by hand."""
    circuit = CIRCUIT + '[reagents]\nNaCN = { strength = "50 g/L", relative = 1 }\n'
    lines = true_kinetics(truth()).splitlines()
    strengths = [0.60, 0.55, None, 0.50, 0.45, 0.40]
    rows = [lines[0] + ",NaCN added [mL],NaCN left [g/L]", "0,,,,30,"]
    rows += [f"{line},,{'' if f is None else f}"
             for line, f in zip(lines[1:], strengths, strict=True)]  # fmt: skip
    # the stock solution is a part of the solution at the start
    measured = true_measurements(truth()).replace("solution,,,,1500.0", "solution,,,,1470.0")
    balance = _balance(
        read_case(write_case(tmp_path, "\n".join(rows), circuit=circuit, measurements=measured))
    )
    (use,) = balance.reagents
    tonnes, volume, sample = ORE / 1000.0, 1.5, 0.05
    first = use.points[0]
    assert first.added is not None
    assert first.consumed is not None
    assert first.added[0] == pytest.approx(1.5 / tonnes, rel=1e-3)
    assert first.consumed[0] == pytest.approx((1.5 - 0.60 * volume) / tonnes, rel=1e-3)
    # its error: of the strength of the stock, of the volume, of the reading
    by_hand = np.hypot(1.5 * np.hypot(0.01, 0.01 / 30.0), volume * np.hypot(0.018, 0.005))
    assert first.consumed[1] == pytest.approx(by_hand, rel=0.02)
    third, last = use.points[2], use.points[-1]
    assert third.left is None
    assert third.consumed is None
    assert last.consumed is not None
    # the strength that was not read lies between 0 and all that could be there
    could = (1.5 - (0.60 + 0.55) * sample) / volume
    gone = sample * (0.60 + 0.55 + could / 2.0 + 0.50 + 0.45)
    assert last.consumed[0] == pytest.approx((1.5 - gone - 0.40 * volume) / tonnes, rel=2e-3)


@settings(max_examples=often(25, 0.4), deadline=None)
@given(parts=st.lists(st.tuples(_shares, _rates), min_size=1, max_size=4))
def test_sums_of_first_order_leaches_are_in_the_cone(parts: list[tuple[float, float]]) -> None:
    """Any distribution of rates is passed through exactly, whatever the weights."""
    time = np.array(HOURS)
    y = np.sum([share * -np.expm1(-rate * time) for share, rate in parts], axis=0)
    # the grid of rates is finite: within a fifth of a percent of the value
    cone = RateCone([time], y, np.diag((2e-3 * np.maximum(y, 0.05 * y.max())) ** 2))
    assert cone.distance < 1.0


@settings(max_examples=often(20, 0.4), deadline=None)
@given(fall=st.floats(0.05, 0.5), at=st.integers(1, len(HOURS) - 1))
def test_what_falls_is_outside(fall: float, at: int) -> None:
    """An extraction that falls is as far away as the least change that makes it rise again."""
    time, y = np.array(HOURS), np.full(len(HOURS), 1.0)
    y[at] -= fall
    sd = 0.01
    found = RateCone([time], y, sd**2 * np.eye(len(HOURS))).distance
    # the nearest constant is one of the curves
    constant = float(((y - y.mean()) ** 2).sum()) / sd**2
    assert 0.25 * (fall / sd) ** 2 < found <= constant * (1.0 + 1e-9)


def test_a_value_beside_is_told_with_its_sd() -> None:
    """One time is off by what a reading is off: told from the others, which stay."""
    time = np.array(HOURS)
    y, sd = 0.9 * -np.expm1(-0.12 * time), 0.01
    y[3] += 0.2
    # a reading that was left out, known within 1, moves the extraction at its own time alone
    moved, wide = np.append(np.eye(len(HOURS))[3], 1.0), 1.0
    joint = np.diag([sd**2] * len(HOURS) + [0.0]) + wide**2 * np.outer(moved, moved)
    cone = RateCone([time], np.append(y, 0.7), joint)
    value, found, goes = cone.said(len(HOURS))
    assert goes == pytest.approx([found])
    assert value == pytest.approx(0.5, abs=2.0 * found)
    assert cone.distance < 1.0
    assert sd <= found < 3.0 * sd  # its own error, and what the others leave open
