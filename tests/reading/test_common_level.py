"""Replicates are pooled at their common level: a relative error is no reason to believe low ones.

Expected figures are by hand, from mean = sum v / s^2 / sum 1 / s^2 and sd = 1 / sqrt(sum 1 / s^2)
with each s as stated for that mean.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from random import Random
from statistics import fmean

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from oretally.flowsheet import (
    Analyte,
    Basis,
    Dimension,
    ErrorRule,
    Measurement,
    Place,
    Survey,
    parse_unit,
)
from oretally.flowsheet.survey import STATED, SizeRule
from oretally.io.case import Case, read_case
from oretally.io.cells import StatedError
from oretally.io.files import Cell
from oretally.io.measurements.replicates import Reading, pooled_replicates
from oretally.recon.laboratory import mean_at_level

_GRAMS = parse_unit("g/t")


def _pooled(
    values: Sequence[float], rules: Sequence[SizeRule], unit: str = "g/t"
) -> tuple[Measurement, list[str]]:
    """Return gold of one stream, pooled, and the notes on it."""
    shown = parse_unit(unit, Dimension.GRADE)
    found = [Reading("feed", "Au", v, shown, rule.sd(v, shown), "row", "", Cell(v, Place()), rule)
             for v, rule in zip(values, rules, strict=True)]  # fmt: skip
    (one,), notes = pooled_replicates(found, [])
    return one, notes


def _case(folder: Path, rows: str, more: str = "") -> Case:
    (folder / "circuit.toml").write_text(
        'basis = "batch"\n[streams]\nfeed = { to = "table" }\nconc = { from = "table" }\n'
        'tails = { from = "table" }\n[analytes]\nAu = { unit = "g/t" }\n'
        f'[errors]\n"dry mass" = {{ relative = 1 }}\nAu = {{ relative = 5 }}\n{more}',
        "utf-8",
    )
    (folder / "measurements.csv").write_text(
        f"stream,dry mass [kg],Au [g/t],± Au [rel %]\nfeed,25,,\n{rows}", "utf-8"
    )
    return read_case(folder)


def _gold(case: Case) -> Measurement:
    found = case.survey.measured("feed", "Au")
    assert found is not None
    return found


# ---- what was reported


def test_equal_relative_errors_give_the_plain_mean(tmp_path: Path) -> None:
    """Each weighted by its own 5 % they gave 7.18, called their mean."""
    gold = _gold(_case(tmp_path, "feed,,8.28,\nfeed,,6.44,\nfeed,,7.28,\n"))
    assert gold.value == pytest.approx(22.0 / 3.0, rel=1e-12)
    assert gold.sd == pytest.approx(0.05 * 22.0 / 3.0 / 3.0**0.5, rel=1e-12)
    assert f"{gold.value:.2f} {gold.sd:.2f}" == "7.33 0.21"
    assert gold.note == "mean of 3 replicates"


def test_a_low_reading_has_no_more_weight(tmp_path: Path) -> None:
    """3 and 12 g/t at 30 % gave 3.53 ± 0.87. In units of 30 % of 7.5 they are 2 and 2 away: 8."""
    case = _case(tmp_path, "feed,,3,30\nfeed,,12,30\n")
    gold = _gold(case)
    assert (gold.value, gold.sd) == pytest.approx((7.5, 0.3 * 7.5 / 2.0**0.5), rel=1e-12)
    assert f"{gold.value:.2f} {gold.sd:.2f}" == "7.50 1.59"
    assert case.notes == (
        "The replicates of Au of 'feed' (3, 12 g/t) spread more than their stated errors allow "
        "(chi-square 8.0 on 1, p 0.0047); their own sd is 6.4 g/t on 1 degree of freedom.",
    )


# ---- what a mean is called


def test_other_relative_errors_weigh_as_stated() -> None:
    """5 and 10 % are 4 to 1 at any level: (4 * 8 + 6) / 5, of sd 0.05 * 7.6 * sqrt(4 / 5)."""
    gold, _ = _pooled([8.0, 6.0], [StatedError(5.0, None), StatedError(10.0, None)])
    assert (gold.value, gold.sd) == pytest.approx((7.6, 0.05 * 7.6 * 0.8**0.5), rel=1e-11)
    assert gold.note == "weighted mean of 2 replicates"


def test_other_absolute_errors_weigh_as_before(tmp_path: Path) -> None:
    """± 0.1 and 0.2 g/t: (4 * 8 + 6) / 5, of sd 1 / sqrt(100 + 25)."""
    rows = "feed,,8,0.1 g/t\nfeed,,6,0.2 g/t\n"
    gold = _gold(_case(tmp_path, rows))
    assert (gold.value, gold.sd) == pytest.approx((7.6, 125.0**-0.5), rel=1e-12)
    assert gold.note == "weighted mean of 2 replicates"


def test_an_absolute_and_a_relative_error_are_told_apart() -> None:
    """8 ± 0.4 g/t beside 6 ± 5 %: the first stays at 0.4, the second goes from 0.30 to 0.34.

    m = (8 / 0.4^2 + 6 / (0.05 m)^2) / (1 / 0.4^2 + 1 / (0.05 m)^2), so that
    m^3 - 8 m^2 + 64 m - 384 = 0.
    """
    gold, _ = _pooled([8.0, 6.0], [StatedError(0.4, _GRAMS), StatedError(5.0, None)])
    (root,) = (r.real for r in np.roots([1.0, -8.0, 64.0, -384.0]) if abs(r.imag) < 1e-9)
    assert gold.value == pytest.approx(root, rel=1e-11)
    assert gold.note == "weighted mean of 2 replicates"


def test_one_rule_of_two_parts_gives_the_plain_mean() -> None:
    """sqrt(0.2^2 + (0.1 * 7)^2) / 2 of each of two, whatever each reads."""
    gold, _ = _pooled([8.0, 6.0], [ErrorRule(10.0, 0.2, _GRAMS, coverage=2.0)] * 2)
    expected = (0.04 + 0.49) ** 0.5 / 2.0 / 2.0**0.5
    assert (gold.value, gold.sd) == pytest.approx((7.0, expected), rel=1e-12)
    assert gold.note == "mean of 2 replicates"


def test_a_pooled_measurement_knows_its_readings() -> None:
    """A weighted mean of 2 is 2 readings, each with the sd of the mean times sqrt(2)."""
    gold, _ = _pooled([8.0, 6.0], [StatedError(5.0, None), StatedError(10.0, None)])
    survey = Survey(Basis.BATCH, parse_unit("kg"), (Analyte("Au", _GRAMS),), (gold,))
    assert gold.readings == 2 and survey.reading_sd(gold) == pytest.approx(gold.sd_base * 2.0**0.5)


# ---- properties

_READINGS = st.lists(st.floats(0.01, 1000.0), min_size=2, max_size=8)


@given(_READINGS, st.floats(0.1, 60.0), st.randoms(use_true_random=False))
def test_equal_relative_errors_whatever_the_order_and_the_unit(
    values: list[float], percent: float, random: Random
) -> None:
    n = len(values)
    gold, notes = _pooled(values, [ErrorRule(percent)] * n)
    mean = fmean(values)
    expected = (mean, percent / 100.0 * mean / n**0.5)
    assert (gold.value, gold.sd) == pytest.approx(expected, rel=1e-11)
    assert gold.note == f"mean of {n} replicates"
    shuffled = random.sample(values, n)
    again, told = _pooled(shuffled, [ErrorRule(percent)] * n)
    assert (again.value, again.sd) == pytest.approx(expected, rel=1e-11)
    assert len(told) == len(notes)
    for unit in ("ppb", "ozt/st", "%"):
        shown = parse_unit(unit, Dimension.GRADE)
        other = [shown.from_base(_GRAMS.to_base(v)) for v in values]
        there, _ = _pooled(other, [ErrorRule(percent)] * n, unit)
        assert (there.value_base, there.sd_base) == pytest.approx(
            (gold.value_base, gold.sd_base), rel=1e-11
        )


_SIZES = st.tuples(st.floats(0.001, 50.0), st.floats(0.001, 10.0), st.floats(0.1, 60.0),
                   st.sampled_from(["absolute", "relative", "both"]))  # fmt: skip


@given(st.lists(_SIZES, min_size=2, max_size=8))
def test_the_mean_has_the_weights_that_hold_at_it(
    readings: list[tuple[float, float, float, str]],
) -> None:
    """However far apart the readings and unlike the statements, in order and reversed."""
    values = [v for v, *_ in readings]
    rules = [ErrorRule(0.0 if kind == "absolute" else relative,
                       0.0 if kind == "relative" else absolute, _GRAMS)
             for _, absolute, relative, kind in readings]  # fmt: skip
    found = mean_at_level(values, lambda level: [r.sd(level, _GRAMS) for r in rules])
    sds = np.array([r.sd(found.mean, _GRAMS) for r in rules])
    assert found.sds == pytest.approx(sds, rel=1e-12)
    assert found.mean == pytest.approx(np.average(values, weights=sds**-2), rel=1e-6)
    assert found.sd == pytest.approx((sds**-2).sum() ** -0.5, rel=1e-9)
    assert min(values) * (1 - 1e-12) <= found.mean <= max(values) * (1 + 1e-12)
    back = mean_at_level(values[::-1], lambda level: [r.sd(level, _GRAMS) for r in rules[::-1]])
    assert back.mean == pytest.approx(found.mean, rel=1e-6)


@pytest.mark.parametrize("percent", [5.0, 15.0, 30.0])
def test_simulated_means_are_unbiased(percent: float) -> None:
    """Within 0.2 % of the truth for 2 to 8 replicates.

    Readings are drawn in pairs, each the other's mirror image about the truth, so that only what
    the pooling does to them is left of the bias: by weights of their own errors it was -8 to -15 %
    at 30 %.
    """
    rng, rule = np.random.default_rng(20), ErrorRule(percent)
    for n in range(2, 9):
        # cut off at 3 sd: what is read is above 0
        z = np.clip(rng.standard_normal((250, n)), -3.0, 3.0)
        drawn = 8.0 * (1.0 + percent / 100.0 * np.concatenate([z, -z]))
        pooled = [_pooled(row, [rule] * n)[0] for row in drawn.tolist()]
        assert fmean(m.value for m in pooled) == pytest.approx(8.0, rel=0.002)
        sd = np.std([m.value for m in pooled])
        assert fmean(m.sd**2 for m in pooled) ** 0.5 == pytest.approx(sd, rel=0.1)


# ---- what stands around it


def test_sources_come_on_top_at_the_mean(tmp_path: Path) -> None:
    """30 % of 7.5, over sqrt(2); the batch's 2 % of 7.5, shared, is not lessened."""
    rows = "feed,,3,30\nfeed,,12,30\ntails,,0.5,\n"
    case = _case(tmp_path, rows, '[sources]\nbatch = { of = "Au", relative = 2, shared = true }\n')
    gold = _gold(case)
    stated, batch = 0.3 * 7.5 / 2.0**0.5, 0.02 * 7.5
    assert gold.value == pytest.approx(7.5, rel=1e-12)
    assert {p.source: p.sd for p in gold.parts} == pytest.approx({STATED: stated, "batch": batch})
    assert gold.sd == pytest.approx((stated**2 + batch**2) ** 0.5)
    (shared,) = case.survey.shared
    assert shared.loadings == pytest.approx({"feed": 0.15e-6, "tails": 0.01e-6})


def test_the_pooled_sd_stands_beside_what_is_stated_at_the_mean(tmp_path: Path) -> None:
    """Pooled: 84.9 and 0 %, on 1 and 1 degrees of freedom, 60 %; stated is 30 % of each mean."""
    case = _case(tmp_path, "feed,,3,30\nfeed,,12,30\ntails,,0.5,30\ntails,,0.50,30\n")
    assert case.notes[-1] == (
        "Replicates of Au (2 groups): pooled relative sd 60 % on 2 degrees of freedom, stated 30 % "
        "(chi-square 8.0 on 2, p 0.018)."
    )
