"""Water, solution and leaches: read, balanced against known truth, told in every form."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pandas as pd
import pytest

from oretally.flowsheet import Circuit, Node, NodeKind, Stream
from oretally.flowsheet.circuit import Content
from oretally.io import Case, read_case, survey_from_frame
from oretally.io.results import html_report, summary, to_json
from oretally.io.results.document import balance_schema
from oretally.recon import Balance, reconcile

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
Reference = Callable[[str], dict[str, Any]]

CIRCUIT = """\
title = "t"
basis = "rate"
water = true
[streams]
feed = { to = "tank" }
wash = { to = "tank", carries = "water" }
pulp = { from = "tank", to = "thickener" }
underflow = { from = "thickener" }
overflow = { from = "thickener", carries = "solution" }
[nodes]
tank = { kind = "leach" }
thickener = { kind = "thickener" }
[analytes]
Au = { unit = "g/t" }
[errors]
"dry rate" = { relative = 1 }
"wet rate" = { relative = 1 }
water = { relative = 2 }
moisture = { absolute = "0.5 %" }
"% solids" = { absolute = "0.5 %" }
"pulp density" = { absolute = "0.005 kg/L" }
"solids density" = { absolute = "0.02 kg/L" }
pulp = { relative = 2 }
Au = { relative = 3 }
"Au in solution" = { relative = 2, absolute = "0.005 mg/L" }
"""
# truth: 10 t/h of ore at 90 % solids and 2.05 g/t, 0.2 g/t left; 14 t/h of barren water
SOLIDS, FEED_WATER, WASH, UNDERFLOW_WATER = 10.0, 10.0 / 0.9 - 10.0, 14.0, 8.0
LIQUOR = 10.0 * (2.05 - 0.2) / (FEED_WATER + WASH)
TRUE_ROWS = f"""\
stream,dry rate [t/h],water [m3/h],% solids,Au [g/t],Au in solution [mg/L]
feed,10,,90,2.05,0
wash,,14,,,0
pulp,,,,,{LIQUOR!r}
underflow,,8,,0.2,
overflow,,,,,
"""


def _read(folder: Path, rows: str, circuit: str = CIRCUIT) -> Case:
    (folder / "circuit.toml").write_text(circuit, "utf-8")
    (folder / "measurements.csv").write_text(rows, "utf-8")
    return read_case(folder)


def _balanced(case: Case) -> Balance:
    return reconcile(case.circuit, case.survey, feed=case.feed, products=case.products)


def test_the_truth_comes_back_with_all_that_was_not_measured(tmp_path: Path) -> None:
    balance = _balanced(_read(tmp_path, TRUE_ROWS))
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
    balance = _balanced(_read(tmp_path, TRUE_ROWS))
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
    case = _read(tmp_path, rows)
    assert case.survey.dissolved == {"Au"}
    m = case.survey.measured("pulp", "Au in solution")
    assert m is not None and m.unit.symbol == unit
    assert m.value_base == pytest.approx(LIQUOR * 1e-6)
    assert m.sd == pytest.approx(np.hypot(0.02 * LIQUOR, 0.005))


def test_a_long_table_and_analytes_from_the_headers(tmp_path: Path) -> None:
    """Nothing is listed under [analytes]; the solution makes no analyte of its own."""
    circuit = CIRCUIT.replace('[analytes]\nAu = { unit = "g/t" }\n', "")
    rows = (
        "stream,quantity,value,unit,error,error unit\nfeed,dry rate,10,t/h,,\n"
        "feed,% solids,90,%,,\nfeed,Au,2.05,g/t,5,rel %\nfeed,Au solution,<10,ug/L,,\n"
        "wash,water,14,m3/h,0.1,m3/h\nwash,Au in solution,0,mg/L,2,ug/L\n"
        "underflow,Au,200,mg/kg,,\npulp,Au in solution,0.0012,g/L,,\nunderflow,water,8,t/h,,\n"
    ).replace("mg/kg", "ppb")
    case = _read(tmp_path, rows, circuit)
    assert [a.name for a in case.survey.analytes] == ["Au"]
    wash = case.survey.measured("wash", "water")
    barren = case.survey.measured("wash", "Au in solution")
    assert wash is not None and barren is not None
    assert wash.value_base == 14000.0
    assert wash.sd_base == pytest.approx(100.0)
    assert barren.sd == pytest.approx(0.002)
    assert "Water and solution count at 1 kg/L: 1 m3 as 1 t, 1 mg/L as 1 g/t." in case.notes


def test_a_number_in_its_own_unit(tmp_path: Path) -> None:
    case = _read(tmp_path, TRUE_ROWS.replace("wash,,14,", "wash,,14000 kg/h,").replace(
        f",{LIQUOR!r}", ",1200 ug/L"))  # fmt: skip
    water, gold = (case.survey.measured(s, q) for s, q in
                   (("wash", "water"), ("pulp", "Au in solution")))  # fmt: skip
    assert water is not None and water.value_base == 14000.0
    assert gold is not None and gold.value_base == pytest.approx(1.2e-6)


def test_moisture_becomes_percent_solids(tmp_path: Path) -> None:
    rows = TRUE_ROWS.replace("% solids", "moisture [%]").replace("feed,10,,90", "feed,10,,10")
    case = _read(tmp_path, rows)
    m = case.survey.measured("feed", "% solids")
    assert m is not None
    assert m.value == pytest.approx(90.0)
    assert m.sd == pytest.approx(0.5)
    assert case.notes[0] == "% solids of 'feed' is 90.00 ± 0.50 %, from moisture 10.00 ± 0.50 %."
    assert _balanced(case).value("feed", "water").adjusted == pytest.approx(FEED_WATER)


def test_a_shared_moisture_error_turns_its_sign(tmp_path: Path) -> None:
    circuit = CIRCUIT + (
        '[sources]\n"moisture sample" = { of = "moisture", absolute = "0.8 %", shared = true }\n'
    )
    rows = TRUE_ROWS.replace("% solids", "moisture [%]").replace("feed,10,,90", "feed,10,,10")
    rows = rows.replace("underflow,,8,,", "underflow,,,44.4,")
    survey = _read(tmp_path, rows, circuit).survey
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
        balance = _balanced(_read(tmp_path, rows, _SUMP))
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
    wet = _balanced(_read(tmp_path, rows, _SUMP)).value("product", "wet rate")
    assert 1000.0 * (wet.adjusted or 0.0) == pytest.approx(
        printed["ex1"]["slurry_density"], abs=0.5
    )


def test_the_way_from_densities_and_its_error(tmp_path: Path) -> None:
    """sd of % solids and of the wet rate against 100,000 draws; what is used twice is said."""
    case = _read(
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


def test_dissolved_without_a_solution_assay(tmp_path: Path) -> None:
    """The solids alone say what went into the solution, as soon as the case says that it may."""
    circuit = CIRCUIT.replace('"g/t" }', '"g/t", dissolved = true }').replace(
        '"Au in solution" = { relative = 2, absolute = "0.005 mg/L" }\n', "")  # fmt: skip
    circuit = circuit.replace("wash = {", "fill = {").replace('{ unit = "g/t",', '{ unit = "g/t",')
    rows = (
        "stream,dry rate [t/h],water [m3/h],% solids,Au [g/t]\n"
        "feed,10,,90,2.05\nfill,,14,,\nunderflow,,8,,0.2\n"
    )
    balance = _balanced(_read(tmp_path, rows, circuit))
    assert balance.survey.dissolved == {"Au"}
    (e,) = balance.extractions
    assert e.reconciled == pytest.approx(100.0 * (1.0 - 0.2 / 2.05))
    assert e.by_solution is None


def test_extractions_by_hand(tmp_path: Path) -> None:
    """Feed 10 t/h at 2.05 g/t; residue 10.2 t/h at 0.21 g/t; liquor 14.8 t/h at 1.19 mg/L."""
    rows = (
        "stream,dry rate [t/h],water [m3/h],% solids,Au [g/t],Au in solution [mg/L]\n"
        "feed,10,1.1,,2.05,0\nwash,,14,,,0\npulp,10.2,14.8,,0.21,1.19\noverflow,,7,,,\n"
    )
    balance = _balanced(_read(tmp_path, rows))
    (e,) = balance.extractions
    left, into, out = 10.2 * 0.21, 10.0 * 2.05, 14.8 * 1.19
    assert e.by_solids == pytest.approx(100.0 * (1.0 - left / into))
    relative = (2 * 0.01**2 + 2 * 0.03**2) ** 0.5
    assert e.by_solids_sd == pytest.approx(100.0 * left / into * relative)
    assert e.by_solution == pytest.approx(100.0 * out / into)
    assay = (0.02**2 + (0.005 / 1.19) ** 2) ** 0.5
    barren = ((14 * 0.005) ** 2 + (1.1 * 0.005) ** 2) ** 0.5
    own = out * (0.02**2 + assay**2) ** 0.5
    spread = (own**2 + barren**2 + (out * (0.01**2 + 0.03**2) ** 0.5) ** 2) ** 0.5
    assert e.by_solution_sd == pytest.approx(100.0 * spread / into)
    assert e.accountability == pytest.approx(100.0 * (left + out) / into)
    assert e.accountability_sd == pytest.approx(
        100.0 * np.sqrt(
            (left * (0.01**2 + 0.03**2) ** 0.5) ** 2 + own**2
            + ((left + out) / into) ** 2 * ((into * (0.01**2 + 0.03**2) ** 0.5) ** 2 + barren**2)
        ) / into
    )  # fmt: skip
    assert e.reconciled is not None
    S_in, S_out = (
        (balance.value(s, "dry rate").adjusted or 0.0) * (balance.value(s, "Au").adjusted or 0.0)
        for s in ("feed", "pulp")
    )
    assert e.reconciled == pytest.approx(100.0 * (1.0 - S_out / S_in))
    assert not e.masses_equal


def test_extraction_by_grades_alone(tmp_path: Path) -> None:
    """No mass at the leach: the same solids leave that enter, and the table says so."""
    rows = (
        "stream,dry rate [t/h],% solids,Au [g/t],Au in solution [mg/L]\n"
        "feed,,,2.05,0\nwash,,,,0\npulp,,45,0.21,1.19\nunderflow,9.9,55,,\n"
    )
    balance = _balanced(_read(tmp_path, rows))
    (e,) = balance.extractions
    assert e.masses_equal
    assert e.by_solids == pytest.approx(100.0 * (1.0 - 0.21 / 2.05))
    assert e.by_solids_sd == pytest.approx(100.0 * 0.21 / 2.05 * 0.03 * 2**0.5)
    assert (e.by_solution, e.accountability) == (None, None)
    assert "masses in and out taken as equal" in summary(balance)


def test_sd_of_the_reconciled_extraction_against_simulation() -> None:
    """The example balanced again with 120 draws (fixed seed): within 3 standard errors."""
    case = read_case(EXAMPLES / "leach_test")
    told = _balanced(case)
    truth = {(v.stream, v.quantity): v.adjusted for v in told.values}
    rng = np.random.default_rng(11)
    found = []
    for _ in range(120):
        drawn = tuple(
            replace(m, value=max((truth[m.stream, m.quantity] or 0.0) + m.sd * rng.normal(), 0.0))
            for m in case.survey.measurements
        )
        balance = _balanced(replace(case, survey=replace(case.survey, measurements=drawn)))
        found.append(balance.extractions[0].reconciled or np.nan)
    assert told.extractions[0].reconciled_sd == pytest.approx(float(np.std(found)), rel=0.2)
    assert told.extractions[0].reconciled == pytest.approx(float(np.mean(found)), abs=0.1)


def test_closures_of_water_and_of_gold_as_measured() -> None:
    """What was not measured as such follows from wet mass and % solids of the same stream."""
    balance = _balanced(read_case(EXAMPLES / "leach_test"))
    closed = {(c.node, c.quantity): c for c in balance.closures}
    filter_water = closed["filter", "water"]
    pulp, cake = 120.4 * 0.565, 66.9 * 0.224
    assert filter_water.inflow == pytest.approx(pulp + 63.4)
    assert filter_water.outflow == pytest.approx(cake + 116.1)
    gold = closed["filter", "Au"]
    assert gold.unit == "mg"
    assert gold.inflow == pytest.approx(120.4 * 0.435 * 0.46 + pulp * 2.87 + 63.4 * 0.005)
    assert gold.outflow == pytest.approx(66.9 * 0.776 * 0.49 + cake * 0.51 + 116.1 * 1.676)
    vat = closed["vat", "dry mass"]
    assert vat.sd == pytest.approx(
        np.sqrt((0.005 * 52.1) ** 2 + (0.435 * 0.005 * 120.4) ** 2 + (120.4 * 0.006) ** 2)
    )


def test_the_example_in_every_form() -> None:
    balance = _balanced(read_case(EXAMPLES / "leach_test"))
    document = json.loads(to_json(balance))
    jsonschema.validate(document, balance_schema())
    (e,) = document["extractions"]
    assert (e["node"], e["analyte"]) == ("vat", "Au")
    assert 80.0 < e["by_solution"] < e["reconciled"] < e["by_solids"] < 95.0
    assert [s["carries"] for s in document["circuit"]["streams"]] == [
        "pulp", "solution", "pulp", "solution", "pulp", "solution",
    ]  # fmt: skip
    for text in (summary(balance), html_report(balance)):
        for word in ("by solids", "by solution", "accounted for", "Au in solution [mg/L]"):
            assert word in text
    products = summary(balance).split("Products against 'ore pulp'")[1].splitlines()[2]
    assert products.split() == ["tails", "±"]  # no yield of what has no solids


def test_a_wrong_solution_assay_is_found() -> None:
    """Ten times too high: named, and the slip in its own unit."""
    case = read_case(EXAMPLES / "leach_test")
    wrong = tuple(
        replace(m, value=10.0 * m.value, sd=10.0 * m.sd)
        if (m.stream, m.quantity) == ("pregnant solution", "Au in solution")
        else m
        for m in case.survey.measurements
    )
    balance = _balanced(replace(case, survey=replace(case.survey, measurements=wrong)))
    first = balance.suspects[0]
    assert (first.group[0].where, first.group[0].quantity) == (
        "pregnant solution", "Au in solution",
    )  # fmt: skip
    assert first.slips[0].kind == "decimal point"
    assert "16.76 mg/L" in summary(balance)


def test_from_a_frame() -> None:
    circuit = Circuit.from_parts(
        [
            Stream("feed", None, "tank"),
            Stream("wash", None, "tank", content=Content.SOLUTION),
            Stream("pulp", "tank", None),
        ],
        [Node("tank", NodeKind.LEACH)],
    )
    frame = pd.DataFrame(
        {
            "stream": ["feed", "wash", "pulp"],
            "dry rate [t/h]": [10.0, None, None],
            "% solids": [90.0, None, 40.0],
            "water [m3/h]": [None, 14.0, None],
            "Au [g/t]": [2.05, None, 0.2],
            "Au in solution [mg/L]": [0.0, 0.0, None],
        }
    )
    errors: dict[str, dict[str, Any]] = {
        "dry rate": {"relative": 1}, "% solids": {"absolute": "0.5 %"}, "water": {"relative": 1},
        "Au": {"relative": 3}, "Au in solution": {"absolute": "0.002 mg/L"},
    }  # fmt: skip
    survey = survey_from_frame(frame, circuit, basis="rate", errors=errors, water=True)
    balance = reconcile(circuit, survey, feed="feed")
    found = balance.value("pulp", "Au in solution").adjusted
    assert found == pytest.approx(LIQUOR, rel=0.02)


def test_without_water_all_is_as_before(tmp_path: Path) -> None:
    """Wet rate and moisture become the dry rate; nothing else is balanced."""
    circuit = (
        'basis = "rate"\n[streams]\nfeed = { to = "table" }\nconc = { from = "table" }\n'
        'tails = { from = "table" }\n[errors]\n"wet rate" = { relative = 1 }\n'
        'moisture = { absolute = "0.5 %" }\nSn = { relative = 3 }\n'
    )
    rows = "stream,wet rate [t/h],moisture [%],Sn [%]\nfeed,10,5,1\nconc,,,20\ntails,,,0.5\n"
    balance = _balanced(_read(tmp_path, rows, circuit))
    assert {v.quantity for v in balance.values} == {"dry rate", "Sn"}
    assert balance.value("feed", "dry rate").measured == pytest.approx(9.5)
