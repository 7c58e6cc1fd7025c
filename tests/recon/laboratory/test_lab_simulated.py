"""Whole batches drawn with known precision and bias, through the table: are they recovered?

Fixed seeds. What the statistics do by themselves is in test_replicates_and_duplicates.py and
test_laboratory.py.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from often import often
from published import within_binomial

from oretally.flowsheet import Dimension, parse_unit
from oretally.io.laboratory.batches import Blank, LabBatch, Pair, Standard
from oretally.io.laboratory.judgement import Judgement, judge

_A, _B = 0.02, 0.03
_MATERIALS = ((0.5, 0.004), (2.0, 0.015), (12.0, 0.08))  # certified values and their sd


def _judged(
    rng: np.random.Generator, n_pairs: int, bias: float = 0.0,
    materials: Sequence[tuple[float, float]] = _MATERIALS,
) -> Judgement:  # fmt: skip
    """Return the judgement of a batch with sd 0.02 + 0.03 grade and a relative bias."""

    def assay(true: float) -> float:
        return max(true * (1.0 + bias) + (_A + _B * true) * float(rng.standard_normal()), 0.0)

    batch = LabBatch("Sn", parse_unit("%", Dimension.GRADE))
    for i, grade in enumerate(np.exp(rng.uniform(np.log(0.3), np.log(30.0), n_pairs))):
        batch.pairs.append(Pair(f"P{i}", assay(float(grade)), assay(float(grade))))
    for certified, sd in materials:
        true = certified + sd * float(rng.standard_normal())
        batch.standards += [Standard("K", assay(true), certified, sd) for _ in range(5)]
    batch.blanks += [Blank("B", 0.0, 5.0, below=True) for _ in range(3)]
    batch.detection = 0.01
    return judge(batch)


@pytest.mark.parametrize(("n_pairs", "least"), [(24, 0.82), (80, 0.85)])
def test_precision_lies_within_its_stated_limits(n_pairs: int, least: float) -> None:
    """95 % limits of a, of b and of the sd at 5 % hold the truth.

    They are bootstrap limits, a little narrow with few pairs, as `fit_precision` says.
    """
    rng, n, held = np.random.default_rng(17), often(225), np.zeros(3)
    found = []
    for _ in range(n):
        fit = _judged(rng, n_pairs, materials=()).fit
        assert fit is not None
        limits, truths = (fit.a_limits, fit.b_limits, fit.limits(5.0)), (_A, _B, _A + 5.0 * _B)
        held += [low <= t <= high for (low, high), t in zip(limits, truths, strict=True)]
        found.append(fit.sd(5.0))
    assert (held / n >= least).all(), held
    assert (held < n).any()  # limits so wide that they always hold would say nothing
    assert np.mean(found) == pytest.approx(_A + 5.0 * _B, rel=0.05)


@pytest.mark.parametrize("bias", [0.0, 0.08])
def test_limits_of_one_standards_bias_hold_it_at_their_rate(bias: float) -> None:
    """95 % limits of a relative bias, one standard whose own certificate is off."""
    rng, n, held, told = np.random.default_rng(23), often(1500, 0.1), 0, 0
    for _ in range(n):
        judged = _judged(rng, 0, bias, materials=_MATERIALS[1:2])
        assert judged.found is not None
        found = judged.found.relative_bias
        assert found is not None
        held += found.low <= bias <= found.high
        told += any(f.fact.startswith("The standards read ") for f in judged.findings)
    assert within_binomial(held, n, 0.95), held
    assert within_binomial(told, n, 0.05) if bias == 0.0 else told > 0.5 * n


def test_limits_over_several_standards_are_wide_rather_than_narrow() -> None:
    """Three standards: errors of certificates count twice, so 95 % limits hold 95 % or more."""
    rng, n = np.random.default_rng(29), often(1000, 0.1)
    found = [_judged(rng, 0).found for _ in range(n)]
    held = 0
    for each in found:
        assert each is not None and each.relative_bias is not None
        held += each.relative_bias.low <= 0.0 <= each.relative_bias.high
    assert within_binomial(held, n, 0.95) or held > 0.95 * n


def test_clean_batches_are_seldom_called_bad() -> None:
    """Of sound batches fewer than one in three has anything said against it.

    Five tests in each, none of which knows of the others: pairs 5 %, bias 5 %, carry-over none
    (equal blanks), and 15 readings on charts at 0.3 and 0.2 % each, their sd itself from 24 pairs.
    """
    rng, n = np.random.default_rng(31), often(100)
    verdicts = [_judged(rng, 24).verdict for _ in range(n)]
    clean = sum(v == ("Nothing speaks against this batch.",) for v in verdicts)
    assert 0.67 * n <= clean < n
