"""Errors of results by size: against simulation, and what must hold of any data."""

from __future__ import annotations

import io
import json
from math import exp

import numpy as np
import openpyxl
import pytest
from balance_cases import only_balanced
from often import often
from size_cases import (
    GRINDING,
    GRINDING_GRID,
    Floats,
    grinding,
    ground,
    true_values,
)

from oretally.flowsheet import (
    balance_problem,
    positions,
)
from oretally.io.results import ALL, html_report, summary, to_json, xlsx_bytes
from oretally.io.wording import (
    class_sentence,
)
from oretally.recon.solver.prepared import Prepared


def _computed(flow: Floats, grade: Floats) -> list[float]:
    """Return six answers from the arrays of one solution, by their plain definitions."""
    carriers = positions(GRINDING, grinding()).carriers
    number = {name: j for j, name in enumerate(GRINDING.stream_names)}
    at = {name: slice(carriers.classes[j], carriers.classes[j] + 4) for name, j in number.items()}
    out, under, feed = (flow[at[s]] for s in ("overflow", "underflow", "cyclone feed"))
    passing = np.cumsum(out[::-1])[::-1][1:] / out.sum()
    metal = out * grade[0, at["overflow"]]
    shares = under / feed
    of_lead = shares * grade[0, at["underflow"]] / grade[0, at["cyclone feed"]]
    log_openings = np.log(GRINDING_GRID.openings)
    middle = (log_openings[:-1] + log_openings[1:]) / 2.0
    d50 = exp(np.interp(0.5, shares[1:3][::-1], middle[::-1]))
    p80 = exp(np.interp(0.8, passing[::-1], log_openings[::-1]))
    return [100.0 * out[2] / out.sum(), 100.0 * passing[1], 100.0 * metal[2] / metal.sum(),
            100.0 * shares[2], 100.0 * of_lead[2], d50, p80]  # fmt: skip


def test_sds_agree_with_simulation() -> None:
    """Surveys drawn with the stated errors: the sd of an sd of n is 1/sqrt(2n)."""
    problem = balance_problem(GRINDING, grinding())
    rng = np.random.default_rng(20)
    n = often(300)

    def drawn(value: Floats, sd: Floats) -> Floats:
        noise = rng.standard_normal((n, *value.shape))
        return np.asarray(value + np.where(np.isfinite(sd), sd, 0.0) * noise)

    many = Prepared(problem).solve_many(
        drawn(problem.flow, problem.flow_sd), drawn(problem.grade, problem.grade_sd)
    )
    assert many.converged.all()
    found = np.array([_computed(f, g) for f, g in zip(many.flow, many.grade, strict=True)])

    sizes = ground().sizes
    row = {s.stream: s for s in sizes.streams}["overflow"]
    (cyclone,) = sizes.partitions
    middle, d50, p80 = cyclone.classes[2], cyclone.sharpness.d50, row.p80
    told = [row.classes[2].share, row.classes[1].passing, row.classes[2].distribution["Pb"],
            middle.solids, middle.analytes["Pb"], (d50.size_um, d50.sd_um),
            (p80.size_um, p80.sd_um)]  # fmt: skip
    value, sd = np.array(told, dtype=float).T
    assert found.std(axis=0, ddof=1) / sd == pytest.approx(np.ones(7), abs=3.5 / (2 * n) ** 0.5)
    assert (np.abs(found.mean(axis=0) - value) < 3.5 / n**0.5 * sd).all()
    # without errors in the survey the answers are the true ones
    truth = _computed(_true_flow(), _true_grade())
    assert value == pytest.approx(truth, rel=1e-6)


def _true_arrays() -> tuple[Floats, Floats]:
    carriers = positions(GRINDING, grinding()).carriers
    flow, grade = np.zeros(carriers.n_carriers), np.zeros((1, carriers.n_carriers))
    for j, (flows, metal) in enumerate(true_values().values()):
        own = slice(carriers.classes[j], carriers.classes[j] + 4)
        flow[own], grade[0, own] = flows, metal / flows
    return flow, grade


def _true_flow() -> Floats:
    return _true_arrays()[0]


def _true_grade() -> Floats:
    return _true_arrays()[1]


@pytest.mark.parametrize("seed", range(5))
def test_shares_and_distributions_are_wholes(seed: int) -> None:
    balance = ground(seed)
    assert balance.converged
    assert len(balance.sizes.streams) == 5
    for s in balance.sizes.streams:
        assert sum(r.share[0] for r in s.classes) == pytest.approx(100.0, abs=1e-6)
        passing = [r.passing[0] for r in s.classes if r.passing is not None]
        assert passing == sorted(passing, reverse=True)
        metal = [r.distribution["Pb"] for r in s.classes]
        if s.stream in ("cyclone feed", "overflow", "underflow"):
            assert sum(m[0] for m in metal if m) == pytest.approx(100.0, abs=1e-6)
            assert all(m is not None and m[1] > 0.0 for m in metal)
        else:
            assert metal == [None] * 4
    (cyclone,) = balance.sizes.partitions
    assert cyclone.product == "underflow"
    for r in cyclone.classes:
        for share in (r.solids, *r.analytes.values()):
            assert share is not None and 0.0 <= share[0] <= 100.0 and share[1] > 0.0


def test_nothing_without_sizes(request: pytest.FixtureRequest) -> None:
    make = request.getfixturevalue("make_survey")
    two = request.getfixturevalue("two_products")
    flows = {"feed": (10.0, 0.1), "conc": (1.0, 0.01)}
    balance = only_balanced(two, make(flows, {"Sn": {"feed": (1.0, 0.1), "conc": (6.0, 0.1)}}))
    assert not balance.sizes.streams and not balance.sizes.partitions
    assert class_sentence(balance) == ""
    text = summary(balance, parts=(ALL,))
    assert "P80" not in text and "sizes  " not in text and "By size" not in html_report(balance)
    document = json.loads(to_json(balance))
    assert document["sizes"] == {"openings_um": [], "streams": [], "partitions": []}
    book = openpyxl.load_workbook(io.BytesIO(xlsx_bytes(balance)))
    assert not {"by size", "sizes"} & set(book.sheetnames)
