"""A plan of measurements as JSON, by the schema oretally.plan/1."""

from __future__ import annotations

from typing import Any

from oretally.io.json_rows import JsonRows, document_text, packaged_schema
from oretally.io.plan.case import PlanCase
from oretally.io.plan.samples import SampleNeed, sample_needs
from oretally.io.plan.summary import plan_warnings
from oretally.recon.plan import MeasurementPlan, NextBest, Option, PlanAnswer, PlannedReading

__all__ = ["PLAN_SCHEMA", "plan_document", "plan_json", "plan_rows", "plan_schema"]

PLAN_SCHEMA = "oretally.plan/1"

plan_rows = JsonRows({
    PlanAnswer: "name unit value",
    Option: "budget cost unpriced gap sds readings",
    PlannedReading: "stream quantity method? unit value times new sd",
    NextBest: "stream quantity method? cost sds gain",
    SampleNeed: "stream quantity stage relative_sd relative_sd_wanted=wanted "
                "mass_needed_kg=needed_kg enough",
})  # fmt: skip
"""Writes the rows of a plan."""


def plan_json(case: PlanCase, found: MeasurementPlan) -> str:
    """Return the plan as JSON text."""
    return document_text(plan_document(case, found)) + "\n"


def plan_schema() -> dict[str, Any]:
    """Return the JSON Schema of the document."""
    return packaged_schema("plan")


def plan_document(case: PlanCase, found: MeasurementPlan) -> dict[str, Any]:
    """Return the plan as plain dicts and lists; None where there is none, or nothing is known.

    Values and sds in the unit beside them, money as in the table of prices, gaps and gains as
    shares of the mean relative variance, sampling errors as shares of the grade.
    """
    needs = () if found.best is None else sample_needs(case, found.best)
    return {
        "schema": PLAN_SCHEMA,
        **plan_rows.keys(case, "title currency"),
        **plan_rows.keys(
            found,
            "budget keep answers not_determined=never today best curve cheapest=least "
            "next_best=more identifiable identifiable_proven",
        ),
        "samples": plan_rows(needs),
        "notes": [*plan_warnings(case, found), *case.notes],
    }
