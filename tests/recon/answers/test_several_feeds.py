"""Several feeds: what refers to the feed refers to all of them together, unless some are named."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pytest
from balance_cases import only_balanced
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from often import often
from random_circuits import RandomCircuit

from oretally.flowsheet import (
    Analyte,
    BalanceModel,
    Basis,
    Circuit,
    InputError,
    Measurement,
    Stream,
    Survey,
    parse_unit,
)
from oretally.flowsheet.circuit import Content
from oretally.io import read_case
from oretally.recon import check
from oretally.recon.draws import answers_of
from oretally.recon.result import Balance, Estimate
from oretally.recon.solver import propagate, solve

Build = Callable[..., Survey]
# 10 kg of 2 % and 2.5 kg of 12 % are 12.5 kg of 4 %: 500 g, of which 350 g leave in the concentrate
MASS = {"ore": 10.0, "scrap": 2.5, "conc": 0.5, "tails": 12.0}
TIN = {"ore": 2.0, "scrap": 12.0, "conc": 70.0, "tails": 1.25}
BOTH = ("ore", "scrap")
EXAMPLES = Path(__file__).resolve().parents[3] / "examples"


def _circuit() -> Circuit:
    return Circuit.build(
        {"ore": (None, "sump"), "scrap": (None, "sump"), "mixed": ("sump", "table"),
         "conc": ("table", None), "tails": ("table", None)},
        {"sump": "mixer"},
    )  # fmt: skip


@pytest.fixture
def survey(make_survey: Build) -> Survey:
    mass = {s: (m, 0.01 * m) for s, m in MASS.items()}
    return make_survey(mass, {"Sn": {s: (x, 0.02 * x) for s, x in TIN.items()}})


def _value(found: Estimate | None) -> float:
    assert found is not None
    return found[0]


def test_answers_by_hand(survey: Survey) -> None:
    balance = only_balanced(_circuit(), survey, prices={"Sn": 25.0})
    assert (balance.feeds, balance.feed) == (BOTH, "ore + scrap")
    shares = {r.stream: r.recovery for r in balance.recoveries}
    assert {r.of for r in balance.recoveries} == {"ore + scrap"}
    wanted = {"ore": 40.0, "scrap": 60.0, "mixed": 100.0, "conc": 70.0, "tails": 30.0}
    assert shares == pytest.approx(wanted)
    conc = balance.separations[0]
    assert (conc.yield_percent, conc.ratio_of_concentration) == pytest.approx((4.0, 25.0))
    assert _value(conc.enrichment["Sn"]) == pytest.approx(17.5)  # 70 over 4
    amounts = {a.stream: (a.amount, a.per_feed, a.product) for a in balance.amounts}
    assert list(amounts) == ["ore", "scrap", "ore + scrap", "conc", "tails"]
    assert amounts["ore + scrap"] == pytest.approx((0.5, 0.04, False))
    assert amounts["scrap"] == pytest.approx((0.3, 0.3 / 12.5, False))
    assert amounts["conc"] == pytest.approx((0.35, 0.028, True))
    assert balance.losses.kept[0].percent[0] == pytest.approx(70.0)
    loss = balance.losses.found[0]
    assert (loss.stream, loss.of) == ("tails", "ore + scrap")
    assert loss.percent[0] == pytest.approx(30.0)
    assert not any("alone" in note for note in balance.notes)


def test_the_feeds_together(survey: Survey) -> None:
    """Sd of the measured ones by hand: 12.5 +- 0.103 kg; metal 0.5 kg, see JCGM 100, eq. 13."""
    balance = only_balanced(_circuit(), survey)
    both = balance.combined_feed
    assert both is not None and both.feeds == BOTH and both.unit == "kg"
    assert both.measured == pytest.approx((12.5, (0.1**2 + 0.025**2) ** 0.5))
    # d(grade)/dF = (x - 4) / 12.5, d(grade)/dx = F / 12.5
    parts = [-2.0 * 0.1, 8.0 * 0.025, 10.0 * 0.04, 2.5 * 0.24]
    sd = sum(p**2 for p in parts) ** 0.5 / 12.5
    assert both.assayed["Sn"] == pytest.approx((4.0, sd))
    assert _value(both.adjusted) == pytest.approx(12.5)
    assert both.grades["Sn"] == pytest.approx(
        (4.0, balance.value("mixed", "Sn").adjusted_sd)
    )  # all of it goes there
    head = balance.heads[0]
    assert head.stream == "ore + scrap"
    assert (head.calculated, head.assayed, head.assayed_sd) == pytest.approx((4.0, 4.0, sd))
    assert (head.adjusted, head.adjusted_sd) == both.grades["Sn"]
    assert check(_circuit(), survey).heads[0].assayed == pytest.approx(4.0)


def test_errors_by_hand(make_survey: Build) -> None:
    """Nothing is checked by anything: the sd of a ratio of measured amounts, JCGM 100, eq. 13."""
    some = ("ore", "scrap", "conc")
    survey = make_survey(
        {s: (MASS[s], 0.01 * MASS[s]) for s in some},
        {"Sn": {s: (TIN[s], 0.02 * TIN[s]) for s in some}},
    )
    balance = only_balanced(_circuit(), survey)
    each = 0.01**2 + 0.02**2  # relative variance of an amount
    found = balance.recovery("conc", "Sn")
    assert found.recovery == pytest.approx(70.0)
    assert found.sd == pytest.approx(70.0 * (each * (1.0 + 0.4**2 + 0.6**2)) ** 0.5)
    ore = balance.recovery("ore", "Sn")
    assert ore.sd == pytest.approx(40.0 * (2.0 * each * 0.6**2) ** 0.5)
    conc = balance.separations[0]
    assert conc.yield_sd == pytest.approx(4.0 * 0.01 * (1.0 + 0.8**2 + 0.2**2) ** 0.5)


def test_what_is_named(survey: Survey) -> None:
    default = only_balanced(_circuit(), survey)
    assert only_balanced(_circuit(), survey, feed=list(BOTH)).recoveries == default.recoveries
    alone = only_balanced(_circuit(), survey, feed="ore")
    assert (alone.feeds, alone.feed, alone.combined_feed) == (("ore",), "ore", None)
    assert alone.recovery("conc", "Sn").recovery == pytest.approx(175.0)
    assert alone.separations[0].yield_percent == pytest.approx(5.0)
    told = [note for note in alone.notes if "alone" in note]
    assert told == [
        "Recoveries refer to 'ore' alone; 'scrap' also brings metal: they may exceed 100 %."
    ]
    inside = only_balanced(_circuit(), survey, feed="mixed")  # all that enters comes through it
    assert inside.recovery("conc", "Sn").recovery == pytest.approx(70.0)
    assert not any("alone" in note for note in inside.notes)


@pytest.mark.parametrize(
    ("feed", "told"),
    [
        ([], "Recoveries must refer to a stream"),
        (["ore", "ore"], "'ore' is named as feed twice"),
        (["ore", "mixed"], "'ore' and 'mixed' cannot both be feeds"),
        (["ore", "scrab"], "Did you mean 'scrap'?"),
    ],
)
def test_feeds_that_are_refused(survey: Survey, feed: Sequence[str], told: str) -> None:
    with pytest.raises(InputError) as error:
        only_balanced(_circuit(), survey, feed=feed)
    assert told in str(error.value)


def test_a_feed_that_stands_still(make_survey: Build) -> None:
    """It brings nothing, though it has no grade; and nobody is told that it may."""
    kept = {"ore": 10.0, "conc": 0.2, "tails": 9.8}
    survey = make_survey(
        {"scrap": (0.0, 1e-9), **{s: (m, 0.01 * m) for s, m in kept.items()}},
        {"Sn": {"ore": (2.0, 0.04), "conc": (70.0, 1.4), "tails": (0.6, 0.012)}},
    )
    both, alone = (only_balanced(_circuit(), survey, feed=feed) for feed in (None, "ore"))
    assert both.value("scrap", "dry mass").adjusted == 0.0
    for product in ("conc", "tails"):
        one, other = (b.recovery(product, "Sn") for b in (both, alone))
        assert (one.recovery, one.sd) == pytest.approx((other.recovery, other.sd))
    assert both.recovery("scrap", "Sn").recovery == 0.0
    assert not any("alone" in note for note in alone.notes)


def test_which_feeds_count() -> None:
    """Solids that are ore; neither water nor what takes metal out of a solution."""
    into = [
        Stream("water", None, "tank", content=Content.SOLUTION),
        Stream("ore", None, "tank"),
        Stream("carbon", None, "tank", content=Content.DRY, takes_up="carbon"),
        Stream("slag", None, "tank", content=Content.DRY),
    ]
    out = [Stream("tails", "tank", None),
           Stream("loaded", "tank", None, content=Content.DRY, takes_up="carbon")]  # fmt: skip
    assert Circuit.from_parts([*into, *out]).ore_feeds == ("ore", "slag")
    assert Circuit.from_parts([into[0], into[2], *out]).ore_feeds == ("water",)


def test_solution_among_the_feeds() -> None:
    """Gold that comes dissolved counts as fed; mass and head are those of the solids alone."""
    case = read_case(EXAMPLES / "leach_test")
    liquids = ("reagent solution", "wash water")
    alone, all_in = (
        only_balanced(case.circuit, case.survey, feed=("ore pulp", *more)) for more in ((), liquids)
    )
    shares = [r.recovery or 0.0 for r in all_in.recoveries if r.product]
    assert sum(shares) == pytest.approx(100.0)
    assert sum(r.recovery or 0.0 for r in alone.recoveries if r.product) > 100.1
    one, other = (b.separations[0] for b in (alone, all_in))
    assert (one.yield_percent, one.ratio_of_concentration) == pytest.approx(
        (other.yield_percent, other.ratio_of_concentration)
    )
    assert one.enrichment["Au"] == pytest.approx(other.enrichment["Au"])
    assert all_in.combined_feed is not None
    assert _value(all_in.combined_feed.adjusted) == alone.value("ore pulp", "dry mass").adjusted
    _check_formulas(all_in)


def test_formulas_give_the_answers(survey: Survey) -> None:
    """What a simulation reads of each draw is what the balance says, at the balance."""
    _check_formulas(only_balanced(_circuit(), survey))


def _check_formulas(balance: Balance) -> None:
    model = BalanceModel(balance.circuit, balance.survey)
    solution = solve(model.problem)
    assert solution.objective == pytest.approx(balance.objective, abs=1e-9)
    pairs = answers_of(balance, model, propagate(model.problem, solution))
    assert {answer.kind.value for answer, _ in pairs} >= {"recovery", "yield", "enrichment"}
    for answer, formula in pairs:
        (value,) = formula(solution.flow[None], solution.grade[None])
        assert value == pytest.approx(answer.value), answer


def _drawn(made: RandomCircuit, *, missing: float) -> Survey:
    """Return a survey with errors of 2 % in which some values are missing, but for a first flow."""
    kg, percent, found = parse_unit("kg"), parse_unit("%"), list[Measurement]()
    for j, stream in enumerate(made.circuit.stream_names):
        true = [("dry mass", made.flow[j], kg)]
        true += [(f"A{k}", 100.0 * x, percent) for k, x in enumerate(made.grade[:, j])]
        for quantity, value, unit in true:
            noise, gap = made.rng.standard_normal(), made.rng.random() < missing
            if not gap or (j == 0 and unit is kg):
                read = value * (1.0 + 0.02 * noise)
                found.append(Measurement(stream, quantity, read, unit, 0.02 * value))
    analytes = tuple(Analyte(f"A{k}", percent) for k in range(len(made.grade)))
    return Survey(Basis.BATCH, kg, analytes, tuple(found))


def _sums(balance: Balance) -> dict[str, float]:
    """Return what the products have together of each analyte, and of the solids; where known."""
    shares: dict[str, list[float | None]] = {}
    for r in balance.recoveries:
        if r.product:
            shares.setdefault(r.analyte, []).append(r.recovery)
    shares["solids"] = [s.yield_percent for s in balance.separations]
    known = {name: [x for x in each if x is not None] for name, each in shares.items()}
    return {name: sum(each) for name, each in known.items() if len(each) == len(shares[name])}


@settings(max_examples=often(40, 0.4))
@given(seed=st.integers(0, 10_000), n_feeds=st.integers(2, 3), missing=st.sampled_from([0.0, 0.3]))
def test_products_have_all_that_the_feeds_brought(seed: int, n_feeds: int, missing: float) -> None:
    made = RandomCircuit(seed, 4, 2, n_feeds)
    balance = only_balanced(made.circuit, _drawn(made, missing=missing))
    assert balance.feeds == made.circuit.feeds and len(balance.feeds) == n_feeds
    assume(balance.converged)
    found = _sums(balance)
    assert missing or len(found) == 3
    assert list(found.values()) == pytest.approx([100.0] * len(found), abs=1e-6)
    fed = {r.stream: r.recovery for r in balance.recoveries if r.analyte == "A0"}
    brought = [share for s in balance.feeds if (share := fed[s]) is not None]
    if len(brought) == n_feeds:
        assert sum(brought) == pytest.approx(100.0, abs=1e-6)
    if not missing:
        assert np.isfinite([r.sd for r in balance.recoveries if r.product and r.sd]).all()
