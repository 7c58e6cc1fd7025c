"""The assay that would tell most: against a balance with it, and where none is worth naming."""

from __future__ import annotations

import json
from dataclasses import replace

import jsonschema
import numpy as np
import pytest
from balance_cases import only_balanced
from hypothesis import given, settings
from hypothesis import strategies as st
from loss_cases import KG, PERCENT

from oretally.flowsheet import Analyte, Basis, Circuit, Measurement, Survey
from oretally.io.first_page import next_step
from oretally.io.results import summary, to_json
from oretally.io.results.document import balance_schema
from oretally.recon import check
from oretally.recon.result import MissingAssay

TABLE = Circuit.build({
    "feed": (None, "table"), "conc": ("table", None), "mids": ("table", None),
    "tails": ("table", None),
})  # fmt: skip
TRUE = {"conc": (0.26, 35.0), "mids": (2.09, 0.75), "tails": (17.65, 0.115)}  # kg, % of WO3


def _survey(*, left_out: str = "mids", relative: float = 0.03, conc: float = 35.0) -> Survey:
    streams = {**TRUE, "conc": (0.26, conc)}
    metal = sum(w * x for w, x in streams.values())
    weight = sum(w for w, _ in streams.values())
    found = []
    for name, (w, x) in {"feed": (weight, metal / weight), **streams}.items():
        found.append(Measurement(name, "dry mass", w, KG, 0.003 * w))
        if name != left_out:
            found.append(Measurement(name, "WO3", x, PERCENT, relative * x))
    return Survey(Basis.BATCH, KG, (Analyte("WO3", PERCENT),), tuple(found), "Invented: a table")


def _missing(survey: Survey) -> MissingAssay:
    found = only_balanced(TABLE, survey).losses.missing_assay
    assert found is not None
    return found


def _sd(survey: Survey) -> float | None:
    return only_balanced(TABLE, survey).recovery("conc", "WO3").sd


@settings(deadline=None, max_examples=12)
@given(st.floats(0.01, 0.06), st.floats(20.0, 60.0), st.floats(-1.0, 1.0))
def test_it_leaves_what_a_balance_with_it_leaves(relative: float, conc: float, off: float) -> None:
    """Whatever the assay reads, within its error: the sd with it was told beforehand."""
    survey = _survey(relative=relative, conc=conc)
    found = _missing(survey)
    assert (found.stream, found.quantity, found.analyte) == ("mids", "WO3", "WO3")
    assert found.kept == ("conc",) and 1.0 - 1e-9 <= found.sd / (relative * found.grade) < 1.3
    assert found.percent[1] == pytest.approx(_sd(survey))
    assay = Measurement("mids", "WO3", found.grade + off * found.sd, PERCENT, found.sd)
    more = replace(survey, measurements=(*survey.measurements, assay))
    assert found.sd_then == pytest.approx(_sd(more), rel=0.05)  # to first order
    assert found.sd_then <= 0.5 * found.percent[1]


def test_it_comes_before_the_test_of_the_loss() -> None:
    balance = only_balanced(TABLE, _survey())
    step = next_step(balance)
    assert step.startswith("assay 'mids' for WO3: the recovery of WO3 in 'conc', now 71.")
    assert " would be known to ± 0.70" in step and "(sd 0.023 %)" in step
    assert step in " ".join(summary(balance).split())
    document = json.loads(to_json(balance))
    jsonschema.Draft202012Validator(balance_schema()).validate(document)
    assert document["losses"]["missing_assay"]["sd_then"] == _missing(_survey()).sd_then


def test_check_tells_it_before_a_balance() -> None:
    found, told = check(TABLE, _survey()).missing_assay, _missing(_survey())
    assert found is not None and (found.stream, found.quantity) == ("mids", "WO3")
    assert found.percent == pytest.approx(told.percent, rel=1e-6)
    assert found.sd_then == pytest.approx(told.sd_then, rel=1e-6)
    weightless = [m for m in _survey().measurements if m.quantity != "dry mass"]
    assert check(TABLE, replace(_survey(), measurements=tuple(weightless))).missing_assay is None


@pytest.mark.parametrize("left_out", ["", "feed"])
def test_none_where_all_is_known_as_well_without(left_out: str) -> None:
    """Nothing is missing, or the head alone, which the products tell better than its assay."""
    balance = only_balanced(TABLE, _survey(left_out=left_out))
    assert balance.losses.missing_assay is None
    assert next_step(balance).startswith("screen 'tails'")


def test_none_where_the_recovery_is_known_well_enough() -> None:
    assert only_balanced(TABLE, _survey(relative=0.001)).losses.missing_assay is None


def test_another_analyte_may_tell_it() -> None:
    """Nobody weighed the products: iron of the concentrate splits the mass, and so the metal."""
    circuit = Circuit.build(
        {"feed": (None, "cell"), "conc": ("cell", None), "tails": ("cell", None)}
    )
    grades = {"feed": (1.0, 8.0), "conc": (10.0, 44.0), "tails": (0.1, 4.4)}  # Cu, Fe: pull 1/11
    rows = [Measurement("feed", "dry mass", 100.0, KG, 0.3)]
    for name, (cu, fe) in grades.items():
        rows.append(Measurement(name, "Cu", cu, PERCENT, (0.30 if name == "feed" else 0.03) * cu))
        if name != "conc":
            rows.append(Measurement(name, "Fe", fe, PERCENT, 0.003 * fe))
    analytes = (Analyte("Cu", PERCENT), Analyte("Fe", PERCENT))
    survey = Survey(Basis.BATCH, KG, analytes, tuple(rows), "Invented: a cell")
    found = only_balanced(circuit, survey).losses.missing_assay
    assert found is not None and np.isfinite(found.sd_then)
    assert (found.stream, found.quantity, found.analyte) == ("conc", "Fe", "Cu")
