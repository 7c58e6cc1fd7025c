"""What the balances give in principle, and the numbers do not: no figure, and words instead."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from balance_cases import only_balanced

from oretally.flowsheet import Circuit, NotBalanceable, Survey

Build = Callable[..., Survey]
TABLE = Circuit.build({"feed": (None, "table"), "conc": ("table", None), "tails": ("table", None)})
NOTE = (
    "These numbers do not tell dry mass of 'conc', dry mass of 'tails': the ± would be larger than "
    "all there is. The grades that should tell are too much alike, or errors too large. Measure it "
    "itself."
)


@pytest.mark.parametrize("apart", [0.0, 1e-4, 0.02])
def test_grades_too_much_alike(apart: float, make_survey: Build) -> None:
    """Two products of one grade: nothing tells how much goes where, not half and half."""
    grades = {"feed": (1.0, 0.03), "conc": (1.0 + apart, 0.03), "tails": (1.0 - apart / 2.0, 0.03)}
    balance = only_balanced(TABLE, make_survey({"feed": (1000.0, 5.0)}, {"Sn": grades}))
    assert balance.converged and NOTE in balance.notes
    for stream in ("conc", "tails"):
        value = balance.value(stream, "dry mass")
        assert (value.adjusted, value.adjusted_sd) == (None, None)
        assert balance.recovery(stream, "Sn").recovery is None
    assert not balance.losses.kept
    assert [s.yield_percent for s in balance.separations] == [None, None]


def test_grades_far_enough_apart(make_survey: Build) -> None:
    grades = {"feed": (1.0, 0.03), "conc": (3.0, 0.03), "tails": (0.5, 0.03)}
    balance = only_balanced(TABLE, make_survey({"feed": (1000.0, 5.0)}, {"Sn": grades}))
    assert balance.recovery("conc", "Sn").recovery == pytest.approx(60.0)
    assert not any("do not tell" in note for note in balance.notes)


def test_errors_beyond_all_there_is(make_survey: Build) -> None:
    """Every number is measured, but the stated errors are five times the grades."""
    grades = {"feed": (1.0, 5.0), "conc": (31.0, 155.0), "tails": (0.5, 2.5)}
    mass = {"feed": (1000.0, 5.0), "conc": (16.4, 0.1), "tails": (983.6, 5.0)}
    balance = only_balanced(TABLE, make_survey(mass, {"Sn": grades}))
    assert balance.recovery("conc", "Sn").recovery is None and not balance.losses.kept
    assert balance.separations[0].yield_percent == pytest.approx(1.64, rel=0.01)


@pytest.mark.parametrize("some", [("feed",), ("conc", "tails"), ("feed", "conc", "tails")])
def test_masses_of_0_fix_no_scale(some: tuple[str, ...], make_survey: Build) -> None:
    survey = make_survey({s: (0.0, 5.0) for s in some}, {"Sn": {"feed": (1.0, 0.03)}})
    with pytest.raises(NotBalanceable) as refused:
        only_balanced(TABLE, survey)
    assert (
        refused.value.reason == "Every dry mass that was measured is 0, so nothing fixes the scale."
    )
    assert refused.value.mend.startswith("0 means that there was none: leave the cell empty where")


def test_one_product_may_have_been_nothing(make_survey: Build) -> None:
    mass = {"feed": (1000.0, 5.0), "conc": (0.0, 1.0), "tails": (998.0, 5.0)}
    balance = only_balanced(
        TABLE, make_survey(mass, {"Sn": {"feed": (1.0, 0.03), "tails": (1.0, 0.03)}})
    )
    assert balance.converged and balance.global_test.consistent
    assert balance.value("conc", "dry mass").adjusted == pytest.approx(0.0, abs=1.0)
