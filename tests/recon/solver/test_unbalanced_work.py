"""All that is tried where there is no balance is paid from one budget, and the rest is told."""

from __future__ import annotations

import jsonschema
import pytest

from oretally.flowsheet import BalanceProblem, Basis, Circuit, Measurement, Survey, parse_unit
from oretally.flowsheet.survey import Analyte
from oretally.io.results.document import balance_document, balance_schema
from oretally.io.wording import obstacles, repair_sentences
from oretally.recon import reconcile
from oretally.recon.no_balance import unbalanced
from oretally.recon.result import Unbalanced
from oretally.recon.solution import Solution
from oretally.recon.solver import WORK, Refitter, Work

CIRCUIT = Circuit.build({
    "feed": (None, "rougher"), "rougher conc": ("rougher", "cleaner"),
    "rougher tails": ("rougher", None), "final conc": ("cleaner", None),
    "cleaner tails": ("cleaner", "rougher"),
})  # fmt: skip
GRADES = {"feed": 2.0, "rougher conc": 20.1, "rougher tails": 0.2, "final conc": 60.0,
          "cleaner tails": 20.4}  # fmt: skip


def _survey(weighed: float) -> Survey:
    """Return a survey whose recycle nothing holds, with so much final concentrate."""
    rate, percent = parse_unit("t/h"), parse_unit("%")
    flows = {"feed": 100.0, "final conc": weighed}
    return Survey(Basis.RATE, rate, (Analyte("Pb", percent),), (
        *(Measurement(s, "dry rate", x, rate, 0.02 * x) for s, x in flows.items()),
        *(Measurement(s, "Pb", x, percent, 0.03 * x) for s, x in GRADES.items()),
    ))  # fmt: skip


@pytest.fixture
def paid(monkeypatch: pytest.MonkeyPatch) -> list[Refitter]:
    """What was spent."""
    made = list[Refitter]()

    class Counted(Refitter):
        def __init__(self, problem: BalanceProblem, solution: Solution, *, work: Work) -> None:
            super().__init__(problem, solution, work=work)
            made.append(self)

    monkeypatch.setattr(unbalanced, "Refitter", Counted)
    return made


def _found(weighed: float) -> tuple[Unbalanced, dict[str, str]]:
    balance = reconcile(CIRCUIT, _survey(weighed))
    found, document = balance.unbalanced, balance_document(balance)
    assert found is not None
    jsonschema.Draft202012Validator(balance_schema()).validate(document)
    trials = document["unbalanced"]["trials"]
    assert trials["would_hold_untried"] == found.holds_untried
    return found, dict([*obstacles(balance), *repair_sentences(balance)])


def test_with_enough_work_nothing_is_left_out(paid: list[Refitter]) -> None:
    found, told = _found(3.0)
    (refitter,) = paid
    assert 0 < refitter.spent < refitter.work.units == WORK.units_unbalanced
    assert found.holds and found.holds_untried == 0
    assert "not tried" not in told["measure"]


@pytest.mark.parametrize("weighed", [3.0, 12.0])
def test_without_it_what_was_left_out_is_told(
    weighed: float, paid: list[Refitter], monkeypatch: pytest.MonkeyPatch
) -> None:
    units = WORK.of_one(7)  # of one balance
    monkeypatch.setattr(unbalanced, "WORK", Work(units_unbalanced=units))
    found, told = _found(weighed)
    (refitter,) = paid
    assert units <= refitter.spent <= 2 * units
    assert found.balanced and found.tried == 0
    assert found.holds_untried >= 1
    assert told["measure"].endswith(
        f"Of what could be measured {found.holds_untried} more "
        f"{'was' if found.holds_untried == 1 else 'were'} not tried: the work that one answer may "
        "take was done."
    )
