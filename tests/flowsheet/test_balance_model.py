"""One object for circuit and survey: what follows from them is worked out once in a balance."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from oretally.flowsheet.problem import model
from oretally.io import read_case
from oretally.recon import reconcile

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
WORK = ("meanings", "carriers_of", "positions_of", "problem_of")


@pytest.mark.parametrize("example", ["tails_by_size", "wrong_assay", "month_with_stockpile"])
def test_a_balance_works_them_out_once(example: str, monkeypatch: pytest.MonkeyPatch) -> None:
    case, calls = read_case(EXAMPLES / example), Counter[str]()

    def counted(name: str) -> Callable[..., Any]:
        work = getattr(model, name)

        def call(*given: Any) -> Any:
            calls[name] += 1
            return work(*given)

        return call

    for name in WORK:
        monkeypatch.setattr(model, name, counted(name))
    reconcile(case.circuit, case.survey, feed=case.feed, products=case.products)
    assert calls == dict.fromkeys(WORK, 1)
