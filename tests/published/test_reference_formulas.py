"""Two- and three-product examples, through the balance and the formulas beside it."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from balance_cases import only_balanced

from oretally.flowsheet import Circuit, Survey
from oretally.recon import Balance

Reference = Callable[[str], dict[str, Any]]
MakeSurvey = Callable[..., Survey]


def _two_product(
    circuit: Circuit, make_survey: MakeSurvey, f: float, c: float, t: float, mass: float = 100.0
) -> Balance:
    grades = {"X": {"feed": (f, 0.02 * f), "conc": (c, 0.02 * c), "tails": (t, 0.02 * t)}}
    return only_balanced(circuit, make_survey({"feed": (mass, 1e-6 * mass)}, grades))


def test_copper_of_a_university_lecture(
    reference: Reference, two_products: Circuit, make_survey: MakeSurvey
) -> None:
    """University course slides "Metallurgical Balances"; tolerance: the printed digits."""
    data = reference("two_product_cu_lecture")
    assay, printed = data["inputs"]["assay_pct_Cu"], data["published"]
    mass = data["inputs"]["feed_t_per_d"]
    balance = _two_product(
        two_products, make_survey, assay["feed"], assay["concentrate"], assay["tailing"], mass
    )
    assert balance.value("conc", "dry mass").adjusted == pytest.approx(
        printed["concentrate_t_per_d"], abs=0.5
    )
    assert balance.value("tails", "dry mass").adjusted == pytest.approx(
        printed["tailing_t_per_d"], abs=0.5
    )
    by_stream = {s.stream: s for s in balance.separations}
    assert by_stream["conc"].yield_percent == pytest.approx(
        printed["concentrate_weight_pct"], abs=0.005
    )
    assert balance.recovery("conc", "X").recovery == pytest.approx(
        printed["recovery_pct"], abs=0.005
    )
    row = next(f for f in balance.formulas if f.stream == "conc")
    assert row.formula == "two-product formula"
    assert row.recovery == pytest.approx(printed["recovery_pct"], abs=0.005)


def test_copper_of_an_engineering_exam(
    reference: Reference, two_products: Circuit, make_survey: MakeSurvey
) -> None:
    """Engineering examination question with worked solution; to the printed digits."""
    data = reference("two_product_exam_cu")
    assay = data["inputs"]["assay_pct_Cu"]
    balance = _two_product(
        two_products, make_survey, assay["feed"], assay["concentrate"], assay["tailing"]
    )
    printed = data["published"]["recovery_pct_unrounded"]
    assert balance.recovery("conc", "X").recovery == pytest.approx(printed, abs=5e-4)
    assert balance.formulas[0].recovery == pytest.approx(printed, abs=5e-4)
    assert balance.formulas[0].sd == pytest.approx(balance.recovery("conc", "X").sd, rel=1e-6)


def test_lead_and_zinc_in_three_products(reference: Reference, make_survey: MakeSurvey) -> None:
    """Problem sheet "Balance metalurgico", 600 t/d; tolerance: the printed digits."""
    data = reference("three_product_pb_zn")
    assays, printed = data["inputs"]["assays_pct"], data["published"]
    names = ("Pb_concentrate", "Zn_concentrate", "tailing")
    circuit = Circuit.build({"feed": (None, "mill"), **{name: ("mill", None) for name in names}})
    grades = {
        metal: {s: (assays[s][metal], 0.02 * assays[s][metal]) for s in ("feed", *names)}
        for metal in ("Pb", "Zn")
    }
    balance = only_balanced(circuit, make_survey({"feed": (600.0, 6e-4)}, grades))
    for name in names:
        assert balance.value(name, "dry mass").adjusted == pytest.approx(
            printed["tonnes"][name], abs=5e-4
        )
    ratios = {s.stream: s.ratio_of_concentration for s in balance.separations}
    # 12.40047 is printed cut off, not rounded
    assert ratios["Pb_concentrate"] == pytest.approx(
        printed["ratio_of_concentration"]["Pb"], abs=1e-5
    )
    assert ratios["Zn_concentrate"] == pytest.approx(
        printed["ratio_of_concentration"]["Zn"], abs=5e-6
    )
    stream_of = {"Pb_conc": "Pb_concentrate", "Zn_conc": "Zn_concentrate", "tailing": "tailing"}
    formula = {(f.stream, f.analyte): f for f in balance.formulas}
    assert len(printed["recovery_pct"]) == 6
    for key, value in printed["recovery_pct"].items():
        metal, stream = key.split("_in_")
        ours = balance.recovery(stream_of[stream], metal)
        assert ours.recovery == pytest.approx(value, rel=1e-6)
        beside = formula[stream_of[stream], metal]
        assert beside.formula == "three-product formula (Pb, Zn)"
        assert beside.recovery == pytest.approx(value, rel=1e-6)
        assert beside.sd == pytest.approx(ours.sd, rel=1e-6)


def test_six_assays_of_one_table(
    reference: Reference, two_products: Circuit, make_survey: MakeSurvey
) -> None:
    """Wills and Napier-Munn, 7th ed. (2006), ch. 3: six yields that do not agree (from memory).

    Each yield by its own analyte; then all six together, unweighted, against the closed form
    sum (c-t)(f-t) / sum (c-t)^2, which is our own value.
    """
    data = reference("two_product_six_assays")
    rows = zip(
        data["inputs"]["feed"], data["inputs"]["concentrate"], data["inputs"]["tailing"],
        data["published"]["concentrate_yield_pct"], strict=True,
    )  # fmt: skip
    count = 0
    for f, c, t, printed in rows:
        balance = _two_product(two_products, make_survey, f, c, t)
        by_stream = {s.stream: s for s in balance.separations}
        assert by_stream["conc"].yield_percent == pytest.approx(printed, abs=0.005)
        count += 1
    assert count == 6


def test_six_assays_balanced_together(
    reference: Reference, two_products: Circuit, make_survey: MakeSurvey
) -> None:
    """With only the feed assays in error the balance is the least-squares split in closed form."""
    data = reference("two_product_six_assays")
    inputs = data["inputs"]
    grades = {
        name: {"feed": (f, 1.0), "conc": (c, 1e-7), "tails": (t, 1e-7)}
        for name, f, c, t in zip(
            inputs["components"], inputs["feed"], inputs["concentrate"], inputs["tailing"],
            strict=True,
        )
    }  # fmt: skip
    balance = only_balanced(two_products, make_survey({"feed": (100.0, 1e-6)}, grades))
    conc = balance.value("conc", "dry mass").adjusted
    expected = data["recomputed"]["unweighted_least_squares_yield_pct"]
    assert conc == pytest.approx(expected, abs=1e-6)
    assert balance.global_test.dof == 5


def test_error_amplification_of_the_two_product_formula(
    two_products: Circuit, make_survey: MakeSurvey
) -> None:
    """Preprint on the uncertainty of yield and recovery (chemRxiv, December 2023).

    The balance gives the first-order columns, to their seven printed digits; the published
    relation is an upper bound that is at most 1.155 times too large.
    """
    path = Path(__file__).resolve().parents[1] / "reference" / "two_product_error_amplification.csv"
    lines = [line for line in path.read_text("utf-8").splitlines() if not line.startswith("#")]
    rows = list(csv.DictReader(lines))
    assert len(rows) == 20
    relative = 1e-3
    for row in rows:
        R, Y = float(row["recovery_R"]), float(row["yield_Y"])
        f = 1.0
        c, t = R * f / Y, (1.0 - R) * f / (1.0 - Y)
        grades = {"X": {s: (v, relative * v) for s, v in
                        (("feed", f), ("conc", c), ("tails", t))}}  # fmt: skip
        balance = only_balanced(two_products, make_survey({"feed": (100.0, 1e-8)}, grades))
        separation = next(s for s in balance.separations if s.stream == "conc")
        recovery = balance.recovery("conc", "X")
        assert separation.yield_sd is not None and separation.yield_percent is not None
        assert recovery.sd is not None and recovery.recovery is not None
        in_yield = separation.yield_sd / separation.yield_percent / relative
        in_recovery = recovery.sd / recovery.recovery / relative
        assert in_yield == pytest.approx(float(row["first_order_exact_yield"]), rel=1e-6)
        assert in_recovery == pytest.approx(float(row["first_order_exact_recovery"]), rel=1e-6)
        assert in_yield < float(row["published_yield_amplification"]) < 1.1548 * in_yield
        bound = float(row["published_recovery_amplification"])
        assert in_recovery < bound < 1.1548 * in_recovery


def test_balance_moves_the_textbook_answer_towards_the_better_number(
    two_products: Circuit, make_survey: MakeSurvey
) -> None:
    """Weights beside assays: the balance lies between the answers that use only one of them."""
    grades = {"X": {"feed": (1.0, 0.05), "conc": (20.0, 0.4), "tails": (0.2, 0.01)}}
    balance = only_balanced(
        two_products,
        make_survey({"feed": (100.0, 0.5), "conc": (4.2, 0.05), "tails": (95.9, 0.5)}, grades),
    )
    found = {f.formula: f.recovery for f in balance.formulas if f.stream == "conc"}
    ours = balance.recovery("conc", "X").recovery
    assert set(found) == {
        "two-product formula", "weights, assayed head", "weights, calculated head",
    }  # fmt: skip
    assert ours is not None and min(found.values()) < ours < max(found.values())
    assert np.isclose(found["weights, calculated head"], 100 * 84.0 / (84.0 + 19.18))
