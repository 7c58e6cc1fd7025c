"""Results by size: against hand computation, simulation and properties; shown everywhere.

All data are invented: a screen with round numbers, and a closed grinding circuit.
"""

from __future__ import annotations

import io
import json
import re
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from math import exp, log, sqrt
from pathlib import Path
from xml.etree import ElementTree

import jsonschema
import numpy as np
import openpyxl
import pytest
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

from oretally.flowsheet import (
    Analyte,
    Basis,
    Circuit,
    Dimension,
    Measurement,
    Node,
    Stream,
    Survey,
    balance_problem,
    parse_unit,
    positions,
)
from oretally.flowsheet.survey import DECLARED_LOSS, SizeGrid, class_grade, class_share
from oretally.io import read_case
from oretally.io.cli import main
from oretally.io.pictures import balance_labels, partition_svg, passing_svg
from oretally.io.results import html_report, summary, to_json, xlsx_bytes
from oretally.io.results.document import balance_schema
from oretally.io.wording import (
    class_labels,
    class_sentence,
    cut_table,
    fit_remark,
    fit_table,
    law_table,
    metal_table,
    p80_table,
    passing_tables,
)
from oretally.io.wording.partition_words import BYPASS_LEGEND
from oretally.io.wording.size_tables import no_size
from oretally.recon import Balance, reconcile
from oretally.recon.result import FittedLaw, Meets, PartitionLaw, SizeLaw, StreamSizes
from oretally.recon.solver.prepared import Prepared

Floats = NDArray[np.float64]
KG, TPH, PERCENT = parse_unit("kg"), parse_unit("t/h"), parse_unit("%")
SHARE = parse_unit("%", Dimension.SHARE)
ROOT = Path(__file__).resolve().parents[2]
SVG = "{http://www.w3.org/2000/svg}"


def _classes(
    grid: SizeGrid, stream: str, flows: Floats, metal: Floats | None, relative: float = 0.02
) -> list[Measurement]:
    """Return shares, and grades if metal is given, as measured without error."""
    found = []
    for c in range(grid.n_classes):
        label, share = grid.label((c, c)), float(100.0 * flows[c] / flows.sum())
        sd = relative * share + 0.1
        found.append(Measurement(stream, class_share(label), share, SHARE, sd))
        if metal is not None:
            x = float(100.0 * metal[c] / flows[c])
            found.append(Measurement(stream, class_grade("Pb", label), x, PERCENT, 0.04 * x))
    return found


# ---- a screen, by hand

SCREEN = Circuit.build(
    {"feed": (None, "screen"), "over": ("screen", None), "under": ("screen", None)}
)
SCREEN_GRID = SizeGrid((400.0, 200.0, 100.0))
OVER, UNDER = np.array([9.0, 24.0, 8.0, 1.0]), np.array([1.0, 6.0, 32.0, 19.0])
OVER_PB, UNDER_PB = np.array([0.09, 0.48, 0.32, 0.05]), np.array([0.01, 0.09, 0.8, 0.76])


def _screen(title: str = "Invented: a screen") -> Balance:
    streams = {"feed": (OVER + UNDER, OVER_PB + UNDER_PB), "over": (OVER, OVER_PB),
               "under": (UNDER, UNDER_PB)}  # fmt: skip
    found = []
    for name, (flows, metal) in streams.items():
        whole = float(flows.sum())
        lead = 100.0 * float(metal.sum()) / whole
        found.append(Measurement(name, "dry mass", whole, KG, 0.01 * whole))
        found.append(Measurement(name, "Pb", lead, PERCENT, 0.05))
        found += _classes(SCREEN_GRID, name, flows, metal)
    survey = Survey(Basis.BATCH, KG, (Analyte("Pb", PERCENT),), tuple(found), title,
                    sizes=SCREEN_GRID)  # fmt: skip
    return reconcile(SCREEN, survey)


def test_a_screen_by_hand() -> None:
    """42 kg of 100 kg stay on the screen: 9 of 10, 24 of 30, 8 of 40, 1 of 20 kg by class."""
    sizes = _screen().sizes
    assert [s.stream for s in sizes.streams] == ["feed", "over", "under"]
    feed, over, under = sizes.streams
    assert [r.label for r in over.classes] == ["+400 um", "-400+200 um", "-200+100 um", "-100 um"]
    assert [r.share[0] for r in feed.classes] == pytest.approx([10.0, 30.0, 40.0, 20.0])
    assert [r.share[0] for r in over.classes] == pytest.approx(list(OVER / 0.42))
    passing = [r.passing[0] for r in over.classes if r.passing is not None]
    assert passing == pytest.approx([33.0 / 0.42, 9.0 / 0.42, 1.0 / 0.42])
    assert over.classes[-1].passing is None
    grades = [g[0] for r in over.classes if (g := r.grade["Pb"])]
    assert grades == pytest.approx([1.0, 2.0, 4.0, 5.0])
    metal = [d[0] for r in over.classes if (d := r.distribution["Pb"])]
    assert metal == pytest.approx([9.0 / 0.94, 48.0 / 0.94, 32.0 / 0.94, 5.0 / 0.94])
    # P80 of the undersize: 51/58 pass 200 um, 19/58 pass 100 um, a straight line in log size
    t = (0.8 - 19.0 / 58.0) / (32.0 / 58.0)
    assert under.p80.size_um == pytest.approx(100.0 * 2.0**t)
    assert over.p80.size_um is None  # 33/42 = 78.6 % pass the coarsest sieve


def test_partition_of_the_screen_by_hand() -> None:
    (found,) = _screen().sizes.partitions
    assert (found.node, found.product) == ("screen", "over")
    solids = [r.solids[0] for r in found.classes if r.solids]
    assert solids == pytest.approx([90.0, 80.0, 20.0, 5.0])
    lead = [a[0] for r in found.classes if (a := r.analytes["Pb"])]
    assert lead == pytest.approx([90.0, 4800.0 / 57.0, 3200.0 / 112.0, 500.0 / 81.0])
    assert [r.size_um for r in found.classes] == [
        None, pytest.approx(sqrt(400.0 * 200.0)), pytest.approx(sqrt(200.0 * 100.0)), None,
    ]  # fmt: skip
    # 80 % at 283 um, 20 % at 141 um: 50 % half way between, at 200 um
    assert found.sharpness.d50.size_um == pytest.approx(200.0)
    # 75 and 25 % lie 1/12 of the way from either end: d75/d25 = 2^(10/12)
    d25, d75 = found.sharpness.d25.size_um, found.sharpness.d75.size_um
    assert d25 is not None and d75 is not None
    assert d75 / d25 == pytest.approx(2.0 ** (10.0 / 12.0))
    assert found.sharpness.imperfection == pytest.approx((d75 - d25) / 400.0)


def test_sd_of_a_share_by_hand() -> None:
    """Nothing but one stack, nothing checks it: the shares are of the sum of what was read.

    Two readings r, s of two classes that must sum to 1: each moves by half of what is missing,
    if their sd are equal, and the sd of both is sd / sqrt(2).
    """
    circuit = Circuit.build({"in": (None, "n"), "a": ("n", None), "b": ("n", None)})
    grid = SizeGrid((100.0,))
    found = [Measurement(s, "dry mass", v, KG, 0.1) for s, v in (("in", 10.0), ("a", 4.0))]
    found += [Measurement("a", class_share(label), v, SHARE, 2.0)
              for label, v in (("+100 um", 39.0), ("-100 um", 59.0))]  # fmt: skip
    balance = reconcile(circuit, Survey(Basis.BATCH, KG, (), tuple(found), sizes=grid))
    (a,) = (s for s in balance.sizes.streams if s.stream == "a")
    assert a.classes[0].share == pytest.approx((40.0, sqrt(2.0)))
    assert a.classes[0].passing == pytest.approx((60.0, sqrt(2.0)))
    assert [s.stream for s in balance.sizes.streams] == ["a"]  # the others are not determined
    assert balance.sizes.partitions == ()
    assert {f.reason for f in a.fits} == {
        f"a {law} law needs 2 openings that part of the mass passes: 1 found." for law in SizeLaw
    }


# ---- which product is the coarse one

FOUR = SizeGrid((300.0, 150.0, 75.0))


def _parted(
    streams: list[Stream], flows: dict[str, tuple[float, Floats]], errors: dict[str, str]
) -> Balance:
    """Return the balance of one cyclone: mass and shares of the classes of its streams."""
    found = []
    for name, (whole, shares) in flows.items():
        sd, source = 0.01 * whole or 1.0, errors.get(name, "")
        found.append(Measurement(name, "dry rate", whole, TPH, sd, source))
        if shares.size:
            found += _classes(FOUR, name, shares, None)
    circuit = Circuit.from_parts(streams, [Node("cyclone")])
    survey = Survey(Basis.RATE, TPH, (), tuple(found), "Invented: a cyclone", sizes=FOUR)
    return reconcile(circuit, survey, feed="feed")


FINE, COARSE = np.array([1.0, 9.0, 30.0, 60.0]), np.array([30.0, 42.0, 20.0, 8.0])
CYCLONE = [Stream("feed", None, "cyclone"), Stream("fine", "cyclone", None)]


@pytest.mark.parametrize("first", ["a spill", "zz spill"])
@pytest.mark.parametrize("declared", [True, False])
def test_what_is_like_another_product_is_none_of_its_own(first: str, declared: bool) -> None:
    """A spill with the sizes of the underflow is as coarse, but the cut is the underflow's."""
    streams = [*CYCLONE, Stream(first, "cyclone", None, like="underflow"),
               Stream("underflow", "cyclone", None)]  # fmt: skip
    flows = {"feed": (100.0, 0.35 * FINE + 0.65 * COARSE), "fine": (35.0, FINE),
             first: (0.0 if declared else 3.0, np.zeros(0)),
             "underflow": (62.0, COARSE)}  # fmt: skip
    balance = _parted(streams, flows, {first: DECLARED_LOSS} if declared else {})
    assert balance.converged
    lost = balance.value(first, "dry rate").adjusted
    under = balance.value("underflow", "dry rate").adjusted
    assert lost is not None and under is not None and lost > 0.5
    (found,) = balance.sizes.partitions
    assert found.product == "underflow"
    top = found.classes[0].solids
    assert top is not None
    # 30 % of the underflow and of what is lost like it, 1 % of the 35 t/h of fines
    whole = 0.30 * (under + lost) + 0.01 * 35.0
    assert top[0] == pytest.approx(100.0 * 0.30 * under / whole, abs=0.5)


def test_a_splitter_and_a_loss_part_no_sizes() -> None:
    """One product, and what is lost of it: there is nothing that a size goes to."""
    streams = [Stream("feed", None, "cyclone"), Stream("product", "cyclone", None),
               Stream("loss", "cyclone", None, like="product")]  # fmt: skip
    flows = {"feed": (100.0, COARSE), "product": (100.0, COARSE), "loss": (0.0, np.zeros(0))}
    assert _parted(streams, flows, {"loss": DECLARED_LOSS}).sizes.partitions == ()


@pytest.mark.parametrize("names", [("a", "b"), ("b", "a")])
def test_of_equally_coarse_products_the_larger_counts(names: tuple[str, str]) -> None:
    small, large = names
    streams = [Stream("feed", None, "cyclone"), Stream("a", "cyclone", None),
               Stream("b", "cyclone", None)]  # fmt: skip
    flows = {"feed": (100.0, COARSE), small: (20.0, COARSE), large: (80.0, COARSE)}
    (found,) = _parted(streams, flows, {}).sizes.partitions
    assert found.product == large


# ---- curves with a bypass

LADDER = SizeGrid((600.0, 425.0, 300.0, 212.0, 150.0, 106.0, 75.0, 53.0, 38.0))


def _cut(
    d50c: float, m: float, bypass: float, *, pan: float | None = None, top: float = 6.0,
    relative: float = 0.02,
) -> Balance:  # fmt: skip
    """Return a cyclone that cuts each class as Plitt's curve does on average.

    The feed has as much in each ratio of sizes; the classes at the ends reach to 900 and 20 um.
    ``pan`` is another share of the pan to the coarse product, ``top`` the mass above 600 um.
    """
    bounds = np.array([900.0, *LADDER.openings, 20.0])
    feed = 20.0 * np.log(bounds[:-1] / bounds[1:])
    feed[0] = top
    t = (np.arange(400) + 0.5) / 400.0
    x = bounds[1:, None] * (bounds[:-1] / bounds[1:])[:, None] ** t / d50c
    share = bypass + (1.0 - bypass) * (1.0 - 0.5 ** (x**m)).mean(axis=1)
    share[-1] = share[-1] if pan is None else pan
    circuit = Circuit.build(
        {"feed": (None, "cyclone"), "fine": ("cyclone", None), "coarse": ("cyclone", None)}
    )
    found = [Measurement("feed", "dry rate", 100.0, TPH, 1.0)]
    for name, flows in (("feed", feed), ("fine", feed * (1.0 - share)), ("coarse", feed * share)):
        found += _classes(LADDER, name, flows, None, relative)
    survey = Survey(Basis.RATE, TPH, (), tuple(found), "Invented: a cyclone", sizes=LADDER)
    return reconcile(circuit, survey)


def test_plitts_curve_is_found_with_its_bypass() -> None:
    (found,) = _cut(220.0, 1.8, 0.15).sizes.partitions
    plitt, whiten = found.fits
    assert [fit.law for fit in found.fits] == list(PartitionLaw)
    assert plitt.d50c_um is not None and plitt.sharpness is not None and plitt.bypass is not None
    assert plitt.d50c_um[0] == pytest.approx(220.0, rel=1e-4)
    assert plitt.sharpness[0] == pytest.approx(1.8, rel=1e-4)
    assert plitt.bypass[0] == pytest.approx(15.0, rel=1e-3)
    assert all(0.0 < sd for _, sd in (plitt.d50c_um, plitt.sharpness, plitt.bypass))
    # eight classes have two openings, and three parameters were fitted; the others lie within
    assert (plitt.left_out, plitt.dof) == ((), 5)
    assert [(o.place, o.meets) for o in plitt.open_classes] == [
        (0, Meets.WITHIN), (9, Meets.WITHIN),
    ]  # fmt: skip
    assert plitt.chi_square == pytest.approx(0.0, abs=1e-6)
    assert (plitt.doubt, plitt.reason, plitt.note) == ("", "", "")
    # the uncorrected d50 is smaller, as the bypass adds fines to the coarse product
    d50 = found.sharpness.d50.size_um
    assert d50 is not None and d50 < plitt.d50c_um[0]
    # Whiten's curve is another one: near, but not the same
    assert whiten.d50c_um is not None
    assert whiten.d50c_um[0] == pytest.approx(220.0, rel=0.1)


def test_the_table_of_fitted_curves() -> None:
    balance = _cut(220.0, 1.8, 0.15)
    (found,) = balance.sizes.partitions
    table = fit_table(balance)
    assert list(table.header) == [
        "separator", "curve", "within the errors it", "d50c [um]", "±", "sharpness", "±",
        "bypass [%]", "±", "chi-square", "degrees of freedom", "p",
    ]  # fmt: skip
    plitt = table.rows[0]
    assert plitt[:3] == ["cyclone", "Plitt", "holds"]
    assert [float(plitt[i]) for i in (3, 5, 7)] == pytest.approx([220.0, 1.8, 15.0], rel=0.01)
    assert plitt[10] == "5"
    said = (
        "cyclone, Plitt, Whiten: Bounds of the curve, which it keeps, not points of it, as they "
        "have no mean size: +600 um, -38 um."
    )
    assert table.below[0] == said and table.below[-1] == BYPASS_LEGEND
    assert [row[1] for row in fit_table(balance, brief=True).rows] == ["Plitt", "Whiten"]
    assert "Cut size of the separators without the bypass" in summary(balance)
    assert "Cut size of the separators without the bypass" in html_report(balance)
    book = openpyxl.load_workbook(io.BytesIO(xlsx_bytes(balance)))
    figures = {(r[0], r[1]): r[2] for r in book["size figures"].iter_rows(values_only=True)}
    assert figures["cyclone", "Plitt d50c"] == pytest.approx(220.0, rel=1e-4)
    assert figures["cyclone", "Plitt bypass"] == pytest.approx(15.0, rel=1e-3)
    document = json.loads(to_json(balance))
    jsonschema.Draft202012Validator(balance_schema()).validate(document)
    shown = document["sizes"]["partitions"][0]["fits"]
    assert [f["law"] for f in shown] == ["Plitt", "Whiten"]
    fit = found.fits[0]
    assert fit.d50c_um is not None
    assert shown[0]["d50c_um"] == {"value": fit.d50c_um[0], "sd": fit.d50c_um[1]}
    assert shown[0]["left_out"] == []
    ends = [(o["class"], o["meets"]) for o in shown[0]["open_classes"]]
    assert ends == [("+600 um", "within"), ("-38 um", "within")]
    # the pan has a share between the bypass and the curve at 38 um: 15 + 85 (1 - 2^-0.0424) %
    least, most = (shown[0]["open_classes"][1][key] for key in ("least", "most"))
    assert (least, most) == pytest.approx((15.0, 17.46), abs=0.02)


def test_why_no_curve_was_fitted() -> None:
    """A screen of three sieves has two classes with a mean size, a curve three unknowns."""
    balance = _screen()
    (row,) = fit_table(balance).rows
    assert row[:4] == ["screen", "Plitt, Whiten", "is not known", "–"]
    assert row[-1] == (
        "3 unknown values, but 2 classes to fit: those with feed, a size and a share that is not "
        "exact."
    )
    (brief,) = fit_table(balance, brief=True).rows
    assert brief[-1] == "3 unknown values, but 2 classes to fit"
    assert [f.d50c_um for f in balance.sizes.partitions[0].fits] == [None, None]


def test_the_curve_of_the_example_by_hand() -> None:
    """Plitt's curve with the printed 68.28 um and 1.3546: 1 - 2^-(d/d50c)^m.

    Its averages over the feed of the four classes between 300 and 38 um: 0.9334, 0.7942, 0.6333
    and 0.4285, against shares of 0.931, 0.803, 0.626 and 0.419. At 300 um it is 1 - 2^-7.428 =
    0.9942, which +300 um should exceed, and with 0.980 misses by three and a half sd.
    """
    case = read_case(ROOT / "examples" / "grinding_by_size")
    balance = reconcile(case.circuit, case.survey, feed=case.feed, products=case.products)
    (found,) = balance.sizes.partitions
    plitt = found.fits[0]
    assert plitt.d50c_um == pytest.approx((68.28, 1.459), rel=1e-3)
    assert plitt.sharpness == pytest.approx((1.3546, 0.03095), rel=1e-3)
    (feed,) = (s for s in balance.sizes.streams if s.stream == "cyclone feed")
    averages = _class_averages(feed, lambda d: 1.0 - 0.5 ** ((d / 68.285) ** 1.3546))
    assert averages == pytest.approx([0.9334, 0.7942, 0.6333, 0.4285], abs=2e-4)
    top, pan = plitt.open_classes
    assert top.least == pytest.approx(0.9942, abs=1e-4)
    assert (top.most, top.meets) == (1.0, Meets.LEAST)
    assert (pan.least, pan.meets) == (0.0, Meets.WITHIN)
    # four classes and the one that checks, two parameters: the bypass is none
    assert (plitt.bypass_held, plitt.dof) == (True, 3)
    assert plitt.bypass is not None and plitt.bypass[0] == 0.0
    assert plitt.bypass_range == pytest.approx((0.0, 2.0 * plitt.bypass[1]))
    assert plitt.doubt.startswith("the curve misses the points by more than their errors explain")
    table = fit_table(balance)
    assert table.rows[0][2] == "does not hold" and table.rows[0][7:9] == ["0 (held)", "+1.8"]
    assert table.below[0] == (
        "cyclone, Plitt: The free fit gives a bypass of -10.4 % (sd 11 %); none can be below 0, so "
        "0 is held. +300 um has 97.98 ± 0.40 %, where the curve has 99.42 % at 300 um and more "
        "above: it holds the curve down. Bounds of the curve, which it keeps, not points of it, as "
        "they have no mean size: -38 um."
    )


def _class_averages(feed: StreamSizes, curve: Callable[[Floats], Floats]) -> Floats:
    """Return averages over the feed between two sieves, its passing smooth in ln size."""
    bounds = np.array([row.retained_um for row in feed.classes[:-1]])
    passing = np.array([row.passing[0] for row in feed.classes if row.passing is not None])
    smooth = CubicSpline(np.log(bounds[::-1]), passing[::-1])
    found = []
    for high, low in zip(bounds[:-1], bounds[1:], strict=True):
        u = np.linspace(np.log(low), np.log(high), 2001)
        step, middle = np.diff(smooth(u)), (u[1:] + u[:-1]) / 2.0
        found.append(float(step @ curve(np.exp(middle)) / step.sum()))
    return np.array(found)


# ---- a closed grinding circuit, by simulation

GRINDING = Circuit.build(
    {"feed": (None, "sump"), "cyclone feed": ("sump", "cyclone"), "overflow": ("cyclone", None),
     "underflow": ("cyclone", "mill"), "discharge": ("mill", "sump")},
    {"mill": "mill", "sump": "mixer"},
)  # fmt: skip
GRINDING_GRID = SizeGrid((300.0, 150.0, 75.0))


def _truth() -> dict[str, tuple[Floats, Floats]]:
    """Return flows [t/h] and metal of the classes of each stream: the mill halves, by classes."""
    C = GRINDING_GRID.n_classes
    breakage = np.zeros((C, C))
    for c in range(C):
        breakage[c:, c] = 0.6 / (C - c)
        breakage[c, c] += 0.4
    fresh = np.array([45.0, 25.0, 15.0, 15.0])
    found: dict[str, tuple[Floats, ...]] = {}
    for share, into in (
        (np.array([0.97, 0.85, 0.40, 0.20]), fresh),
        (np.array([0.98, 0.88, 0.46, 0.23]), fresh * np.array([0.5, 0.9, 1.6, 2.2]) / 100.0),
    ):
        feed = np.linalg.solve(np.eye(C) - breakage @ np.diag(share), into)
        streams = (into, feed, (1.0 - share) * feed, share * feed, breakage @ (share * feed))
        for name, flow in zip(GRINDING.stream_names, streams, strict=True):
            found[name] = (*found.get(name, ()), flow)
    return {name: (pair[0], pair[1]) for name, pair in found.items()}


def _grinding(seed: int | None = None) -> Survey:
    """Return a survey of the circuit: without errors, or with errors drawn by a seed."""
    found = []
    for name, (flows, metal) in _truth().items():
        whole = float(flows.sum())
        if name in ("feed", "overflow"):
            found.append(Measurement(name, "dry rate", whole, TPH, 0.01 * whole))
        x = float(100.0 * metal.sum() / whole)
        found.append(Measurement(name, "Pb", x, PERCENT, 0.02 * x))
        assayed = name in ("cyclone feed", "overflow", "underflow")
        found += _classes(GRINDING_GRID, name, flows, metal if assayed else None)
    if seed is not None:
        rng = np.random.default_rng(seed)
        found = [replace(m, value=m.value + m.sd * float(rng.standard_normal())) for m in found]
    return Survey(Basis.RATE, TPH, (Analyte("Pb", PERCENT),), tuple(found),
                  "Invented: closed grinding circuit", sizes=GRINDING_GRID)  # fmt: skip


@cache
def _ground(seed: int | None = None) -> Balance:
    return reconcile(GRINDING, _grinding(seed), feed="feed")


def _computed(flow: Floats, grade: Floats) -> list[float]:
    """Return six answers from the arrays of one solution, by their plain definitions."""
    carriers = positions(GRINDING, _grinding()).carriers
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
    """300 surveys drawn with the stated errors: the sd of an sd is then 1/sqrt(598), 4.1 %."""
    problem = balance_problem(GRINDING, _grinding())
    rng = np.random.default_rng(20)
    n = 300

    def drawn(value: Floats, sd: Floats) -> Floats:
        noise = rng.standard_normal((n, *value.shape))
        return np.asarray(value + np.where(np.isfinite(sd), sd, 0.0) * noise)

    many = Prepared(problem).solve_many(
        drawn(problem.flow, problem.flow_sd), drawn(problem.grade, problem.grade_sd)
    )
    assert many.converged.all()
    found = np.array([_computed(f, g) for f, g in zip(many.flow, many.grade, strict=True)])

    sizes = _ground().sizes
    row = {s.stream: s for s in sizes.streams}["overflow"]
    (cyclone,) = sizes.partitions
    middle, d50, p80 = cyclone.classes[2], cyclone.sharpness.d50, row.p80
    told = [row.classes[2].share, row.classes[1].passing, row.classes[2].distribution["Pb"],
            middle.solids, middle.analytes["Pb"], (d50.size_um, d50.sd_um),
            (p80.size_um, p80.sd_um)]  # fmt: skip
    value, sd = np.array(told, dtype=float).T
    assert found.std(axis=0, ddof=1) / sd == pytest.approx(np.ones(7), abs=3.5 * 0.0409)
    # the error of a mean is 0.058 sd
    assert (np.abs(found.mean(axis=0) - value) < 0.2 * sd).all()
    # without errors in the survey the answers are the true ones
    truth = _computed(_true_flow(), _true_grade())
    assert value == pytest.approx(truth, rel=1e-6)


def _true_arrays() -> tuple[Floats, Floats]:
    carriers = positions(GRINDING, _grinding()).carriers
    flow, grade = np.zeros(carriers.n_carriers), np.zeros((1, carriers.n_carriers))
    for j, (flows, metal) in enumerate(_truth().values()):
        own = slice(carriers.classes[j], carriers.classes[j] + 4)
        flow[own], grade[0, own] = flows, metal / flows
    return flow, grade


def _true_flow() -> Floats:
    return _true_arrays()[0]


def _true_grade() -> Floats:
    return _true_arrays()[1]


@pytest.mark.parametrize("seed", range(5))
def test_shares_and_distributions_are_wholes(seed: int) -> None:
    balance = _ground(seed)
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
    balance = reconcile(two, make(flows, {"Sn": {"feed": (1.0, 0.1), "conc": (6.0, 0.1)}}))
    assert not balance.sizes.streams and not balance.sizes.partitions
    assert class_sentence(balance) == ""
    text = summary(balance)
    assert "P80" not in text and "sizes  " not in text and "By size" not in html_report(balance)
    document = json.loads(to_json(balance))
    assert document["sizes"] == {"openings_um": [], "streams": [], "partitions": []}
    book = openpyxl.load_workbook(io.BytesIO(xlsx_bytes(balance)))
    assert not {"by size", "partition", "size figures", "sizes"} & set(book.sheetnames)


# ---- laws


def _one_stack(passing: dict[float, float]) -> FittedLaw:
    """Return the fitted laws of one stream with such a cumulative passing."""
    grid = SizeGrid(tuple(sorted(passing, reverse=True)))
    edges = [1.0, *(passing[o] for o in grid.openings), 0.0]
    found = [Measurement("feed", "dry mass", 10.0, KG, 0.1)]
    for c in range(grid.n_classes):
        share = 100.0 * (edges[c] - edges[c + 1])
        found.append(Measurement("feed", class_share(grid.label((c, c))), share, SHARE, 0.5))
    circuit = Circuit.build({"feed": (None, "n"), "a": ("n", None), "b": ("n", None)})
    balance = reconcile(circuit, Survey(Basis.BATCH, KG, (), tuple(found), sizes=grid))
    (feed,) = balance.sizes.streams
    return feed.fits[1]


def test_a_law_that_holds_is_found() -> None:
    """Rosin-Rammler with d' = 120 um and n = 0.9, exactly."""
    fit = _one_stack({d: -np.expm1(-((d / 120.0) ** 0.9)) for d in (300.0, 150.0, 75.0, 38.0)})
    assert fit.law is SizeLaw.ROSIN_RAMMLER
    assert fit.exponent is not None and fit.size_um is not None
    assert fit.exponent[0] == pytest.approx(0.9, rel=1e-5)
    assert fit.size_um[0] == pytest.approx(120.0, rel=1e-5)
    assert 0.0 < fit.size_um[1] < 10.0
    assert (fit.dof, fit.doubt, fit.reason) == (2, "", "")
    assert fit.p == pytest.approx(1.0)


def test_a_law_that_does_not_hold_is_doubted() -> None:
    fit = _one_stack({300.0: 0.95, 150.0: 0.50, 75.0: 0.49, 38.0: 0.05})
    assert fit.p is not None and fit.p < 1e-4
    assert "more than their errors explain" in fit.doubt


# ---- words and tables


def test_text_leaves_classes_to_their_tables() -> None:
    balance = _ground(1)
    text = summary(balance)
    middle = text[text.index("Measured against adjusted") :]
    assert "mass in" not in middle and "um" not in middle
    assert "dry rate [t/h]" in middle
    assert re.search(r"^sizes +32 values of size classes measured; the largest move is", text, re.M)
    for caption in ("Cumulative passing [%]", "Where the metal is by size",
                    "Partition at 'cyclone'", "Cut size of the separators"):  # fmt: skip
        assert caption in text
    assert "Laws fitted" not in text


def test_the_largest_move_of_a_class_is_named() -> None:
    balance = _ground(1)
    labels = class_labels(balance.survey)
    moved = [v for v in balance.values if v.carrier in labels and v.standardised is not None]
    most = max(moved, key=lambda v: abs(v.standardised or 0.0))
    said = class_sentence(balance)
    assert f"{most.quantity} of '{most.stream}'" in said
    assert f"standardised {most.standardised:+.1f}" in said


def test_why_there_is_no_p80() -> None:
    by_name = {s.stream: s for s in _screen().sizes.streams}
    assert no_size(by_name["over"]) == "only 78.6 % pass 400 um"
    assert no_size(by_name["under"]) == ""
    rows = {row[0]: row for row in p80_table(_screen()).rows}
    assert rows["over"] == ["over", "–", "–", "only 78.6 % pass 400 um"]
    fine = replace(by_name["under"], p80=replace(by_name["under"].p80, percent=20.0, size_um=None))
    assert no_size(fine) == "as much as 32.8 % pass 100 um"


def test_tables_by_hand() -> None:
    balance = _screen()
    (brief,) = passing_tables(balance, brief=True)
    assert list(brief.header) == ["opening [um]", "feed", "over", "under"]
    assert [row[0] for row in brief.rows] == ["400", "200", "100"]
    assert [float(t) for t in brief.rows[1][1:]] == pytest.approx([60.0, 21.4, 87.9], abs=0.05)
    metal = metal_table(balance)
    assert list(metal.header) == [
        "stream", "class", "solids [%]", "±", "Pb [%]", "±", "of the Pb [%]", "±",
    ]  # fmt: skip
    assert len(metal.rows) == 12
    (cut,) = cut_table(balance, brief=True).rows
    assert cut[:2] == ["screen", "over"] and float(cut[2]) == pytest.approx(200.0, abs=0.6)
    laws = law_table(balance).rows
    assert len(laws) == 6 and {row[2] for row in laws} <= {"holds", "does not hold"}


def test_wide_tables_are_parted_evenly() -> None:
    balance = _screen()
    streams = tuple(
        replace(s, stream=f"{s.stream} {i}") for i in range(4) for s in balance.sizes.streams
    )
    wide = replace(balance, sizes=replace(balance.sizes, streams=streams[:11]))
    assert [len(t.header) for t in passing_tables(wide)] == [9, 9, 7]
    assert len(passing_tables(wide, brief=True)) == 1


def test_metal_in_a_terminal_keeps_to_what_enters_and_leaves() -> None:
    balance = _ground(1)
    many = replace(
        balance,
        sizes=replace(
            balance.sizes,
            streams=tuple(replace(s, classes=s.classes * 4) for s in balance.sizes.streams),
        ),
    )
    short, full = metal_table(many, brief=True), metal_table(many)
    assert {row[0] for row in short.rows} - {""} == {"overflow"}
    assert "see --html or --json" in short.caption
    assert {row[0] for row in full.rows} - {""} == {"cyclone feed", "overflow", "underflow"}


# ---- pictures


def _texts(svg: str) -> list[tuple[float, float, str]]:
    found = ElementTree.fromstring(svg).iter(f"{SVG}text")  # noqa: S314 -- our own picture
    return [(float(t.get("x", 0)), float(t.get("y", 0)), t.text or "") for t in found]


def test_pictures_are_the_same_every_time() -> None:
    one, two = _screen().sizes, _screen().sizes
    assert passing_svg(one.streams) == passing_svg(two.streams)
    assert partition_svg(one.partitions[0]) == partition_svg(two.partitions[0])
    assert passing_svg(()) == ""


def test_names_never_overlap_and_styles_differ() -> None:
    streams = _ground().sizes.streams
    many = [replace(streams[i % 5], stream=f"<stream> & {i}") for i in range(24)]
    svg = passing_svg(many)
    names = [(x, y) for x, y, text in _texts(svg) if text.startswith("<stream>")]
    assert len(names) == 24 and len({x for x, _ in names}) == 1
    heights = sorted(y for _, y in names)
    assert min(np.diff(heights)) > 12.0
    root = ElementTree.fromstring(svg)  # noqa: S314 -- our own picture
    assert max(heights) < float(root.get("height", 0)) - 10.0
    # without their colours: dashes, and shape and filling of the mark; with them, all differ
    looks = []
    for curve in root.iter(f"{SVG}polyline"):
        looks.append((curve.get("stroke"), curve.get("stroke-dasharray")))
    assert len(looks) == 48  # each curve and its sample
    assert len(set(looks)) == 12
    assert len({dash for _, dash in looks[:8]}) == 4
    marks = [
        (m.tag, len((m.get("points") or "").split()), m.get("fill"), m.get("stroke"))
        for m in root.iter()
        if m.tag in (f"{SVG}circle", f"{SVG}polygon") and m.get("stroke-width") == "1.2"
    ]
    assert len(marks) == 24 * 4  # 3 openings and the sample


def test_partition_has_bars_and_the_cut_size() -> None:
    found = _screen().sizes.partitions[0]
    svg = partition_svg(found)
    words = [text for _, _, text in _texts(svg)]
    assert "solids" in words and "Pb" in words
    assert any(re.fullmatch(r"d50 \d+\.?\d* ± \d+\.?\d* um", w) for w in words), words
    root = ElementTree.fromstring(svg)  # noqa: S314 -- our own picture
    width = float(root.get("width", 0))
    assert all(
        x + 4.0 * len(text) < width for x, _, text in _texts(svg) if text in ("solids", "Pb")
    )
    bars = [line for line in root.iter(f"{SVG}line")
            if line.get("x1") == line.get("x2") and line.get("stroke-width") == "1"]  # fmt: skip
    assert len(bars) >= 4  # two classes with a size, solids and lead
    # on a logarithmic axis 200 um stand half way between 100 and 400 um
    at = {text: x for x, _, text in _texts(svg) if text in ("200", "500", "100")}
    assert (at["200"] - at["100"]) / (at["500"] - at["100"]) == pytest.approx(
        log(2.0) / log(5.0), abs=0.01
    )


def test_no_picture_of_a_partition_without_sizes() -> None:
    found = _screen().sizes.partitions[0]
    bare = replace(found, classes=tuple(replace(r, size_um=None) for r in found.classes))
    assert partition_svg(bare) == ""


# ---- report, JSON, workbook


def test_report_shows_sizes_and_needs_nothing() -> None:
    balance = _ground(1)
    html = html_report(balance)
    section = html[html.index("<h2>By size</h2>") : html.index("<h2>Measured against adjusted")]
    assert section.count("<svg") == 2
    for caption in ("Size that 80 % pass", "Cumulative passing [%]", "Where the metal is by size",
                    "Cut size of the separators",
                    "Laws fitted to the cumulative passing"):  # fmt: skip
        assert caption in section
    assert html.count("Every size class, stream by stream") == 1
    assert html == html_report(balance)
    plot = next(p for p in re.findall(r"<svg.*?</svg>", html, re.S) if "Standardised" in p)
    assert "mass in" not in plot


def test_names_in_the_report_are_escaped() -> None:
    balance = _screen()
    evil = "<b>&"
    sizes = replace(
        balance.sizes,
        streams=tuple(replace(s, stream=evil) for s in balance.sizes.streams),
        partitions=tuple(replace(p, node=evil, product=evil) for p in balance.sizes.partitions),
    )
    html = html_report(replace(balance, sizes=sizes))
    assert evil not in html and "&lt;b&gt;&amp;" in html


@pytest.mark.parametrize("balance", [_screen, lambda: _ground(2)], ids=["screen", "grinding"])
def test_json_keeps_its_schema(balance) -> None:  # type: ignore[no-untyped-def]
    found = balance()
    document = json.loads(to_json(found))
    jsonschema.Draft202012Validator(balance_schema()).validate(document)
    sizes = document["sizes"]
    assert sizes["openings_um"] == list(found.survey.sizes.openings)
    for shown, s in zip(sizes["streams"], found.sizes.streams, strict=True):
        assert shown["stream"] == s.stream
        assert [c["share"]["value"] for c in shown["classes"]] == [r.share[0] for r in s.classes]
        assert shown["classes"][0]["passed_um"] is None
        assert shown["classes"][-1]["retained_um"] == 0.0
        assert [f["law"] for f in shown["fits"]] == [law.value for law in SizeLaw]
        assert shown["p80"]["size_um"] == s.p80.size_um
    (partition,) = sizes["partitions"]
    assert partition["sharpness"]["d50"]["sd_um"] == found.sizes.partitions[0].sharpness.d50.sd_um
    sizes["streams"][0]["classes"][0]["more"] = 1.0
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(balance_schema()).validate(document)


def test_workbook_shows_sizes() -> None:
    book = openpyxl.load_workbook(io.BytesIO(xlsx_bytes(_screen())))
    sheet = book["by size"]
    assert [c.value for c in sheet[1]][:8] == [
        "stream", "class", "passed [um]", "retained [um]", "solids [%]", "sd", "passing [%]", "sd",
    ]  # fmt: skip
    assert sheet.max_row == 1 + 3 * 4
    assert sheet["C2"].value is None and sheet["D2"].value == 400.0
    shares = [book["partition"].cell(i, 5).value for i in range(2, 6)]
    assert shares == pytest.approx([90.0, 80.0, 20.0, 5.0])
    figures = {(r[0], r[1]): r[2] for r in book["size figures"].iter_rows(values_only=True)}
    assert figures["screen", "d50"] == pytest.approx(200.0)
    assert figures["over", "P80"] is None


CIRCUIT = """title = "Invented: a screen, read and written"
basis = "batch"
[streams]
feed = { to = "screen" }
over = { from = "screen" }
under = { from = "screen" }
[analytes]
Pb = { unit = "%", max = 86.6 }
Ag = { unit = "g/t" }
[errors]
"dry mass" = { relative = 1 }
Pb = { relative = 4 }
Ag = { relative = 6 }
"class mass" = { relative = 2, absolute = "0.2 %" }
"""
ROWS = """stream,dry mass [kg],Pb [%],Ag [g/t]
feed,100,2.6,70
over,42,2.2,40
under,58,2.86,90
"""
SIZES = """stream,passing [um],retained [um],mass [g],Pb [%],± Pb [%],Ag [g/t]
feed,,400,101,1.1,0.05,20
feed,400,200,298,1.9,0.1,40
feed,200,100,402,2.8,0.1,75
feed,100,0,199,4.05,0.2,120
over,,400,86,1.0,0.05,<5
over,400,200,231,2.0,0.1,40
over,200,0,83,4.1,0.2,0.11 kg/t
under,,400,9,>50,,
under,400,200,41,1.5,0.1,38
under,200,100,220,2.5,0.1,70
under,100,0,131,4.0,0.2,115
"""


def test_workbook_read_back_gives_the_same_balance(tmp_path: Path) -> None:
    """Limits, a unit in a cell, errors of rows and rules, and a stack that lacks a sieve."""
    folder = tmp_path / "case"
    folder.mkdir()
    for name, text in (("circuit.toml", CIRCUIT), ("measurements.csv", ROWS), ("sizes.csv", SIZES)):
        (folder / name).write_text(text, "utf-8")
    case = read_case(folder)
    first = reconcile(case.circuit, case.survey, feed=case.feed, products=case.products)
    path = tmp_path / "result.xlsx"
    path.write_bytes(xlsx_bytes(first))
    again = read_case(path)
    assert again.survey.sizes == case.survey.sizes
    assert len(again.survey.measurements) == len(case.survey.measurements) > 35
    for m in case.survey.measurements:
        found = again.survey.measured(m.stream, m.quantity)
        assert found is not None, m
        assert (found.value_base, found.sd_base) == pytest.approx(
            (m.value_base, m.sd_base), rel=1e-9
        )
        assert found.bounded == m.bounded
    second = reconcile(again.circuit, again.survey, feed=again.feed, products=again.products)
    assert second.objective == pytest.approx(first.objective, rel=1e-6)
    for a, b in zip(first.sizes.streams, second.sizes.streams, strict=True):
        assert [r.share for r in b.classes] == [pytest.approx(r.share, rel=1e-5) for r in a.classes]
    header = [c.value for c in openpyxl.load_workbook(path)["sizes"][1]]
    assert header == ["stream", "passing [um]", "retained [um]", "mass [%]", "± mass [%]",
                      "Pb [%]", "± Pb [%]", "Ag [g/t]", "± Ag [g/t]"]  # fmt: skip


@pytest.mark.parametrize("name", ["leach_test", "month_with_stockpile", "grinding_by_size"])
def test_workbook_of_an_example_is_a_case_again(name: str, tmp_path: Path) -> None:
    """Contents, solution, stocks and declared losses: all are written, and read again."""
    case = read_case(ROOT / "examples" / name)
    first = reconcile(case.circuit, case.survey, feed=case.feed, products=case.products)
    path = tmp_path / "result.xlsx"
    path.write_bytes(xlsx_bytes(first))
    again = read_case(path)
    assert set(again.circuit.streams) == set(case.circuit.streams)
    assert (again.survey.water, again.survey.dissolved, again.survey.stacks) == (
        case.survey.water, case.survey.dissolved, case.survey.stacks)  # fmt: skip
    second = reconcile(again.circuit, again.survey, feed=again.feed, products=again.products)
    assert second.global_test.dof == first.global_test.dof
    assert second.objective == pytest.approx(first.objective, rel=1e-6)
    assert len(second.values) == len(first.values)
    book = openpyxl.load_workbook(path)
    rows = {title: list(book[title].iter_rows(values_only=True)) for title in book.sheetnames}
    assert len(rows["amounts"]) == 1 + len(first.amounts)
    assert ("extractions" in rows) is (name == "leach_test")
    assert ("inventories" in rows) is (name == "month_with_stockpile")
    for e, row in zip(first.extractions, rows.get("extractions", [])[1:], strict=True):
        assert row[:2] == (e.node, e.analyte) and row[2] == pytest.approx(e.by_solids)
    for pile in first.inventories:
        own = [r for r in rows["inventories"] if r[:2] == (pile.node, pile.quantity)]
        assert len(own) == len(pile.lines) + 1
        assert own[-1][4] == pytest.approx(pile.unaccounted)


def test_classes_that_nobody_looked_for_are_left_out(capsys: pytest.CaptureFixture[str]) -> None:
    """Two of five streams were not assayed by size, and no balance gives it: one line says so."""
    folder = ROOT / "examples" / "grinding_by_size"
    case = read_case(folder)
    balance = reconcile(case.circuit, case.survey, feed=case.feed, products=case.products)
    assert not any(v.value_class.value == "unobservable" for v in balance.values)
    told = (
        "Not measured nor given by any balance, and left out: Pb by size of 'fresh feed', "
        "'mill discharge'."
    )
    assert balance.notes == (told,)
    # all of the only product: no ± to speak of, and no budget of one
    text = summary(balance)
    assert "Recovery of Pb: 100 % to cyclone overflow." in text and "± –" not in text
    assert "What the ± of the recoveries comes from" not in text
    assert "ratio of concentration" not in text
    # drawings keep to what fits: no classes
    assert not any(" um" in line for lines in balance_labels(balance).values() for line in lines)
    with pytest.raises(SystemExit) as ended:
        main(["check", str(folder)])
    assert ended.value.code == 0
    check = " ".join(capsys.readouterr().out.split())
    assert "Pb in +300 um of 'cyclone underflow'. So it is in 5 other size classes." in check
    assert "with 7 more groups" not in check and "Pb in -75+38 um" not in check


def test_a_circuit_whose_water_is_balanced_names_the_solids_in_its_drawing() -> None:
    case = read_case(ROOT / "examples" / "leach_test")
    balance = reconcile(case.circuit, case.survey, feed=case.feed, products=case.products)
    labels = balance_labels(balance)["leached pulp"]
    assert labels[1].startswith("solids 52.0") and labels[2].startswith("water 68.")


def test_laws_say_what_was_left_out() -> None:
    fit = FittedLaw(SizeLaw.ROSIN_RAMMLER, (0.9, 0.1), (120.0, 5.0), 0.0, 0, None, (400.0, 300.0))
    assert fit_remark(fit) == (
        "Two openings, two parameters. Left out, as all or nothing passes: 400, 300 um."
    )
    assert fit_remark(replace(fit, dof=1, left_out_um=())) == ""
    balance = _screen()
    (first, *rest) = balance.sizes.streams
    sizes = replace(balance.sizes, streams=(replace(first, fits=(fit,)), *rest))
    row = law_table(replace(balance, sizes=sizes)).rows[0]
    assert row[2] == "is not checked" and row[-1] == fit_remark(fit)


def test_json_has_the_amounts() -> None:
    balance = _screen()
    document = json.loads(to_json(balance))
    jsonschema.validate(document, balance_schema())
    found = {(a["stream"], a["analyte"]): a for a in document["amounts"]}
    assert set(found) == {("feed", "Pb"), ("over", "Pb"), ("under", "Pb")}
    over = found["over", "Pb"]
    assert over["amount"] == pytest.approx(0.94) and over["product"] is True
    assert over["per_feed"] == pytest.approx(0.94 / 100.0)
