"""Answers looked at together: which differences are real, and how many tests would decide.

Any 'real' among equal tests is to come with a chance of alpha at most. Where answers by size are
compared too, four fifths of alpha go to those of whole streams and one fifth to those by size
(Bonferroni), and Holm's rule holds within each. So what is asked first is hardly harder to show for
having been sieved.

References
----------
S. Holm, A simple sequentially rejective multiple test procedure, Scandinavian Journal of Statistics
6 (1979) 65-70. That limits within +- a least size of interest show that a difference is smaller:
D.J. Schuirmann, Journal of Pharmacokinetics and Biopharmaceutics 15 (1987) 657-680. Both cited from
memory.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from oretally.recon.answers import GRADE, RATE, AnswerName
from oretally.recon.comparison.repeats import RepeatPlan
from oretally.recon.comparison.rows import Difference, Verdict

__all__ = ["TESTS_POWER", "WHOLE_SHARE", "AnswerRow", "Together", "judged_together"]

TESTS_POWER = 0.80
"""Chance with which so many tests as are named would tell."""
WHOLE_SHARE = 0.8
"""Of alpha, for answers of whole streams where there are some by size too. Our own choice: of four
answers the first then needs a z of 2.58 in place of 2.50; with one half it would be 2.73."""
_MIRROR = 1e-8


@dataclass(frozen=True, slots=True)
class AnswerRow:
    """A difference, with what is needed to judge it beside others.

    Mirrored answers are known by ``moved``, what each error does to the difference, and
    ``scatter``, what the scatter of each test does. ``plan`` is what is known of further tests.
    ``made`` is how many tests of each arm there were, their harmonic mean: by that the variance of
    the difference goes.
    """

    found: Difference
    moved: Mapping[Hashable, float]
    scatter: Mapping[int, float]
    plan: RepeatPlan
    made: float


@dataclass(frozen=True, slots=True)
class Together:
    """Differences judged together.

    Attributes
    ----------
    differences : tuple of Difference
    whole, by_size : int
        Different answers: of whole streams, by size.
    alpha_whole, alpha_by_size : float
        What of alpha goes to these and to those.
    """

    differences: tuple[Difference, ...]
    whole: int
    by_size: int
    alpha_whole: float
    alpha_by_size: float


def judged_together(rows: Sequence[AnswerRow], alpha: float, least: float | None) -> Together:
    """Return the differences of rows with corrected p, verdict and tests that would decide."""
    judged, counts, levels = dict[int, Difference](), list[int](), list[float]()
    for by_size in (False, True):
        part = [i for i, row in enumerate(rows) if row.found.answer.by_size is by_size]
        share = 0.0
        if part:
            other = 1.0 - WHOLE_SHARE if by_size else WHOLE_SHARE
            share = 1.0 if len(part) == len(rows) else other
        corrected = _holm([rows[i] for i in part])
        counts.append(sum(mirror is None for _, mirror in corrected))
        levels.append(alpha * share)
        for i, (p, mirror) in zip(part, corrected, strict=True):
            found = replace(
                rows[i].found, p_together=min(p / share, 1.0), level=levels[-1] / counts[-1],
                mirror_of=mirror,
            )  # fmt: skip
            judged[i] = _judged(found, rows[i], alpha, least)
    return Together(tuple(judged[i] for i in range(len(rows))), *counts, *levels)


def _judged(found: Difference, row: AnswerRow, alpha: float, least: float | None) -> Difference:
    """Return a difference, its p corrected, with its verdict and the tests that would decide."""
    slight = (
        least is not None and found.answer.kind not in (GRADE, RATE)
        and -least < found.low and found.high < least
    )  # fmt: skip
    if found.p_together <= alpha:
        verdict = Verdict.SLIGHT if slight else Verdict.REAL
    else:
        verdict = Verdict.SMALL if slight else Verdict.OPEN
    made = row.made if verdict is Verdict.OPEN else 0.0  # so many have just not decided
    tests = row.plan.tests_needed(found.size, TESTS_POWER, found.level, more_than=made)
    return replace(found, verdict=verdict, tests=tests)


def _holm(rows: Sequence[AnswerRow]) -> list[tuple[float, AnswerName | None]]:
    """Return p of each row corrected for all, and the earlier answer that it mirrors, if any.

    Rows that mirror each other, as the recoveries to two products do, are one.
    """
    group, heads = list[tuple[int, AnswerName | None]](), list[AnswerRow]()
    for row in rows:
        same = next((i for i, head in enumerate(heads) if _mirrored(row, head)), None)
        if same is None:
            group.append((len(heads), None))
            heads.append(row)
        else:
            group.append((same, heads[same].found.answer))
    p = np.array([head.found.p_together for head in heads])
    order = np.argsort(p, kind="stable")
    corrected = np.empty(p.size)
    corrected[order] = np.minimum(
        np.maximum.accumulate(p[order] * (p.size - np.arange(p.size))), 1.0
    )
    return [(float(corrected[i]), mirror) for i, mirror in group]


def _mirrored(one: AnswerRow, other: AnswerRow) -> bool:
    """Tell whether two differences are one but for sign and scale."""
    a, b = one.found, other.found
    if (a.first, a.second) != (b.first, b.second):
        return False
    errors, scatter = _product(one.moved, other.moved), _product(one.scatter, other.scatter)
    size, other_size = (
        (_product(r.moved, r.moved) + _product(r.scatter, r.scatter)) ** 0.5 for r in (one, other)
    )
    # the scatter of a mirrored answer has the other sign too, but nobody knows which it had
    alike = abs(errors) + abs(scatter) >= (1.0 - _MIRROR) * size * other_size
    sign = 1.0 if errors > 0.0 else -1.0
    return alike and abs(a.difference / a.sd - sign * b.difference / b.sd) < 1e-6


def _product(one: Mapping[Any, float], other: Mapping[Any, float]) -> float:
    return sum(m * other.get(e, 0.0) for e, m in one.items())
