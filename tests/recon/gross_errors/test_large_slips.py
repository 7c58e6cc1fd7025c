"""Errors so large that a balance may fail: a mass in a far other unit, streams exchanged.

`python tests/support/study_large_slips.py` runs every mass and every pair; here a few of them.
"""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from often import NIGHTLY
from study_large_slips import (
    EXAMPLES,
    Task,
    balance_of,
    done,
    exchange_tasks,
    slip_tasks,
    sound,
    survey_of,
    tally,
)

from oretally.io import read_case
from oretally.io.wording.suspects import explanation_name
from oretally.recon import reconcile
from oretally.recon.gross_errors.explanations import ErrorCandidates, explain
from oretally.recon.signatures import covariance_known, single_variance_known

SLIPS = (
    Task("grind_coarse", "feed", "dry mass", 1e3),
    Task("grind_fine", "tailings", "dry mass", 1e-3),
    Task("tin_table", "tailings", "dry mass", 1e9),
    Task("tin_table", "concentrate", "dry mass", 1e-6),
    Task("tin_table", "middlings", "dry mass", 1e-6),
    Task("grind_coarse", "concentrate", "dry mass", 1e9),
    Task("grind_fine", "feed", "dry mass", 1e6),
)
"""No example with an error of its own."""
NIGHTLY_SLIPS = (
    Task("tin_table", "table feed", "dry mass", 1e6),
    Task("tails_by_size", "table feed", "dry mass", 1e6),
    Task("rougher_cleaner", "fresh feed", "dry rate", 1e6),
    Task("wet_as_dry", "cleaner tails", "dry rate", 1e-6),
)
"""Two of them had no balance, or broke off; the last has an error of its own besides."""
NO_BALANCE = (
    Task("wrong_assay", "fresh feed", "dry rate", 1e-3),
    Task("rougher_cleaner", "cleaner tails", "dry rate", 1e9),
)
EXCHANGES = (
    Task("tin_table", "table feed", "middlings"),
    Task("rougher_cleaner", "rougher tails", "cleaner tails"),
    Task("rougher_cleaner", "fresh feed", "recleaner tails"),
)
"""Of the later pairs not the same was measured: a weight moves to where there was none, and of
recleaner tails nobody measured anything."""
BESIDE = (
    Task("bucket_not_taken_off", "rough conc", "cleaner tails"),
    Task("swapped_assays", "table conc", "table middlings"),
    Task("digits_changed_round", "head", "rougher tails"),
)
"""Examples with an error of their own. The exchange hides that, or that the exchange: by itself the
one of the second leaves more than forty other single errors."""

INSIDE = (
    Task("digits_changed_round", "rougher conc", "rougher tails"),
    Task("swapped_assays", "mill product", "table conc"),
)
"""The error of the example's own is in one of the exchanged streams: of one number, and of two of
which one is outside."""
UNLIKE = (
    Task("tails_by_size", "table feed", "concentrate"),
    Task("leach_test", "ore pulp", "tails"),
    Task("grinding_by_size", "cyclone feed", "cyclone overflow"),
)
"""Balanced one by one, for they have sizes or solutions. One pulp was weighed dry, the other wet,
with solution below detection; of one of two stacks of sieves a bulk assay and a rate are known."""
HIDDEN = Task("wrong_assay", "fresh feed", "scavenger conc")
"""Neither the exchange nor the wrong assay explains more by itself than many others."""


@pytest.mark.parametrize(
    "task",
    (*SLIPS, *(NIGHTLY_SLIPS if NIGHTLY else ())),
    ids=lambda t: f"{t.case} {t.first} {t.factor:g}",
)
def test_a_mass_off_by_decades_is_named(task: Task) -> None:
    record = done(task)
    assert record["exit"] == 0, record
    assert record["right"] and record["named"], record
    assert not record["warnings"] and not record["nonsense"], record


@pytest.mark.skipif(not NIGHTLY, reason="takes a minute")
@pytest.mark.parametrize("task", NO_BALANCE, ids=lambda t: f"{t.case} {t.first} {t.factor:g}")
def test_a_mass_off_by_decades_is_named_without_a_balance(task: Task) -> None:
    """Though another number is wrong as well, or the search ended nowhere."""
    record = done(task)
    assert record["exit"] == 1 and record["named"], record
    assert not record["warnings"] and not record["nonsense"], record


@pytest.mark.parametrize("only", ["fresh feed", "cyclone overflow"])
def test_the_one_rate_is_no_suspect(only: str) -> None:
    """It alone says how large all is: ten million times it would fit as well."""
    case = read_case(EXAMPLES / "grinding_by_size")
    basis = case.survey.basis.quantity
    some = [m for m in case.survey.measurements if m.quantity != basis or m.stream == only]
    assert sum(m.quantity == basis for m in some) == 1
    found = reconcile(case.circuit, replace(case.survey, measurements=tuple(some)))
    assert not found.suspects
    assert found.gross_errors is not None and found.gross_errors.sound == pytest.approx(
        0.84, abs=0.02
    )


@pytest.mark.parametrize(
    ("case", "read", "typed", "reason"),
    [
        ("grind_fine", ",1000.3,", ",1000.3 t,", "the number is in g, not in t"),
        ("tin_table", ",24952,", ",24952 kg,", "the number is in g, not in kg"),
    ],
)
def test_a_cell_with_a_unit_of_its_own(
    case: str, read: str, typed: str, reason: str, tmp_path: Path
) -> None:
    """One cell names the unit of another table."""
    shutil.copytree(EXAMPLES / case, tmp_path / case)
    rows = tmp_path / case / "measurements.csv"
    text = rows.read_text("utf-8")
    assert text.count(read) == 1
    rows.write_text(text.replace(read, typed), "utf-8")
    found = read_case(tmp_path / case)
    balance = reconcile(found.circuit, found.survey, feed=found.feeds, products=found.products)
    assert balance.converged
    first = balance.suspects[0]
    assert first.slips[0].reason == reason
    assert first.slips[0].readings[0].fits == pytest.approx(float(typed.strip(",").split()[0]) / (
        1e6 if typed.endswith(" t,") else 1e3))  # fmt: skip


@pytest.mark.parametrize(
    "task",
    EXCHANGES if NIGHTLY else EXCHANGES[::2],
    ids=lambda t: f"{t.case} {t.first}, {t.second}",
)
def test_exchanged_streams_are_named(task: Task) -> None:
    """All that is left with the exchange undone is what the example as it is leaves."""
    first = balance_of(task).suspects[0]
    told = first.slips[0]
    assert first.together and told.kind == "streams"
    assert told.objective == pytest.approx(sound(task.case).global_test.statistic, rel=1e-6)
    written = {m.stream for m in survey_of(task).measurements}
    assert {r.stream for r in told.readings} == {task.first, task.second} & written


@pytest.mark.parametrize(
    "task", BESIDE if NIGHTLY else BESIDE[1:], ids=lambda t: f"{t.case} {t.first}, {t.second}"
)
def test_exchanged_streams_are_named_beside_another_error(task: Task) -> None:
    record = done(task)
    assert record["exit"] == 0 and record["named"], record
    first = balance_of(task).gross_errors.explanations[0]
    own = sound(task.case).gross_errors.explanations[0]
    assert first.objective == pytest.approx(own.objective, rel=1e-4)
    assert [s.kind for s in first.slips].count("streams") == 1


@pytest.mark.parametrize("task", INSIDE, ids=lambda t: f"{t.case} {t.first}, {t.second}")
def test_an_error_in_one_of_the_exchanged_streams_is_told_besides(task: Task) -> None:
    """With both undone what is left is what the example leaves with its own error undone."""
    record = done(task)
    assert record["exit"] == 0 and record["named"], record
    balance = balance_of(task)
    first = balance.gross_errors.explanations[0]
    own = sound(task.case).gross_errors.explanations[0]
    assert first.objective == pytest.approx(own.objective, rel=1e-3)
    assert len(first.places) > len(set(first.places)) or task is INSIDE[1]
    name = explanation_name(balance, 0)
    assert "changed places" in name and name.count(" and ") >= 2


@pytest.mark.parametrize("task", UNLIKE, ids=lambda t: f"{t.case} {t.first}, {t.second}")
def test_labels_of_samples_that_were_not_alike_measured(task: Task) -> None:
    """All that was measured of a sample goes with its label, also what is below detection."""
    first = balance_of(task).suspects[0]
    assert first.together and first.slips[0].kind == "streams"
    assert {p.where for p in first.group} <= {task.first, task.second}
    assert first.slips[0].objective == pytest.approx(
        sound(task.case).global_test.statistic, rel=1e-4, abs=1e-3
    )


@pytest.mark.skipif(not NIGHTLY, reason="takes half a minute")
def test_an_exchange_and_an_error_that_hide_each_other() -> None:
    record = done(HIDDEN)
    assert record["exit"] == 0 and record["named"], record


@pytest.mark.skipif(not NIGHTLY, reason="takes half a minute")
def test_two_samples_do_not_come_to_one_place_that_nobody_measured() -> None:
    """Both exchanged with a stream of which nothing was measured: no such pair is tried."""
    record = done(Task("wrong_assay", "rougher conc", "scavenger return"))
    assert record["exit"] == 0 and record["named"], record


def test_only_what_bears_a_label_is_exchanged() -> None:
    """No declared loss, nothing that stays in a bottle or is added to it."""
    names = {s for task in exchange_tasks(["month_with_stockpile", "bottle_roll_times"])
             for s in (task.first, task.second)}  # fmt: skip
    assert {"mine ore", "sample at 2 h", "residue", "final solution"} <= names
    assert not [s for s in names if s.startswith(("loss", "pulp", "added"))]


def test_of_what_is_certain_that_comes_first_which_explains_most() -> None:
    """Both are there: without the one 5,856 are left of chi-square, without the other 124."""
    task = Task("swapped_assays", "table middlings", "table tails")
    first, second = balance_of(task).suspects[:2]
    assert first.slips[0].kind == "swapped"
    assert {p.where for p in second.group} == {task.first, task.second}


@pytest.mark.skipif(not NIGHTLY, reason="takes 20 s")
def test_a_reading_that_a_course_cannot_place_is_no_bug_of_ours() -> None:
    """An exchange takes the solution of one time to where none was, and none to the pulp."""
    assert done(Task("bottle_roll_times", "pulp at 8 h", "added at 8 h"))["exit"] == 0


def test_digits_of_a_small_variance_are_kept() -> None:
    """By hand: what the others say has 1e-12 of the variance of a reading that is off by 1e6."""
    own = 1.0 - 1e-12
    assert single_variance_known(np.array([own]), np.array([np.inf]))[0] >= 1.0
    found = covariance_known(np.array([[own]]), np.ones(1), np.array([np.inf]))
    assert found[0, 0] - 1.0 == pytest.approx(1e-12, rel=1e-3)


def test_scores_without_digits_still_count_sets() -> None:
    """Statistics of 1e9: the best set is one of those that were scored."""
    candidates = ErrorCandidates(np.array([0, 0, 1, 1]), np.array([5.0, 500.0, 5.0, 500.0]),
                                 np.array([3.0, 4.0, 3.0, 4.0]))  # fmt: skip
    found = explain(np.eye(2), np.array([1.2e9, -40.0]), candidates)
    assert sum(e.probability for e in found.explanations) == pytest.approx(1.0)
    assert 0 in found.explanations[0].chosen


@pytest.mark.skipif(not NIGHTLY, reason="takes an hour")
def test_all_of_them() -> None:
    """No run ends with a bug of ours, and none takes over 20 s of the processor."""
    count = tally([done(task) for task in (*slip_tasks(), *exchange_tasks())])["all"]
    assert count["exit 3"] == count["nonsense"] == count["over 20 s"] == 0
