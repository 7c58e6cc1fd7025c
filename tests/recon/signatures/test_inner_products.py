"""Inner products by their structure against the whole matrix."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from oretally.recon.signatures import InnerProducts, inner_products

SEEDS = st.integers(0, 10_000)
few = settings(max_examples=40, deadline=None, derandomize=True)


def _drawn(seed: int, *, twins: bool = False) -> tuple[InnerProducts, NDArray[np.float64]]:
    """Return products of random signatures in columns that have the last checks in common.

    P = Q Q' of rows (own checks of the column, common ones); as twins some rows are the same.
    """
    rng = np.random.default_rng(seed)
    sizes, n_losses, common = rng.integers(1, 6, 4), int(rng.integers(0, 3)), 3
    n = int(sizes.sum())
    own = np.zeros((n, 4 * 8))
    ends = list(zip((np.cumsum(sizes) - sizes).tolist(), sizes.tolist(), strict=True))
    for b, (start, size) in enumerate(ends):
        own[start : start + size, 8 * b : 8 * b + 8] = rng.standard_normal((size, 8))
    lost = rng.standard_normal((n_losses, own.shape[1]))
    Q = np.vstack([own, lost])
    if twins:
        Q[1:n:3] = -1.7 * Q[0]
        Q[:n, 8:] *= (np.arange(n) % 3 != 1)[:, None]
    K = 0.3 * rng.standard_normal((len(Q), common))
    whole = Q @ Q.T
    blocks = [whole[a : a + m, a : a + m] for a, m in ends]
    apart = np.repeat(np.arange(4), sizes)
    whole[:n, :n] *= apart[:, None] == apart
    return InnerProducts(blocks, whole[:, n:], K), whole - K @ K.T


@given(seed=SEEDS, formed=st.booleans())
@few
def test_every_part_is_that_of_the_whole(seed: int, formed: bool) -> None:
    """Parts, diagonal, columns, pairs, products: whether the whole is formed or not."""
    products, P = _drawn(seed)
    with pytest.MonkeyPatch.context() as patched:
        if not formed:
            patched.setattr(inner_products, "_SMALL", 0)
        rng = np.random.default_rng(seed + 1)
        rows, others = (rng.integers(0, len(P), 7) for _ in range(2))
        n = int(products.ends[-1])
        i, j = rng.integers(0, n, (2, 9))
        errors = rng.standard_normal((3, n))
        for found, expected in (
            (products.dense(), P), (products.diagonal, np.diag(P)),
            (products.at(rows, others), P[np.ix_(rows, others)]),
            (products.at(rows), P[np.ix_(rows, rows)]), (products.columns(rows), P[:, rows]),
            (products.pairs(i, j), P[i, j]), (products.times(errors), errors @ P[:n, :n]),
        ):  # fmt: skip
            assert found == pytest.approx(expected, rel=1e-12, abs=1e-12)


@given(seed=SEEDS)
@few
def test_leaving_out(seed: int) -> None:
    """P - P_T P_TT^-1 P_T' and r - P_T P_TT^-1 r_T, of two errors."""
    products, P = _drawn(seed)
    P = P + 9.0 * np.eye(len(P))  # far from singular
    n = int(products.ends[-1])
    blocks = [b + 9.0 * np.eye(len(b)) for b in products.blocks]
    losses = products.losses + 9.0 * np.eye(len(P))[:, n:]
    r = np.random.default_rng(seed).standard_normal(len(P))
    chosen = [0, n - 1] if n > 1 else [0]
    left, r_left = InnerProducts(blocks, losses, products.K).without(chosen, r)
    pulled = P[:, chosen] @ np.linalg.inv(P[np.ix_(chosen, chosen)])
    assert left.dense() == pytest.approx(P - pulled @ P[chosen], abs=1e-11)
    assert r_left == pytest.approx(r - pulled @ r[chosen], abs=1e-11)


@given(seed=SEEDS, least=st.sampled_from([0.5, 0.9, 0.999]), chunk=st.sampled_from([1, 4_000_000]))
@few
def test_alike(seed: int, least: float, chunk: int) -> None:
    """The pairs of large correlation are those of the whole matrix, none is missed."""
    products, P = _drawn(seed, twins=True)
    own = np.diag(P)
    size = np.where(own > 0.01, np.sqrt(np.maximum(own, 0.01)), np.inf)
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(inner_products, "_CHUNK", chunk)
        i, j, C = products.alike(size, least)
    correlation = P / size[:, None] / size
    expected = np.argwhere(np.triu(np.abs(correlation) >= least, 1))
    assert np.column_stack([i, j]).tolist() == expected.tolist()
    assert C == pytest.approx(correlation[i, j], abs=1e-12)


def test_alike_of_different_columns() -> None:
    """Two readings that act through the flows alone are alike, whatever their columns."""
    K = np.array([[0.6, 0.0], [0.1, 0.1], [-0.6, 0.0]])
    products = InnerProducts([np.eye(1), np.eye(1), np.eye(1)], np.zeros((3, 0)), K)
    i, j, C = products.alike(np.sqrt(products.diagonal), 0.5)
    assert (i.tolist(), j.tolist()) == ([0], [2])
    assert C == pytest.approx([0.36 / 0.64])


@given(seed=SEEDS)
@few
def test_rows_in_another_order(seed: int) -> None:
    """Some rows of each block in any order, and some losses."""
    products, P = _drawn(seed)
    rng = np.random.default_rng(seed + 1)
    ends = [*products.ends.tolist(), len(products)]
    parts = [rng.permutation(np.arange(a, b))[: max(1, b - a - 1)]
             for a, b in zip(ends, ends[1:], strict=False) if b > a]  # fmt: skip
    rows = np.concatenate(parts)
    assert products.of(rows).dense() == pytest.approx(P[np.ix_(rows, rows)])
