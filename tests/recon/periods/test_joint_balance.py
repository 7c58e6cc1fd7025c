"""Shifts condensed give what one circuit with copies of all streams gives."""

from __future__ import annotations

import numpy as np
import pytest
from balance_cases import only_balanced
from shift_surveys import CLOSING, Mill

from oretally.flowsheet import Position, parse_unit
from oretally.recon.periods import (
    Jointly,
    ShiftPlace,
    Source,
    condensed_balance,
    coupled,
    one_circuit,
    whole_balance,
)
from oretally.recon.periods.joint import JointBalance
from oretally.recon.propagation import Derived, total

WIDE = {"belt scale": "campaign", "laboratory": "day"}
CASES = {
    "ends": Mill(4, over=WIDE),
    "no shared errors": Mill(4),
    "each its own": Mill(3, over={"belt scale": "", "laboratory": ""}),
    "stock measured by both": Mill(4, stocks=(0, 2, 4), over=WIDE),
    "stock measured once": Mill(3, stocks=(0,), over=WIDE),
    "no stock measured": Mill(3, stocks=(), over=WIDE),
    "two analytes": Mill(3, analytes=("Pb", "Ag"), over=WIDE),
    "assays missing": Mill(
        4, over=WIDE, missing=[(1, "feed", "Pb"), (2, "tailings", "Pb"), (0, "ore", "Pb")]
    ),
    "ore not weighed": Mill(4, over=WIDE, missing=[(1, "ore", "dry mass")]),
    "stock not assayed": Mill(3, over=WIDE, missing=[(2, CLOSING, "Pb"), (0, CLOSING, "Pb")]),
    "tailings not weighed": Mill(3, over=WIDE, missing=[(t, "tailings", "dry mass")
                                                        for t in range(3)]),
}  # fmt: skip


def _amount(balance: JointBalance, t: int, stream: str, k: int | None) -> Jointly:
    j = balance.coupled.shifts[t].circuit.stream_names.index(stream)
    place = ShiftPlace(t, Position(None, j))
    flow = Derived(balance.value(place), {place: 1.0})
    if k is None:
        return flow
    of = ShiftPlace(t, Position(k, j))
    return flow * Derived(balance.value(of), {of: 1.0})


def _answers(balance: JointBalance) -> list[Jointly]:
    n = len(balance.coupled.shifts)
    made, fed = (total(_amount(balance, t, stream, 0) for t in range(n))
                 for stream in ("concentrate", "feed"))  # fmt: skip
    return [
        made, fed, made / fed, _amount(balance, n - 1, CLOSING, None),
        _amount(balance, n - 1, CLOSING, 0), _amount(balance, 0, CLOSING, None),
        _amount(balance, 1, "ore", 0), _amount(balance, 0, "tailings", None),
    ]  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_condensed_equals_the_whole(name: str) -> None:
    together = coupled(CASES[name].surveys(3))
    one, all_ = condensed_balance(together), whole_balance(together)
    a, b = _answers(one), _answers(all_)
    ea, eb = one.effects(a), all_.effects(b)
    known = ea.determined
    assert (known == eb.determined).all()
    assert known[[0, 1, 2]].all()
    assert one.dof == all_.dof
    assert one.objective == pytest.approx(all_.objective, rel=1e-7)
    values = np.array([[x.value, y.value] for x, y in zip(a, b, strict=True)])[known]
    np.testing.assert_allclose(values[:, 0], values[:, 1], rtol=1e-9)
    np.testing.assert_allclose(ea.sd[known], eb.sd[known], rtol=1e-9)
    # error by error
    assert set(ea.errors) == set(eb.errors)
    order = [eb.errors.index(e) for e in ea.errors]
    scale = ea.sd[known][:, None]
    np.testing.assert_allclose(
        ea.moved[known] / scale, eb.moved[known][:, order] / scale, atol=1e-9
    )


def test_it_is_what_reconcile_gives_for_one_circuit() -> None:
    together = coupled(CASES["assays missing"].surveys(5))
    condensed = condensed_balance(together)
    balance = only_balanced(*one_circuit(together))
    assert balance.global_test.statistic == pytest.approx(condensed.objective, rel=1e-9)
    assert balance.global_test.dof == condensed.dof
    found = {(v.stream, v.quantity): v for v in balance.values}
    for t, shift in enumerate(together.shifts):
        for row in shift.model.positions.rows:
            place = ShiftPlace(t, row.place)
            (sd,) = condensed.effects([Derived(condensed.value(place), {place: 1.0})]).sd
            of = found[f"{row.stream} ({t + 1})", row.quantity]
            unit = parse_unit(of.unit)
            assert of.adjusted is not None
            assert of.adjusted_sd is not None
            # `reconcile` ends where nothing is to be gained: 1e-7 of an sd from the minimum
            assert condensed.value(place) == pytest.approx(
                unit.to_base(of.adjusted), rel=1e-9, abs=1e-6 * sd
            )
            assert sd == pytest.approx(unit.to_base(of.adjusted_sd), rel=1e-7)


def test_apart_is_the_whole_with_a_source_for_each_shift() -> None:
    together = coupled(CASES["ends"].surveys(3))
    one, all_ = condensed_balance(together), whole_balance(together)
    answers = _answers(one)
    np.testing.assert_allclose(
        one.effects(answers, apart=True).sd, all_.effects(answers, apart=True).sd, rtol=0.03
    )  # the other is linear about its own balance
    shared, apart = one.effects(answers).sd, one.effects(answers, apart=True).sd
    assert shared[0] > 1.2 * apart[0]
    assert {e.span for e in one.effects(answers).errors if isinstance(e, Source)} == {
        "campaign", "2026-03-02", "2026-03-03",
    }  # fmt: skip


def test_the_stock_is_one_number_on_both_sides() -> None:
    balance = condensed_balance(coupled(CASES["ends"].surveys(1)))
    for t in range(3):
        left, found = (
            _amount(balance, t + i, name, k).value
            for i, name in ((0, CLOSING), (1, CLOSING.replace("closing", "opening")))
            for k in (0,)
        )
        assert left == pytest.approx(found, rel=1e-9)
