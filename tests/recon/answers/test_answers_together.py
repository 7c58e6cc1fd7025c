"""Answers read together are those read one by one."""

from __future__ import annotations

from pathlib import Path

import pytest

from oretally.flowsheet import BalanceModel
from oretally.io import read_case
from oretally.recon.answers import CaseAnswers

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"


@pytest.mark.parametrize("name", ["rougher_cleaner", "tails_by_size", "flotation_times"])
def test_together_as_one_by_one(name: str) -> None:
    case = read_case(EXAMPLES / name)
    answers = CaseAnswers(BalanceModel(case.circuit, case.survey), case.feeds, case.products)
    names = answers.names()
    together = answers.read_all(names)
    alone = {n: found for n in names if (found := answers.read(n)) is not None}
    assert len(together) > 3
    assert together.keys() == alone.keys()
    for n, found in alone.items():
        assert together[n].value == found.value
        assert together[n].sd == pytest.approx(found.sd, rel=1e-9)
        assert together[n].slopes == pytest.approx(found.slopes, rel=1e-6, abs=1e-9 * found.sd)
