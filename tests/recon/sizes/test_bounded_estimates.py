"""Bounded fits of partition curves: unbiased, their range, what is said of them."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from typing import Any

import jsonschema
import numpy as np
import openpyxl
import pytest
from balance_cases import only_balanced
from bounded_curves import (
    PLITT,
    SIEVES,
    WHITEN,
    Floats,
    cyclone_flows,
    fitted_bounded,
    joint_flows,
    law_value,
    survey_of_a_cyclone,
)
from often import often, some
from scipy.optimize import minimize
from sheet_tables import tables_of

from oretally.flowsheet import Basis, Circuit, Dimension, Measurement, Survey, parse_unit
from oretally.flowsheet.survey import SizeGrid, class_share
from oretally.io.results import ALL, html_report, summary, to_json, xlsx_bytes
from oretally.io.results.document import balance_schema
from oretally.io.results.pdf_pages import pages
from oretally.io.wording import fit_table, partition_remark
from oretally.io.wording.partition_words import bypass_cells, partition_sentences
from oretally.recon import Balance
from oretally.recon.result import (
    FittedPartition,
    Meets,
    OpenClass,
    Partitioned,
    PartitionLaw,
    PartitionRow,
    Sharpness,
    SizeAt,
    UnusedClass,
)
from oretally.recon.sizes.bounded_range import bounded_range
from oretally.recon.sizes.class_averages import average_sizes
from oretally.recon.sizes.partition import PartitionCurve, partition_curve
from oretally.recon.sizes.partition_fit import PartitionFit
from oretally.recon.sizes.separator_fits import fitted_partitions


def _least(curve: PartitionCurve, law: PartitionLaw, first: Floats) -> float:
    """Return the least chi-square within the bounds by another method, without derivatives."""
    feed = curve.feed
    at, weight = average_sizes(curve.bound_um, feed)
    assert curve.covariance is not None
    W = np.linalg.inv(np.linalg.cholesky(curve.covariance))

    def y(theta: Floats) -> Callable[[Floats], Floats]:
        d, m = np.exp(np.clip(theta[:2], -2.0, 2.0)) * [165.0, 2.0]
        return lambda size: theta[2] + (1.0 - theta[2]) * law_value(law, size, d, m)

    def chi_square(theta: Floats) -> float:
        averages = np.sum(weight[1:-1] * y(theta)(np.exp(at[1:-1])), axis=1)
        r = W @ (curve.share - np.concatenate([theta[3:4], averages, theta[4:5]]))
        return float(r @ r)

    inequalities: list[Callable[[Floats], float]] = [
        lambda t: t[3] - y(t)(SIEVES[:1])[0],
        lambda t: 1.0 - t[3],
        lambda t: t[4] - t[2],
        lambda t: y(t)(SIEVES[-1:])[0] - t[4],
        lambda t: t[2],
    ]
    found = minimize(
        chi_square, first, method="SLSQP",
        constraints=[{"type": "ineq", "fun": f} for f in inequalities],
        options={"maxiter": 500, "ftol": 1e-12},
    )  # fmt: skip
    # a search that ends outside has found nothing
    return float(found.fun) if all(f(found.x) > -1e-7 for f in inequalities) else np.inf


@pytest.mark.parametrize("law", PartitionLaw)
# from 3 the other method finds nothing
@pytest.mark.parametrize("seed", some([0, 1, 2, 4, 5, 6], 3))
def test_the_least_within_the_bounds(law: PartitionLaw, seed: int) -> None:
    """Shares thrown about, with errors that go together, so that bounds hold more often than not.

    Sequential quadratic programming from four places finds nothing better, and as good.
    """
    rng = np.random.default_rng(seed)
    feed, coarse = cyclone_flows(law, SIEVES, 165.0, 2.0, rng.uniform(0.0, 0.3))
    share = np.clip(coarse / feed + 0.03 * rng.standard_normal(8), 0.002, 0.998)
    A = np.eye(8) + 0.3 * rng.standard_normal((8, 8))
    V = np.zeros((16, 16))
    V[:8, :8] = A @ np.diag((0.02 * feed) ** 2) @ A.T
    curve = partition_curve(SIEVES, feed * share, feed, covariance=V)
    fit = fitted_bounded(curve, law)
    best = min(
        _least(curve, law, np.array([a, b, R, 0.99, R + 0.01]))
        for a, b, R in ((0.0, 0.0, 0.1), (0.3, -0.3, 0.2), (-0.3, 0.3, 0.3), (0.0, 0.4, 0.05))
    )
    assert fit.chi_square == pytest.approx(best, rel=1e-4, abs=1e-6)


@pytest.mark.parametrize("of_planes", [False, True])
@pytest.mark.parametrize("seed", range(5))
def test_the_range_is_that_of_a_general_optimiser(seed: int, *, of_planes: bool) -> None:
    """The extremes of an answer over the ball cut by planes, by sequential quadratic programming.

    The planes are chosen so that the best values lie on one, and others are near. Along two planes
    whose slopes make up that of the answer it is one and the same.
    """
    rng = np.random.default_rng(seed)
    J, g = rng.standard_normal((7, 4)), rng.standard_normal(4)
    rows = rng.standard_normal((4, 4))
    if of_planes:
        g = rows[0] - 0.7 * rows[1]
    slack = np.array([0.0, 0.1, 0.4, 3.0])
    # the best values are the least within the bounds: the slope of chi-square is along the first
    residual = -1.5 * J @ np.linalg.solve(J.T @ J, rows[0])
    region = bounded_range(J, residual, rows=rows, slack=slack)
    level = float(residual @ residual)
    inequalities: Any = [
        {"type": "ineq", "fun": lambda x: slack + rows @ x},
        {"type": "ineq", "fun": lambda x: 1.0 + level - np.sum((residual - J @ x) ** 2)},
    ]
    options: Any = {"ftol": 1e-13, "maxiter": 500}

    def extreme(sign: float) -> float:
        def answer(x: Floats) -> float:
            return float(sign * (g @ x))

        found = minimize(answer, np.zeros(4), method="SLSQP", constraints=inequalities,
                         options=options)  # fmt: skip
        return float(g @ found.x)

    ends = [extreme(1.0), extreme(-1.0)]
    assert region.reach(g) == pytest.approx((-ends[0], ends[1]), abs=1e-5)
    assert region.spread(g) == pytest.approx((ends[1] - ends[0]) / 2.0, abs=1e-5)


def test_the_range_without_bounds_in_reach_is_one_sd() -> None:
    rng = np.random.default_rng(1)
    J, g = rng.standard_normal((7, 3)), rng.standard_normal(3)
    sd = float(np.sqrt(g @ np.linalg.solve(J.T @ J, g)))
    region = bounded_range(J, np.zeros(7), rows=np.eye(3), slack=np.full(3, 10.0))
    assert region.reach(g) == pytest.approx((sd, sd))


def _simulated(
    law: PartitionLaw, sieves: Floats, truth: tuple[float, float, float], relative: float, n: int
) -> tuple[Floats, Floats, list[PartitionFit]]:
    """Return values and sds (n, 3) of curves fitted to drawn surveys, and these curves."""
    feed, coarse = cyclone_flows(law, sieves, *truth)
    V, rng = joint_flows(coarse, feed, relative), np.random.default_rng(7)
    C = len(feed)
    fits = [
        fitted_bounded(partition_curve(sieves, np.minimum(d[:C], d[C:]), d[C:], covariance=V), law)
        for d in rng.multivariate_normal(np.concatenate([coarse, feed]), V, size=n)
    ]
    values = np.array([(f.d50c_um, f.exponent, f.bypass) for f in fits])
    return values, np.array([f.sds for f in fits]), fits


QUARTERS = 600.0 * 2.0 ** (-np.arange(15) / 4.0)  # a sieve series: fourth roots of two


@pytest.mark.parametrize(("law", "exponent"), [(PLITT, 1.8), (WHITEN, 2.5)])
def test_estimates_are_unbiased_and_their_sds_true(law: PartitionLaw, exponent: float) -> None:
    """400 surveys, classes as integrals of the curve over the feed, the pan and the top included.

    An sd from 400 is known to 3.5 %, a mean to 0.05 sd, a mean chi-square to root(2 dof / 400):
    four of each are allowed.
    """
    truth, n = (150.0, exponent, 0.15), often(400, 0.15)
    values, sds, fits = _simulated(law, QUARTERS, truth, 0.02, n)
    scatter = values.std(axis=0, ddof=1)
    assert (np.abs(values.mean(axis=0) - truth) < 4.0 / n**0.5 * scatter).all()
    assert np.sqrt((sds**2).mean(axis=0)) == pytest.approx(scatter, rel=4.0 / (2 * n) ** 0.5)
    z = (values - truth) / sds
    assert np.sqrt((z**2).mean(axis=0)) == pytest.approx(np.ones(3), abs=4.0 / (2 * n) ** 0.5)
    excess = np.array([f.chi_square - f.dof for f in fits])
    assert abs(excess.mean()) < 4.0 * np.sqrt(2.0 * 11.0 / n)
    p = np.array([f.p for f in fits], float)
    assert abs(p.mean() - 0.5) < 4.0 * np.sqrt(1.0 / 12.0 / n)
    assert sum(f.bypass_held for f in fits) < n / 10


def test_mean_sizes_alone_would_be_biased() -> None:
    """On sieves a factor 1.41 apart: what averages are for. A tenth of an sd is left of many."""
    roots = 600.0 * 2.0 ** (-np.arange(8) / 2.0)
    truth = (150.0, 2.2, 0.15)
    values, sds, fits = _simulated(PLITT, roots, truth, 0.02, often(100, 0.4))
    off = (values.mean(axis=0) - truth) / sds.mean(axis=0)
    assert np.abs(off).max() < 0.5  # 0.1 sd is the error of a mean of 100, 0.16 of 40
    feed, coarse = cyclone_flows(PLITT, roots, *truth)
    at = np.sqrt(roots[1:] * roots[:-1])
    y, sd = (coarse / feed)[1:-1], (coarse * (feed - coarse) / feed**2)[1:-1] * 0.02 * 2.0**0.5

    def misfit(t: Floats) -> float:
        y_mean = t[2] + (1.0 - t[2]) * law_value(PLITT, at, 150.0 * t[0], 2.2 * t[1])
        return float(np.sum(((y - y_mean) / sd) ** 2))

    mean = minimize(misfit, [1.0, 1.0, 0.15], method="Nelder-Mead", options={"maxiter": 4000}).x
    biased = np.array([150.0 * mean[0], 2.2 * mean[1], mean[2]])
    assert (np.abs(biased - truth) > 3.0 * sds.mean(axis=0)).all()


@pytest.mark.parametrize(("law", "exponent"), [(PLITT, 3.0), (WHITEN, 5.0)])
def test_where_the_pan_often_holds_the_range_covers_the_truth(
    law: PartitionLaw, exponent: float
) -> None:
    """A sharp cut far above the pan: of it hardly more goes than the bypass, a bound half the time.

    The range covers the bypass as an sd does, 68 % of the time: of 90 known to 5 %. The classes
    held count as checks, and do not make chi-square larger than its degrees of freedom.
    """
    sieves = 600.0 * 2.0 ** (-np.arange(9) / 2.0)
    truth, n = (150.0, exponent, 0.3), often(600, 0.15)
    values, sds, fits = _simulated(law, sieves, truth, 0.03, n)
    held = np.mean([f.bypass_held for f in fits])
    assert 0.25 < held < 0.75
    ranges = np.array([f.bypass_range for f in fits])
    within = (ranges[:, 0] <= 0.3) & (ranges[:, 1] >= 0.3)
    assert within.mean() == pytest.approx(0.68, abs=3.4 * (0.68 * 0.32 / n) ** 0.5)
    assert (np.abs(values - truth) < sds).mean(axis=0) == pytest.approx(
        np.full(3, 0.68), abs=3.7 * (0.68 * 0.32 / n) ** 0.5
    )
    scatter = values.std(axis=0, ddof=1)
    assert np.sqrt((sds**2).mean(axis=0)) == pytest.approx(scatter, rel=4.0 / (2 * n) ** 0.5)
    excess = np.array([f.chi_square - f.dof for f in fits])
    assert -1.0 < excess.mean() < 4.0 * np.sqrt(2.0 * 7.0 / n)
    assert np.mean([f.p is not None and f.p < 0.05 for f in fits]) < 0.09


LADDER = SizeGrid((850.0, *SIEVES.tolist()))
SHARE = parse_unit("%", Dimension.SHARE)


def _balance(pan: float | None) -> Balance:
    """Return the balance of a cyclone; nothing stays on its coarsest sieve."""
    feed, coarse = cyclone_flows(PLITT, SIEVES, 165.0, 2.0, 0.40)
    if pan is not None:
        coarse[-1] = pan * feed[-1]
    feed, coarse = np.append(0.0, feed), np.append(0.0, coarse)
    circuit = Circuit.build(
        {"feed": (None, "cyclone"), "overflow": ("cyclone", None),
         "underflow": ("cyclone", None)}
    )  # fmt: skip
    rate = parse_unit("t/h")
    found = [Measurement("feed", "dry rate", 100.0, rate, 1.0)]
    for name, flows in (("feed", feed), ("overflow", feed - coarse), ("underflow", coarse)):
        for c in range(LADDER.n_classes):
            share = float(100.0 * flows[c] / flows.sum())
            sd = 0.002 * share + 0.01
            found.append(Measurement(name, class_share(LADDER.label((c, c))), share, SHARE, sd))
    title = "Invented: a cyclone whose pan contradicts"
    return only_balanced(circuit, Survey(Basis.RATE, rate, (), tuple(found), title, sizes=LADDER))


def _sentence(balance: Balance) -> str:
    (said,) = (s for s in fit_table(balance).below if s.startswith("cyclone, Plitt"))
    return said


def test_the_answer_says_that_the_pan_contradicts() -> None:
    balance = _balance(0.372)
    (found,) = balance.sizes.partitions
    pan = found.classes[-1].solids
    plitt = found.fits[0]
    assert pan is not None and plitt.bypass is not None and plitt.bypass_range is not None
    assert plitt.bypass[0] < pan[0] + 3.0 * pan[1]
    assert plitt.doubt != "" and plitt.bypass_held
    (row, _) = fit_table(balance).rows
    assert row[2] == "does not hold"
    assert row[7].endswith(" (held)")
    assert row[8] not in ("", "–") and "0.00" not in row[8]
    said = _sentence(balance)
    assert said.startswith("cyclone, Plitt: The free fit gives a bypass of ")
    assert ", above the share of the pan. -74 um has 37.20 ± 0.15 %, where at least the " in said
    assert " %, goes to the coarse product: it holds the bypass down." in said
    assert said.endswith(" Left out: +850 um (it has no feed).")


def test_every_format_says_what_was_left_out_and_what_bounds() -> None:
    balance = _balance(None)
    (found,) = balance.sizes.partitions
    assert found.fits[0].left_out == (UnusedClass(0, "it has no feed"),)
    assert [row.solids is None for row in found.classes] == [True] + [False] * 8
    said = (
        "Bounds of the curve, which it keeps, not points of it, as they have no mean size: -74 um. "
        "Left out: +850 um (it has no feed)."
    )
    assert _sentence(balance).endswith(said)
    assert said in " ".join(summary(balance, parts=(ALL,)).split())
    assert said in html_report(balance)
    blocks = [block for part in pages(balance, (), None)["parts"] for block in part["blocks"]]
    printed = [text for block in blocks if block["kind"] == "words" for text in block["texts"]]
    assert any(text.endswith(said) for text in printed)
    book = openpyxl.load_workbook(io.BytesIO(xlsx_bytes(balance)))
    rows = {(r[0], r[1]): r for r in tables_of(book["by size"])["Sizes and fitted laws"]}
    assert rows["cyclone", "Plitt bypass"][5] == said
    fit = found.fits[0]
    assert fit.bypass_range is not None
    limits = [rows["cyclone", f"Plitt bypass, {end}"][2] for end in ("least", "most")]
    assert limits == pytest.approx(fit.bypass_range)
    document = json.loads(to_json(balance))
    jsonschema.Draft202012Validator(balance_schema()).validate(document)
    shown = document["sizes"]["partitions"][0]["fits"][0]
    assert shown["left_out"] == [{"class": "+850 um", "reason": "it has no feed"}]
    assert [(o["class"], o["meets"]) for o in shown["open_classes"]] == [("-74 um", "within")]
    assert shown["bypass_range"] == {"least": fit.bypass_range[0], "most": fit.bypass_range[1]}


def test_rows_of_a_result_have_all_of_the_fit() -> None:
    curve = survey_of_a_cyclone()
    plitt, _ = fitted_partitions(curve)
    fit = fitted_bounded(curve)
    assert plitt.bypass == pytest.approx((100.0 * fit.bypass, 100.0 * fit.sds[2]))
    assert plitt.bypass_range == pytest.approx(tuple(100.0 * x for x in fit.bypass_range))
    assert (plitt.open_classes, plitt.left_out) == (fit.open_classes, fit.left_out)
    assert (plitt.bypass_held, plitt.note, plitt.doubt) == (True, fit.note, fit.doubt)


def _separator(*fits: FittedPartition) -> Partitioned:
    none = SizeAt(50.0, None, None, "", "not looked for")
    rows = [("+600 um", 97.98, 0.40), ("-600+74 um", 50.0, 1.0), ("-74 um", 37.20, 0.07)]
    classes = tuple(PartitionRow(label, None, (y, sd), {}) for label, y, sd in rows)
    return Partitioned("cyclone", "underflow", classes, Sharpness(none, none, none), fits)


@pytest.mark.parametrize(
    ("found", "words"),
    [
        (OpenClass(2, 0.3734, 0.47, Meets.LEAST),
         "-74 um has 37.200 ± 0.070 %, where at least the bypass, 37.340 %, goes to the coarse "
         "product: it holds the bypass down."),
        (OpenClass(2, 0.2, 0.3512, Meets.MOST),
         "-74 um has 37.200 ± 0.070 %, where the curve has 35.120 % at 74 um and less below: it "
         "holds the curve up."),
        (OpenClass(0, 0.9942, 1.0, Meets.LEAST),
         "+600 um has 97.98 ± 0.40 %, where the curve has 99.42 % at 600 um and more above: it "
         "holds the curve down."),
        (OpenClass(0, 0.97, 1.0, Meets.MOST),
         "+600 um has 97.98 ± 0.40 % and, with the errors that it has in common with other "
         "classes, rests at 100.00 %, all."),
        (OpenClass(0, 0.97, 1.0, Meets.LEAST),
         "+600 um has 97.98 ± 0.40 % and, with the errors that it has in common with other "
         "classes, rests at 97.00 %, as at 600 um."),
        (OpenClass(2, 0.36, 0.47, Meets.LEAST),
         "-74 um has 37.200 ± 0.070 % and, with the errors that it has in common with other "
         "classes, rests at 36.000 %, the bypass."),
        (OpenClass(2, 0.36, 0.47, Meets.WITHIN),
         "Bounds of the curve, which it keeps, not points of it, as they have no mean size: "
         "-74 um."),
    ],
)  # fmt: skip
def test_what_an_open_class_does_is_said(found: OpenClass, words: str) -> None:
    fit = FittedPartition(
        PLITT, (175.0, 1.0), (2.0, 0.1), (37.0, 0.1), dof=3, open_classes=(found,)
    )
    assert partition_remark(_separator(fit), fit) == words


def test_what_both_laws_say_is_said_once() -> None:
    one = FittedPartition(PLITT, dof=0, left_out=(UnusedClass(0, "it has no feed"),))
    two = FittedPartition(WHITEN, dof=0, left_out=(UnusedClass(0, "it has no feed"),))
    words = "As many classes as parameters. Left out: +600 um (it has no feed)."
    assert partition_sentences(_separator(one, two)) == [f"cyclone, Plitt, Whiten: {words}"]
    none = FittedPartition(WHITEN, reason="no class to fit.")
    assert partition_sentences(_separator(one, none)) == [f"cyclone, Plitt: {words}"]
    assert partition_remark(_separator(none), none) == "No class to fit."


@pytest.mark.parametrize(
    ("bypass", "limits", "held", "cells"),
    [
        ((15.0, 0.4), (14.6, 15.4), False, ["15.00", "0.40"]),
        ((15.0, 0.3), (14.6, 15.2), False, ["15.00", "+0.20 -0.40"]),
        ((0.0, 0.9), (0.0, 1.8), True, ["0 (held)", "+1.8"]),
        ((37.3, 0.05), (37.27, 37.37), True, ["37.300 (held)", "+0.070 -0.030"]),
        ((40.0, 0.0), (40.0, 40.0), False, ["40", "–"]),
        (None, None, False, ["–", "–"]),
    ],
)
def test_the_bypass_is_told_one_sided_where_a_bound_is_near(
    bypass: tuple[float, float] | None, limits: tuple[float, float] | None, held: bool,
    cells: list[str],
) -> None:  # fmt: skip
    fit = FittedPartition(PLITT, bypass=bypass, bypass_range=limits, bypass_held=held)
    assert bypass_cells(fit) == cells
