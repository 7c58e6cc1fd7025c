"""Columns of answers as they come, and the symmetric matrices of many surveys by their halves."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from oretally.recon.many import AnswerColumns, ColumnName, in_a_row
from oretally.recon.numerics import dense_factor, dense_pattern, dense_products

NAME = ColumnName("adjusted", "feed", "Sn", "%")
Rows = list[int]


@given(n=st.integers(1, 40), data=st.data())
def test_what_nobody_wrote_is_nan(n: int, data: st.DataObject) -> None:
    columns, expected = AnswerColumns(n), np.full(n, np.nan)
    for value in range(data.draw(st.integers(1, 5))):
        rows: Rows = data.draw(st.lists(st.integers(0, n - 1), min_size=1, unique=True))
        if data.draw(st.booleans()):
            rows = list(range(min(rows), max(rows) + 1))
        columns.put(NAME, in_a_row(np.array(rows)), np.full(len(rows), float(value)))
        expected[rows] = value
        if data.draw(st.booleans()):
            np.testing.assert_array_equal(columns[NAME], expected)
    np.testing.assert_array_equal(columns.items()[NAME], expected)


@pytest.mark.parametrize("lanes", [1, 2, 7])
@pytest.mark.parametrize("n", [1, 2, 6])
def test_half_of_a_symmetric_matrix_is_all_of_it(n: int, lanes: int) -> None:
    rng = np.random.default_rng(n)
    X = rng.standard_normal((9, n, lanes))
    whole = np.einsum("ris,rjs->sij", X, X)
    entries = dense_products(X, X)
    for (i, j), at in dense_pattern(n).position.items():
        np.testing.assert_allclose(entries[at], whole[:, i, j], rtol=1e-12, atol=1e-12)
    stacked = dense_products(X.reshape(3, 3, n, lanes), X.reshape(3, 3, n, lanes))
    np.testing.assert_allclose(stacked, entries, rtol=1e-12, atol=1e-12)
    right = rng.standard_normal((n, lanes))
    found = dense_factor(n, entries).solve(right)
    np.testing.assert_allclose(np.einsum("sij,js->is", whole, found), right, rtol=1e-9, atol=1e-9)
