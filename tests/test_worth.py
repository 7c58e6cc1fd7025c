"""What streams hold: metal in mass, per mass of feed and in money, against hand computation."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from oretally.flowsheet import Circuit, Fault, Place, Survey, balance_problem
from oretally.io.worth import Price, PriceRow, amount_table, read_prices, worth_table
from oretally.recon import Balance, reconcile
from oretally.recon.prepared import prepare


@pytest.fixture(scope="module")
def balance(two_products: Circuit, make_survey: Callable[..., Survey]) -> Balance:
    survey = make_survey(
        {"feed": (25.0, 0.1), "conc": (0.42, 0.002), "tails": (24.58, 0.1)},
        {"Sn": {"feed": (1.0, 0.03), "conc": (31.0, 0.4), "tails": (0.487, 0.01)}},
    )
    return reconcile(two_products, survey)


def test_amounts_add_up(balance: Balance) -> None:
    held = {a.stream: a for a in balance.amounts}
    assert held["conc"].amount + held["tails"].amount == pytest.approx(held["feed"].amount)
    feed = balance.value("feed", "dry mass").adjusted
    assert feed is not None
    for a in balance.amounts:
        assert a.per_feed == pytest.approx(a.amount / feed)
    grade = balance.value("feed", "Sn")
    assert held["feed"].per_feed == pytest.approx((grade.adjusted or 0.0) / 100.0)
    assert held["feed"].per_feed_sd == pytest.approx((grade.adjusted_sd or 0.0) / 100.0)


def test_sd_of_amounts_by_simulation(balance: Balance) -> None:
    """2,000 surveys drawn around the balance; the sd of an sd is 1.6 %, four of these allowed."""
    problem = balance_problem(balance.circuit, balance.survey)
    rng = np.random.default_rng(8)
    exact = prepare(problem).solve()
    flows = exact.flow + problem.flow_sd * rng.standard_normal((2000, 3))
    grades = exact.grade + problem.grade_sd * rng.standard_normal((2000, 1, 3))
    found = prepare(problem).solve_many(flows, grades)
    assert found.converged.all()
    held = found.flow * found.grade[:, 0]
    per = held / found.flow[:, [0]]
    for j, a in enumerate(balance.amounts):
        assert a.sd == pytest.approx(held[:, j].std(ddof=1), rel=4.0 / 4000**0.5)
        assert a.per_feed_sd == pytest.approx(per[:, j].std(ddof=1), rel=4.0 / 4000**0.5)


def test_tables(balance: Balance) -> None:
    table = amount_table(balance)
    assert table.rows[0][:2] == ["feed", "Sn [g]"]
    worth = worth_table(balance, {"Sn": Price(25.0, "EUR")})
    assert worth.header[2] == "worth [EUR]"
    assert worth.header[4] == "per t of feed [EUR/t]"
    conc = next(a for a in balance.amounts if a.stream == "conc")
    row = next(r for r in worth.rows if r[0] == "conc")
    assert float(row[2]) == pytest.approx(25.0 * conc.amount, rel=0.01)
    assert conc.per_feed is not None
    assert float(row[4]) == pytest.approx(25_000.0 * conc.per_feed, rel=0.01)


def _read(balance: Balance, *rows: tuple[str, object]) -> tuple[dict[str, Price], list[str]]:
    faults: list[Fault] = []
    place = Place(file="circuit.toml", line=9)
    prices = read_prices([PriceRow(a, p, place) for a, p in rows], balance.survey, faults)
    return prices, [str(f) for f in faults]


def test_prices_in_any_mass(balance: Balance) -> None:
    prices, faults = _read(balance, ("sn", "2 EUR/ozt"))
    assert not faults
    assert prices["Sn"].per_kg == pytest.approx(2.0 / 0.0311034768)
    assert prices["Sn"].currency == "EUR"


@pytest.mark.parametrize(
    ("rows", "text"),
    [
        ((("Pb", "2 EUR/kg"),),
         "circuit.toml, line 9, Pb: 'Pb' is no analyte of this case.\nAnalytes: Sn."),
        ((("Sn", 3),),
         "circuit.toml, line 9, Sn: The price is '3'; it is a number above 0, a currency and a "
         'mass.\nWrite for example "24 EUR/kg".'),
        ((("Sn", "0 EUR/kg"),),
         "circuit.toml, line 9, Sn: The price is '0 EUR/kg'; it is a number above 0, a currency "
         'and a mass.\nWrite for example "24 EUR/kg".'),
        ((("Sn", "2 EUR/kg"), ("sn", "2 EUR/kg")),
         "circuit.toml, line 9, sn: This price is stated twice.\nTake one out."),
    ],
)  # fmt: skip
def test_bad_prices(balance: Balance, rows: tuple[tuple[str, object], ...], text: str) -> None:
    assert _read(balance, *rows)[1] == [text]


def test_an_ambiguous_mass_of_a_price(balance: Balance) -> None:
    prices, faults = _read(balance, ("Sn", "2 EUR/ton"))
    assert not prices
    assert len(faults) == 1
    assert "ton" in faults[0]
