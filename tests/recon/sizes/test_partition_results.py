"""Partition curves of a balance: by hand, with their sd, with the laws fitted to them."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from math import sqrt

import jsonschema
import numpy as np
import openpyxl
import pytest
from balance_cases import only_balanced
from scipy.interpolate import CubicSpline
from sheet_tables import tables_of
from size_cases import (
    KG,
    OVER,
    ROOT,
    SHARE,
    TPH,
    Floats,
    screen,
    sized_classes,
)

from oretally.flowsheet import (
    Basis,
    Circuit,
    Measurement,
    Node,
    Stream,
    Survey,
)
from oretally.flowsheet.survey import DECLARED_LOSS, SizeGrid, class_share
from oretally.io import read_case
from oretally.io.results import ALL, html_report, summary, to_json, xlsx_bytes
from oretally.io.results.document import balance_schema
from oretally.io.wording import (
    fit_table,
)
from oretally.io.wording.partition_words import BYPASS_LEGEND
from oretally.recon import Balance
from oretally.recon.result import Meets, PartitionLaw, SizeLaw, StreamSizes


def test_a_screen_by_hand() -> None:
    """42 kg of 100 kg stay on the screen: 9 of 10, 24 of 30, 8 of 40, 1 of 20 kg by class."""
    sizes = screen().sizes
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
    (found,) = screen().sizes.partitions
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
    balance = only_balanced(circuit, Survey(Basis.BATCH, KG, (), tuple(found), sizes=grid))
    (a,) = (s for s in balance.sizes.streams if s.stream == "a")
    assert a.classes[0].share == pytest.approx((40.0, sqrt(2.0)))
    assert a.classes[0].passing == pytest.approx((60.0, sqrt(2.0)))
    assert [s.stream for s in balance.sizes.streams] == ["a"]  # the others are not determined
    assert balance.sizes.partitions == ()
    assert {f.reason for f in a.fits} == {
        f"a {law} law needs 2 openings that part of the mass passes: 1 found." for law in SizeLaw
    }


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
            found += sized_classes(FOUR, name, shares, None)
    circuit = Circuit.from_parts(streams, [Node("cyclone")])
    survey = Survey(Basis.RATE, TPH, (), tuple(found), "Invented: a cyclone", sizes=FOUR)
    return only_balanced(circuit, survey, feed="feed")


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
        found += sized_classes(LADDER, name, flows, None, relative)
    survey = Survey(Basis.RATE, TPH, (), tuple(found), "Invented: a cyclone", sizes=LADDER)
    return only_balanced(circuit, survey)


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
    assert "Cut size of the separators without the bypass" in summary(balance, parts=(ALL,))
    assert "Cut size of the separators without the bypass" in html_report(balance)
    book = openpyxl.load_workbook(io.BytesIO(xlsx_bytes(balance)))
    figures = {(r[0], r[1]): r[2] for r in tables_of(book["by size"])["Sizes and fitted laws"]}
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
    balance = screen()
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
    balance = only_balanced(case.circuit, case.survey, feed=case.feed, products=case.products)
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
