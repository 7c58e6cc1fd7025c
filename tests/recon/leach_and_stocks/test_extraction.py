"""Extraction at leaches: by hand, against simulation, in every form."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import jsonschema
import numpy as np
import pandas as pd
import pytest
from balance_cases import only_balanced
from often import often
from water_case import (
    LIQUOR,
    WATER_CIRCUIT,
    balanced_water,
    read_water,
)

from oretally.flowsheet import Circuit, Node, NodeKind, Stream
from oretally.flowsheet.circuit import Content
from oretally.io import read_case, survey_from_frame
from oretally.io.results import ALL, html_report, summary, to_json
from oretally.io.results.document import balance_schema
from oretally.recon import reconcile

EXAMPLES = Path(__file__).resolve().parents[3] / "examples"


def test_dissolved_without_a_solution_assay(tmp_path: Path) -> None:
    """The solids alone say what went into the solution, as soon as the case says that it may."""
    circuit = WATER_CIRCUIT.replace('"g/t" }', '"g/t", dissolved = true }').replace(
        '"Au in solution" = { relative = 2, absolute = "0.005 mg/L" }\n', "")  # fmt: skip
    circuit = circuit.replace("wash = {", "fill = {").replace('{ unit = "g/t",', '{ unit = "g/t",')
    rows = (
        "stream,dry rate [t/h],water [m3/h],% solids,Au [g/t]\n"
        "feed,10,,90,2.05\nfill,,14,,\nunderflow,,8,,0.2\n"
    )
    balance = balanced_water(read_water(tmp_path, rows, circuit))
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
    balance = balanced_water(read_water(tmp_path, rows))
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
    balance = balanced_water(read_water(tmp_path, rows))
    (e,) = balance.extractions
    assert e.masses_equal
    assert e.by_solids == pytest.approx(100.0 * (1.0 - 0.21 / 2.05))
    assert e.by_solids_sd == pytest.approx(100.0 * 0.21 / 2.05 * 0.03 * 2**0.5)
    assert (e.by_solution, e.accountability) == (None, None)
    assert "masses in and out taken as equal" in summary(balance, parts=(ALL,))


def test_sd_of_the_reconciled_extraction_against_simulation() -> None:
    """The example balanced again with draws (fixed seed): within 3 standard errors."""
    n = often(120)
    case = read_case(EXAMPLES / "leach_test")
    told = balanced_water(case)
    truth = {(v.stream, v.quantity): v.adjusted for v in told.values}
    rng = np.random.default_rng(11)
    found = []
    for _ in range(n):
        drawn = tuple(
            replace(m, value=max((truth[m.stream, m.quantity] or 0.0) + m.sd * rng.normal(), 0.0))
            for m in case.survey.measurements
        )
        balance = balanced_water(replace(case, survey=replace(case.survey, measurements=drawn)))
        found.append(balance.extractions[0].reconciled or np.nan)
    assert told.extractions[0].reconciled_sd == pytest.approx(
        float(np.std(found)), rel=3.0 / (2 * n) ** 0.5
    )
    assert told.extractions[0].reconciled == pytest.approx(float(np.mean(found)), abs=1.1 / n**0.5)


def test_closures_of_water_and_of_gold_as_measured() -> None:
    """What was not measured as such follows from wet mass and % solids of the same stream."""
    balance = balanced_water(read_case(EXAMPLES / "leach_test"))
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
    balance = balanced_water(read_case(EXAMPLES / "leach_test"))
    document = json.loads(to_json(balance))
    jsonschema.Draft202012Validator(balance_schema()).validate(document)
    (e,) = document["extractions"]
    assert (e["node"], e["analyte"]) == ("vat", "Au")
    assert 80.0 < e["by_solution"] < e["reconciled"] < e["by_solids"] < 95.0
    assert [s["carries"] for s in document["circuit"]["streams"]] == [
        "pulp", "solution", "pulp", "solution", "pulp", "solution",
    ]  # fmt: skip
    for text in (summary(balance, parts=(ALL,)), html_report(balance)):
        for word in ("by solids", "by solution", "accounted for", "Au in solution [mg/L]"):
            assert word in text
    products = (
        summary(balance, parts=(ALL,)).split("Products against 'ore pulp'")[1].splitlines()[2]
    )
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
    spoilt = replace(case.survey, measurements=wrong)
    balance = reconcile(case.circuit, spoilt, feed=case.feed, products=case.products)
    first = balance.suspects[0]
    assert (first.group[0].where, first.group[0].quantity) == (
        "pregnant solution", "Au in solution",
    )  # fmt: skip
    assert first.slips[0].kind == "decimal point"
    assert "16.76 mg/L" in summary(balance, parts=(ALL,))


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
    with pytest.warns(UserWarning, match="Water and solution count at 1 kg/L"):
        survey = survey_from_frame(frame, circuit, basis="rate", errors=errors, water=True)
    balance = only_balanced(circuit, survey, feed="feed")
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
    balance = balanced_water(read_water(tmp_path, rows, circuit))
    assert {v.quantity for v in balance.values} == {"dry rate", "Sn"}
    assert balance.value("feed", "dry rate").measured == pytest.approx(9.5)
