"""Cases to plan measurements for."""

from __future__ import annotations

from pathlib import Path

import pytest

from oretally.flowsheet import InputError
from oretally.io.commands.plan import planned
from oretally.io.plan import PlanCase, plan_summary
from oretally.recon.plan import Candidate, MeasurementPlan

# an invented test of an invented ore
CIRCUIT = """
title = "Tungsten ore, spiral test 3"
basis = "batch"
[streams]
"ore" = { to = "spiral" }
"conc" = { from = "spiral" }
"tails" = { from = "spiral" }
[analytes]
W = { unit = "%" }
"""


ERRORS = """
[errors]
"dry mass" = { relative = 0.5 }
W = { relative = 4 }
"""


EXPECTED = "stream,dry mass [kg],W [%]\nore,40,1.0\nconc,2,15\ntails,,0.263\n"


MEASURED = "stream,dry mass [kg],W [%]\nore,40,1.0\nconc,2,15\ntails,38.1,0.27\n"


PRICES = "quantity,stream,price [EUR],minimum charge,most\ndry mass,,10,,3\nW,,20,,3\nsample,,5,,\n"


TOTAL = ("recovery of W to conc",)


def planned_case(
    folder: Path, circuit: str = CIRCUIT + ERRORS, *, measured: str | None = None,
    expected: str | None = EXPECTED, prices: str | None = PRICES,
) -> Path:  # fmt: skip
    made = folder / "spiral"
    made.mkdir()
    files = {"circuit.toml": circuit, "measurements.csv": measured, "expected.csv": expected,
             "prices.csv": prices}  # fmt: skip
    for name, text in files.items():
        if text is not None:
            (made / name).write_text(text, "utf-8")
    return made


def rows_of(read: PlanCase, stream: str, quantity: str, method: str = "") -> Candidate:
    asked = (stream, quantity, method)
    return next(c for c in read.candidates if (c.stream, c.quantity, c.method) == asked)


def refused_plan(made: Path, *, keep: bool = False) -> str:
    with pytest.raises(InputError) as stop:
        planned(made, keep=keep)
    return "\n".join(str(f) for f in stop.value.faults)


def text_of(found: tuple[PlanCase, MeasurementPlan]) -> str:
    return plan_summary(*found)


def flat(text: str) -> str:
    return " ".join(text.split())
