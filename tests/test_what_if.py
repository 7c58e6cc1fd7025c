"""What if a measurement were left out, changed or added: against balancing the changed case."""

from __future__ import annotations

from pathlib import Path

import pytest

from oretally.flowsheet import InputError, SharedSource
from oretally.io.case import Case, read_case
from oretally.io.what_if import changed_survey, otherwise_sentence, otherwise_table
from oretally.recon import Balance, reconcile
from oretally.recon.what_if import otherwise, without_measurement

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def case() -> Case:
    return read_case(ROOT / "examples" / "tin_table")


def balanced(case: Case, *, without: tuple[str, ...] = (), added: tuple[str, ...] = ()) -> (
    tuple[Balance, list[str]]
):  # fmt: skip
    survey, words = changed_survey(case.circuit, case.survey, without, added)
    return reconcile(case.circuit, survey, feed=case.feed, products=case.products), words


def test_left_out_as_if_it_had_not_been_measured(case: Case) -> None:
    found, words = balanced(case, without=("Tailings : sn",))
    assert words == ["without Sn of 'tailings'"]
    assert found.value("tailings", "Sn").measured is None
    assert found.global_test.dof == 1
    # the objective falls by the square of the standardised adjustment, to first order
    now, _ = balanced(case)
    z = now.value("tailings", "Sn").standardised
    assert z is not None
    assert found.objective == pytest.approx(now.objective - z**2, rel=0.02)


def test_in_place_of_another_number(case: Case) -> None:
    found, words = balanced(case, added=("middlings:Sn=20000 +- 300 ppm",))
    assert words == ["with Sn of 'middlings' 20000 ± 300 ppm in place of 2.11"]
    row = found.value("middlings", "Sn")
    assert (row.measured, row.sd, row.unit) == (20000.0, 300.0, "ppm")


def test_leaving_out_what_was_added_changes_nothing(case: Case) -> None:
    whole, _ = balanced(case)
    without, _ = balanced(case, without=("tailings:Sn",))
    m = case.survey.measured("tailings", "Sn")
    assert m is not None
    back, _ = balanced(case, added=(f"tailings:Sn={m.value!r} ± {m.sd!r} %",))
    assert back.objective == pytest.approx(whole.objective, rel=1e-9)
    assert without.objective < whole.objective


def test_shared_sources_lose_their_part() -> None:
    case = read_case(ROOT / "examples" / "filter_cakes")
    survey = without_measurement(case.survey, "ore", "BaSO4")
    batch = next(s for s in survey.shared if s.quantity == "BaSO4")
    assert "ore" not in batch.loadings
    assert isinstance(batch, SharedSource)
    assert reconcile(case.circuit, survey, feed=case.feed).converged


def test_side_by_side(case: Case) -> None:
    now, _ = balanced(case)
    then, words = balanced(case, without=("tailings:Sn",))
    found = otherwise(now, then, words)
    table = otherwise_table(found)
    assert table.caption == "What if: without Sn of 'tailings'"
    assert [row[0] for row in table.rows] == ["concentrate", "middlings", "tailings"]
    change = found.recoveries[0].change
    assert change is not None
    assert change == pytest.approx(
        (then.recovery("concentrate", "Sn").recovery or 0.0)
        - (now.recovery("concentrate", "Sn").recovery or 0.0)
    )
    assert otherwise_sentence(found) == "Then chi-square 0.1959 on 1 degree of freedom, p 0.66."


BAD = {
    ("--without", "tail:Sn"): (
        "--without 'tail:Sn': There is no stream 'tail' in the circuit.\nDid you mean 'tailings'?"
    ),
    ("--without", "tailings"): (
        "--without 'tailings': A stream and a quantity are needed, a colon between.\n"
        'Write --without "tailings:Sn".'
    ),
    ("--without", "tailings:Pb"): (
        "--without 'tailings:Pb': There is no quantity 'Pb' here.\nQuantities: dry mass, Sn."
    ),
    ("--with", "tailings:Sn"): (
        "--with 'tailings:Sn': No value is given.\nWrite --with \"tailings:Sn=0.31 ± 0.01 %\"."
    ),
    ("--with", "tailings:Sn=3 %"): (
        "--with 'tailings:Sn=3 %': '3 %' is no value with its sd and unit.\n"
        'Write --with "tailings:Sn=0.31 ± 0.01 %".'
    ),
    ("--with", "tailings:Sn=3 ± 0 %"): (
        "--with 'tailings:Sn=3 ± 0 %': The value must be at least 0 and its sd above 0.\n"
        'Write --with "tailings:Sn=0.31 ± 0.01 %".'
    ),
    ("--with", "tailings:Sn=3 ± 1 kg"): (
        "--with 'tailings:Sn=3 ± 1 kg': 'kg' is the unit of a mass, but a grade is wanted.\n"
        "Write one of: %, g/g, g/kg, kg/t, g/t, mg/kg, ppm, ppb, lb/st, lb/t, lb/lt, ozt/st, "
        "ozt/t, ozt/lt."
    ),
    ("--with", "tailings:Sn=3 ± 1 oz/ton"): (
        "--with 'tailings:Sn=3 ± 1 oz/ton': 'oz/ton' can be read in three ways: ozt/st = 34.2857 "
        "g/t, ozt/t = 31.1035 g/t, ozt/lt = 30.6122 g/t.\nWrite the one the laboratory means."
    ),
}


@pytest.mark.parametrize(("option", "written"), list(BAD))
def test_bad_changes(case: Case, option: str, written: str) -> None:
    without, added = ((written,), ()) if option == "--without" else ((), (written,))
    with pytest.raises(InputError) as caught:
        changed_survey(case.circuit, case.survey, without, added)
    assert [str(f) for f in caught.value.faults] == [BAD[option, written]]


def test_left_out_twice(case: Case) -> None:
    with pytest.raises(InputError) as caught:
        changed_survey(case.circuit, case.survey, ("tailings:Sn", "tailings:Sn"), ())
    assert [str(f) for f in caught.value.faults] == [
        "--without 'tailings:Sn': The Sn of 'tailings' was not measured, or is left out already.\n"
        "Leave out what was measured."
    ]
