"""Water, solution and leaches: read, balanced against known truth."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from water_case import (
    FEED_WATER,
    LIQUOR,
    SOLIDS,
    UNDERFLOW_WATER,
    WASH,
    WATER_CIRCUIT,
    balanced_water,
    read_water,
)

Reference = Callable[[str], dict[str, Any]]


TRUE_ROWS = f"""\
stream,dry rate [t/h],water [m3/h],% solids,Au [g/t],Au in solution [mg/L]
feed,10,,90,2.05,0
wash,,14,,,0
pulp,,,,,{LIQUOR!r}
underflow,,8,,0.2,
overflow,,,,,
"""


def test_the_truth_comes_back_with_all_that_was_not_measured(tmp_path: Path) -> None:
    balance = balanced_water(read_water(tmp_path, TRUE_ROWS))
    water = FEED_WATER + WASH
    truth = {
        ("feed", "water"): FEED_WATER,
        ("feed", "wet rate"): SOLIDS / 0.9,
        ("pulp", "dry rate"): SOLIDS,
        ("pulp", "water"): water,
        ("pulp", "% solids"): 100.0 * SOLIDS / (SOLIDS + water),
        ("pulp", "Au"): 0.2,
        ("underflow", "dry rate"): SOLIDS,
        ("underflow", "wet rate"): SOLIDS + UNDERFLOW_WATER,
        ("underflow", "% solids"): 100.0 * SOLIDS / (SOLIDS + UNDERFLOW_WATER),
        ("underflow", "Au in solution"): LIQUOR,
        ("overflow", "water"): water - UNDERFLOW_WATER,
        ("overflow", "Au in solution"): LIQUOR,  # the liquor of a thickener is one
    }
    for (stream, quantity), expected in truth.items():
        row = balance.value(stream, quantity)
        assert row.measured is None
        assert row.adjusted == pytest.approx(expected, rel=1e-6), (stream, quantity)
    assert balance.global_test.statistic == pytest.approx(0.0, abs=1e-8)
    # of all gold in solids and solution together
    gold = SOLIDS * 2.05
    lost = SOLIDS * 0.2 + UNDERFLOW_WATER * LIQUOR
    assert balance.recovery("underflow", "Au").recovery == pytest.approx(100.0 * lost / gold)
    assert balance.recovery("overflow", "Au").recovery == pytest.approx(100.0 - 100.0 * lost / gold)


def test_only_what_a_stream_carries_is_listed(tmp_path: Path) -> None:
    balance = balanced_water(read_water(tmp_path, TRUE_ROWS))
    listed = [v.quantity for v in balance.values if v.stream == "overflow"]
    assert listed == ["water", "Au in solution"]


@pytest.mark.parametrize(
    ("header", "unit"),
    [
        ("Au solution [mg/L]", "mg/L"),
        ("Au in solution [mg/L]", "mg/L"),
        ("au_in_solution (g/m3)", "g/m3"),
        ("AU IN SOLUTION, mg/L", "mg/L"),
    ],
)
def test_headers_of_solution_assays(header: str, unit: str, tmp_path: Path) -> None:
    rows = TRUE_ROWS.replace("Au in solution [mg/L]", f'"{header}"')
    case = read_water(tmp_path, rows)
    assert case.survey.dissolved == {"Au"}
    m = case.survey.measured("pulp", "Au in solution")
    assert m is not None and m.unit.symbol == unit
    assert m.value_base == pytest.approx(LIQUOR * 1e-6)
    assert m.sd == pytest.approx(np.hypot(0.02 * LIQUOR, 0.005))


def test_a_long_table_and_analytes_from_the_headers(tmp_path: Path) -> None:
    """Nothing is listed under [analytes]; the solution makes no analyte of its own."""
    circuit = WATER_CIRCUIT.replace('[analytes]\nAu = { unit = "g/t" }\n', "")
    rows = (
        "stream,quantity,value,unit,error,error unit\nfeed,dry rate,10,t/h,,\n"
        "feed,% solids,90,%,,\nfeed,Au,2.05,g/t,5,rel %\nfeed,Au solution,<10,ug/L,,\n"
        "wash,water,14,m3/h,0.1,m3/h\nwash,Au in solution,0,mg/L,2,ug/L\n"
        "underflow,Au,200,mg/kg,,\npulp,Au in solution,0.0012,g/L,,\nunderflow,water,8,t/h,,\n"
    ).replace("mg/kg", "ppb")
    case = read_water(tmp_path, rows, circuit)
    assert [a.name for a in case.survey.analytes] == ["Au"]
    wash = case.survey.measured("wash", "water")
    barren = case.survey.measured("wash", "Au in solution")
    assert wash is not None and barren is not None
    assert wash.value_base == 14000.0
    assert wash.sd_base == pytest.approx(100.0)
    assert barren.sd == pytest.approx(0.002)
    assert "Water and solution count at 1 kg/L: 1 m3 as 1 t, 1 mg/L as 1 g/t." in case.notes


def test_a_number_in_its_own_unit(tmp_path: Path) -> None:
    case = read_water(tmp_path, TRUE_ROWS.replace("wash,,14,", "wash,,14000 kg/h,").replace(
        f",{LIQUOR!r}", ",1200 ug/L"))  # fmt: skip
    water, gold = (case.survey.measured(s, q) for s, q in
                   (("wash", "water"), ("pulp", "Au in solution")))  # fmt: skip
    assert water is not None and water.value_base == 14000.0
    assert gold is not None and gold.value_base == pytest.approx(1.2e-6)


def test_moisture_becomes_percent_solids(tmp_path: Path) -> None:
    rows = TRUE_ROWS.replace("% solids", "moisture [%]").replace("feed,10,,90", "feed,10,,10")
    case = read_water(tmp_path, rows)
    m = case.survey.measured("feed", "% solids")
    assert m is not None
    assert m.value == pytest.approx(90.0)
    assert m.sd == pytest.approx(0.5)
    assert case.notes[0] == "% solids of 'feed' is 90.00 ± 0.50 %, from moisture 10.00 ± 0.50 %."
    assert balanced_water(case).value("feed", "water").adjusted == pytest.approx(FEED_WATER)


def test_a_shared_moisture_error_turns_its_sign(tmp_path: Path) -> None:
    circuit = WATER_CIRCUIT + (
        '[sources]\n"moisture sample" = { of = "moisture", absolute = "0.8 %", shared = true }\n'
    )
    rows = TRUE_ROWS.replace("% solids", "moisture [%]").replace("feed,10,,90", "feed,10,,10")
    rows = rows.replace("underflow,,8,,", "underflow,,,44.4,")
    survey = read_water(tmp_path, rows, circuit).survey
    (source,) = survey.shared
    assert (source.name, source.quantity) == ("moisture sample", "% solids")
    assert source.loadings == pytest.approx({"feed": -0.008, "underflow": -0.008})
    m = survey.measured("underflow", "% solids")
    assert m is not None and m.sd == pytest.approx(np.hypot(0.5, 0.8))


_SUMP = """\
basis = "rate"
water = true
[streams]
feed = { to = "sump" }
product = { from = "sump" }
[errors]
pulp = { relative = 1 }
"pulp density" = { absolute = "0.004 kg/L" }
"solids density" = { absolute = "0.02 kg/L" }
"% solids" = { absolute = "0.5 %" }
"""


def test_published_slurries_through_a_balance(reference: Reference, tmp_path: Path) -> None:
    """An open course on mineral processing, exercises I and II (Wills, ch. 3, from memory).

    Printed truncated, not rounded: 45.88 %.
    """
    data = reference("slurry_percent_solids")
    one, two, printed = data["inputs"]["ex1"], data["inputs"]["ex2"], data["published"]
    for seconds, kg_per_h in zip(
        two["fill_seconds"], printed["ex2"]["solids_kg_per_h"], strict=True
    ):
        litres = two["can_litre"] * 3600.0 / seconds
        rows = (
            "stream,pulp [L/h],pulp density [kg/m3],solids density [kg/m3]\n"
            f"feed,{litres!r},{two['pulp_density']},{two['solids_density']}\n"
        )
        balance = balanced_water(read_water(tmp_path, rows, _SUMP))
        share = balance.value("product", "% solids")
        assert share.adjusted == pytest.approx(printed["ex2"]["solids_mass_pct"], abs=0.01)
        # dry rates are shown in t/h, the unit where no column gives one
        assert balance.value("product", "dry rate").unit == "t/h"
        solids = 1000.0 * (balance.value("product", "dry rate").adjusted or 0.0)
        assert solids == pytest.approx(kg_per_h, abs=0.5)
    rows = (
        "stream,pulp [m3/h],% solids,solids density [kg/m3]\n"
        f"feed,1,{one['solids_mass_pct']},{one['solids_density']}\n"
    )
    wet = balanced_water(read_water(tmp_path, rows, _SUMP)).value("product", "wet rate")
    assert 1000.0 * (wet.adjusted or 0.0) == pytest.approx(
        printed["ex1"]["slurry_density"], abs=0.5
    )


def test_the_way_from_densities_and_its_error(tmp_path: Path) -> None:
    """sd of % solids and of the wet rate against 100,000 draws; what is used twice is said."""
    case = read_water(
        tmp_path,
        "stream,pulp [m3/h],pulp density [kg/L],solids density [kg/L]\nfeed,8,1.28,2.7\n",
        _SUMP,
    )
    rng = np.random.default_rng(5)
    volume, pulp, solids = (
        rng.normal(*x, 100_000) for x in ((8.0, 0.08), (1.28, 0.004), (2.7, 0.02))
    )
    share = 100.0 * solids * (pulp - 1.0) / (pulp * (solids - 1.0))
    for quantity, draws in (("% solids", share), ("wet rate", volume * pulp)):
        m = case.survey.measured("feed", quantity)
        assert m is not None and m.error_source == "propagated"
        assert m.value == pytest.approx(float(draws.mean()), rel=2e-3)
        assert m.sd == pytest.approx(float(draws.std()), rel=0.02)
    assert case.notes == (
        "% solids of 'feed' is 34.74 ± 0.42 %, from pulp density 1.2800 ± 0.0040 kg/L and solids "
        "density 2.700 ± 0.020 kg/L.",
        "wet rate of 'feed' is 10.24 ± 0.11 t/h, from pulp 8.000 ± 0.080 m3/h and pulp density "
        "1.2800 ± 0.0040 kg/L.",
        "% solids and wet rate of 'feed' have the error of one pulp density; that they move "
        "together is not counted.",
    )
