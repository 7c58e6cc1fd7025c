"""Answers over time: changes and drifts found at their rate, with honest errors and places."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from often import NIGHTLY
from published import within_binomial

from oretally.recon.trends import (
    AnswerSeries,
    ChangeKind,
    differences_of_kinds,
    runs_rules,
    trends_of,
    weighted_fit,
)

Floats = NDArray[np.float64]


def _series(
    y: Floats, sd: Floats, name: str = "recovery", *, aim: float | None = None,
    common: dict[str, tuple[float, ...]] | None = None, kinds: tuple[str, ...] = (),
) -> AnswerSeries:  # fmt: skip
    n = y.size
    return AnswerSeries(
        name, "recovery", "conc", "Sn", "%", tuple(f"s{i}" for i in range(n)),
        tuple(map(float, range(n))), tuple(y.tolist()), tuple(sd.tolist()), common or {}, aim,
        "days", kinds, tuple(range(n)),
    )  # fmt: skip


def _drawn(rng: np.random.Generator, n: int, scatter: float = 1.0) -> tuple[Floats, Floats]:
    """Return values about 70 with errors that differ, and more scatter than those."""
    sd = rng.uniform(0.3, 1.5, n)
    return 70.0 + np.hypot(sd, scatter) * rng.standard_normal(n), sd


def test_false_alarms_of_one_series_are_five_in_a_hundred() -> None:
    rng, n = np.random.default_rng(1), 400 if NIGHTLY else 25
    alarms = sum(trends_of([_series(*_drawn(rng, 25))])[0].change is not None for _ in range(n))
    assert within_binomial(alarms, n, 0.05, 1e-3), alarms


def test_neighbours_that_are_alike_are_no_change() -> None:
    """A slow wander, each value like the one before: taken as independent, half would alarm."""
    rng, n, alarms = np.random.default_rng(2), 200 if NIGHTLY else 15, 0
    for _ in range(n):
        y = rng.standard_normal(60)
        for i in range(1, 60):
            y[i] = 0.6 * y[i - 1] + 0.8 * y[i]
        alarms += trends_of([_series(70.0 + y, np.full(60, 0.1))])[0].change is not None
    assert alarms <= 0.2 * n + 1  # more than 5 %: the correlation itself is estimated


def test_a_fall_is_found_with_its_size_and_place() -> None:
    rng, n = np.random.default_rng(3), 100 if NIGHTLY else 10
    pulls, inside, found = list[float](), 0, 0
    for _ in range(n):
        y, sd = _drawn(rng, 40)
        y[25:] -= 3.0
        change = trends_of([_series(y, sd)])[0].change
        if change is None or change.kind is not ChangeKind.LEVEL:
            continue
        found += 1
        pulls.append((change.size[0] + 3.0) / change.size[1])
        inside += change.places[0] <= 25 <= change.places[1]
    assert found >= 0.7 * n
    assert inside >= 0.7 * found
    assert abs(np.mean(pulls)) < 1.0 and 0.3 < np.std(pulls) < 1.9


def test_a_drift_is_told_as_one() -> None:
    rng = np.random.default_rng(4)
    y, sd = _drawn(rng, 60, 0.5)
    change = trends_of([_series(y - 0.1 * np.arange(60), sd)])[0].change
    assert change is not None and change.kind is ChangeKind.DRIFT
    assert change.rate is not None
    assert abs(change.rate[0] + 0.1) < 3.0 * change.rate[1]
    assert change.size[0] == pytest.approx(59.0 * change.rate[0])


def test_many_series_are_corrected_for_each_other() -> None:
    rng, n = np.random.default_rng(5), 60 if NIGHTLY else 4
    alarms = 0
    for _ in range(n):
        every = [_series(*_drawn(rng, 16), name=f"answer {i}") for i in range(8)]
        alarms += any(t.change is not None for t in trends_of(every))
    assert within_binomial(alarms, n, 0.05, 1e-3), alarms


def test_what_surveys_share_is_in_the_level_and_not_in_the_difference() -> None:
    rng = np.random.default_rng(6)
    y, sd = 70.0 + rng.standard_normal(30), np.full(30, 1.0)
    y[15:] -= 4.0
    alone = trends_of([_series(y, sd)])[0]
    shared = trends_of([_series(y, sd, common={"belt scale": (2.0,) * 30})])[0]
    assert shared.level[1] == pytest.approx(np.hypot(alone.level[1], 2.0))
    assert alone.change is not None and shared.change is not None
    assert shared.change.size == pytest.approx(alone.change.size)
    assert shared.change.before[1] == pytest.approx(np.hypot(alone.change.before[1], 2.0))


def test_a_closure_that_is_always_open_one_way_is_off_its_aim() -> None:
    rng = np.random.default_rng(7)
    sd = np.full(30, 1.0)
    off = _series(1.0 + rng.standard_normal(30), sd, aim=0.0)
    even = _series(rng.standard_normal(30), sd, aim=0.0)
    first, second = trends_of([off, even])
    assert first.off_aim is not None and first.off_aim < 0.01
    assert second.off_aim is not None and second.off_aim > 0.05
    assert first.change is None


@pytest.mark.parametrize("n", [1, 2, 3, 7])
def test_few_values_are_no_trend(n: int) -> None:
    (found,) = trends_of([_series(np.arange(float(n)), np.full(n, 0.5))])
    assert found.p is None and found.change is None
    assert np.isfinite(found.level).all()


def test_values_that_are_all_one_do_not_divide_by_nothing() -> None:
    (found,) = trends_of([_series(np.full(12, 70.0), np.full(12, 0.1))])
    assert found.change is None and found.level[0] == pytest.approx(70.0)
    assert found.rules.broken == ()


def test_scatter_is_found_where_errors_differ() -> None:
    rng, seen = np.random.default_rng(8), list[float]()
    for _ in range(60):
        y, sd = _drawn(rng, 30, 1.2)
        seen.append(weighted_fit(y, sd, np.ones((30, 1))).scatter)
    assert np.mean(seen) == pytest.approx(1.2, abs=0.12)


def test_kinds_of_runs() -> None:
    """False alarms, a difference found, and none asked for with one kind or one run of it."""
    rng, n, alarms = np.random.default_rng(9), 400 if NIGHTLY else 60, 0
    kinds = tuple("new" if i % 3 == 0 else "old" for i in range(24))
    for _ in range(n):
        (row,) = differences_of_kinds([_series(*_drawn(rng, 24), kinds=kinds)])
        alarms += row.p < 0.05
    assert within_binomial(alarms, n, 0.05, 1e-3), alarms
    y, sd = _drawn(rng, 24)
    y[[k == "new" for k in kinds]] += 4.0
    (row,) = differences_of_kinds([_series(y, sd, kinds=kinds)])
    assert (row.first, row.second, row.n_first, row.n_second) == ("new", "old", 8, 16)
    assert row.p_together < 0.01
    assert abs(row.difference[0] + 4.0) < 3.5 * row.difference[1]
    assert differences_of_kinds([_series(y, sd, kinds=("old",) * 24)]) == ()
    assert differences_of_kinds([_series(y, sd, kinds=(*("old",) * 23, "new"))]) == ()


def test_rules_of_the_chart() -> None:
    z = np.zeros(20)
    assert runs_rules(z).broken == ()
    z[5] = 3.1
    assert runs_rules(z).beyond_3 == (5,)
    assert runs_rules(np.full(8, 0.2)).run_on_one_side == (7,)
    assert runs_rules(np.full(7, 0.2)).run_on_one_side == ()
    assert runs_rules(np.array([2.1, 0.0, 2.2])).two_of_three == (2,)
    assert runs_rules(np.array([2.1, 0.0, -2.2])).two_of_three == ()
