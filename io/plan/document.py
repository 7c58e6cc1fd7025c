"""A plan of measurements as JSON, by the schema oretally.plan/1."""

from __future__ import annotations

import json
from importlib.resources import files
from typing import Any

from oretally.io.plan.case import PlanCase
from oretally.io.plan.samples import sample_needs
from oretally.io.plan.summary import plan_warnings
from oretally.recon.plan import MeasurementPlan, Option

__all__ = ["PLAN_SCHEMA", "plan_document", "plan_json", "plan_schema"]

PLAN_SCHEMA = "oretally.plan/1"


def plan_json(case: PlanCase, found: MeasurementPlan) -> str:
    """Return the plan as JSON text."""
    document = plan_document(case, found)
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def plan_schema() -> dict[str, Any]:
    """Return the JSON Schema of the document."""
    text = files("oretally.io").joinpath("schemas/plan.schema.json").read_text("utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def plan_document(case: PlanCase, found: MeasurementPlan) -> dict[str, Any]:
    """Return the plan as plain dicts and lists; None where there is none, or nothing is known.

    Values and sds in the unit beside them, money as in the table of prices, gaps and gains as
    shares of the mean relative variance, sampling errors as shares of the grade.
    """
    best = found.best
    return {
        "schema": PLAN_SCHEMA,
        "title": case.title,
        "currency": case.currency,
        "budget": found.budget,
        "keep": found.keep,
        "answers": [{"name": a.name, "unit": a.unit, "value": a.value} for a in found.answers],
        "not_determined": list(found.never),
        "today": _option(found.today),
        "best": _option(best),
        "curve": [_option(option) for option in found.curve],
        "cheapest": _option(found.least),
        "next_best": [
            {
                "stream": more.stream,
                "quantity": more.quantity,
                "method": more.method or None,
                "cost": more.cost,
                "sds": list(more.sds),
                "gain": more.gain,
            }
            for more in found.more
        ],
        "identifiable": _option(found.identifiable),
        "identifiable_proven": found.identifiable_proven,
        "samples": [
            {
                "stream": need.stream,
                "quantity": need.quantity,
                "stage": need.stage,
                "relative_sd": need.relative_sd,
                "relative_sd_wanted": need.wanted,
                "mass_needed_kg": need.needed_kg,
                "enough": need.enough,
            }
            for need in (() if best is None else sample_needs(case, best))
        ],
        "notes": [*plan_warnings(case, found), *case.notes],
    }


def _option(option: Option | None) -> dict[str, Any] | None:
    if option is None:
        return None
    return {
        "budget": option.budget,
        "cost": option.cost,
        "unpriced": option.unpriced,
        "gap": option.gap,
        "sds": list(option.sds),
        "readings": [
            {
                "stream": r.stream,
                "quantity": r.quantity,
                "method": r.method or None,
                "unit": r.unit,
                "value": r.value,
                "times": r.times,
                "new": r.new,
                "sd": r.sd,
            }
            for r in option.readings
        ],
    }
