"""What is frozen stays as it is, and travels between processes."""

from __future__ import annotations

import copy
import pickle
from collections.abc import Iterator, Mapping
from dataclasses import FrozenInstanceError, fields, is_dataclass, replace
from typing import Any

import numpy as np
import pytest
from example_balances import example_balance
from scipy import sparse

from oretally.flowsheet import BalanceProblem, Survey
from oretally.recon import Balance


@pytest.fixture(scope="module", params=["grinding_by_size", "bucket_not_taken_off"])
def balance(request: pytest.FixtureRequest) -> Balance:
    return example_balance(request.param)


def _mappings(row: object) -> Iterator[Mapping[Any, Any]]:
    """Yield all mappings in the fields of a row and of the rows in it."""
    if isinstance(row, Mapping):
        yield row
    parts = row if isinstance(row, tuple) else []
    if is_dataclass(row):
        parts = [getattr(row, f.name) for f in fields(row)]
    for part in parts:
        yield from _mappings(part)


def test_no_mapping_can_be_written_to(balance: Balance) -> None:
    found = list(_mappings(balance))
    assert len(found) > 4 and any(found)
    for each in found:
        with pytest.raises(TypeError, match="does not support item assignment"):
            each["more"] = 1.0  # type: ignore[index]
    with pytest.raises(FrozenInstanceError):
        balance.survey.containers = {}  # type: ignore[misc]


def test_what_was_given_can_change_afterwards(balance: Balance) -> None:
    given = {"blue bucket": 1.35}
    survey = Survey(balance.survey.basis, balance.survey.flow_unit, (), (), containers=given)
    given["red bucket"] = 0.9
    assert survey.containers == {"blue bucket": 1.35}


def test_between_processes(balance: Balance) -> None:
    sent = pickle.loads(pickle.dumps(balance))
    assert sent == balance and copy.deepcopy(balance) == balance
    with pytest.raises(TypeError):
        sent.survey.containers["more"] = 1.0


def test_only_what_nobody_can_write_to_is_taken_as_it_is() -> None:
    """Read-only views and matrices that are not canonical are copied, and brought to form."""
    base = np.array([10.0, 6.0, 4.0])
    view = base.view()
    view.flags.writeable = False
    twice = sparse.csr_array((np.array([1.0, 1.0, -1.0, 0.0]), np.array([0, 0, 1, 2]), [0, 4]))
    for part in (twice.data, twice.indices, twice.indptr):
        part.flags.writeable = False
    problem = BalanceProblem.of_flows(twice, view, np.full(3, 0.1))
    base[:] = 0.0
    assert problem.flow.tolist() == [10.0, 6.0, 4.0]
    assert problem.flow_balance.toarray().tolist() == [[2.0, -1.0, 0.0]]
    assert problem.flow_balance.nnz == 2
    again = replace(problem, flow=problem.flow + 1.0)
    assert again.flow_balance is problem.flow_balance and again.flow_sd is problem.flow_sd
    for array in (problem.flow, problem.flow_balance.data, problem.tie):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 1
