"""A comparison of tests as JSON, by the schema oretally.comparison/1."""

from __future__ import annotations

import json
from importlib.resources import files
from math import isinf
from typing import Any

from oretally.io.compare.wording import cautions, hazards, verdicts
from oretally.io.wording import defer
from oretally.recon.comparison import BalancedTest, Comparison, Difference

__all__ = ["COMPARISON_SCHEMA", "comparison_document", "comparison_json", "comparison_schema"]

COMPARISON_SCHEMA = "oretally.comparison/1"


def comparison_json(found: Comparison) -> str:
    """Return the comparison as JSON text; what is not known is null."""
    document = comparison_document(found)
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def comparison_schema() -> dict[str, Any]:
    """Return the JSON Schema of the document."""
    text = files("oretally.io").joinpath("schemas/comparison.schema.json").read_text("utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def comparison_document(found: Comparison) -> dict[str, Any]:
    """Return the comparison as plain dicts and lists."""
    common = found.common
    return {
        "schema": COMPARISON_SCHEMA,
        "arms": [
            {"label": found.arm_label(i), "tests": [_test(t) for t in arm]}
            for i, arm in enumerate(found.arms)
        ],
        "common": {
            "streams": dict(common.pairs),
            "sources": sorted(common.sources),
            "measurements": [
                {"stream": s, "quantity": q} for s, q in sorted(common.measurements)
            ],
        },
        "alpha": found.alpha,
        "least": found.least,
        "correction": "Holm",
        "together": found.together,
        "together_by_size": found.together_by_size,
        "alpha_whole_streams": found.alpha_whole,
        "alpha_by_size": found.alpha_by_size,
        "verdicts": list(verdicts(found)),
        "differences": [_difference(d, found) for d in found.differences],
        "left_out": [{"answer": str(r.answer), "reason": r.reason} for r in found.left_out],
        "cautions": list(cautions(found)),
        "what_can_hurt": [
            {"hazard": c.hazard, "title": c.title, "because": list(c.because), "hurts": c.hurts,
             "usual": list(c.usual)}
            for c in hazards(found)
        ],
        "defer": defer(),
    }  # fmt: skip


def _test(t: BalancedTest) -> dict[str, Any]:
    return {
        "label": t.label,
        "title": t.model.survey.title,
        "feed": t.answers.feed,
        "consistent": t.test.consistent,
        "chi_square": t.test.statistic,
        "dof": t.test.dof,
        "p": t.test.p,
        "errors_scaled_by": t.factor**0.5,
        "suspects": [{"place": str(s.group[0]), "probability": s.probability} for s in t.suspects],
    }


def _difference(d: Difference, found: Comparison) -> dict[str, Any]:
    return {
        "answer": str(d.answer),
        "kind": d.answer.kind,
        "analyte": d.answer.analyte,
        "stream": d.answer.stream,
        "size": d.answer.size,
        "unit": d.unit,
        "first": found.arm_label(d.first),
        "second": found.arm_label(d.second),
        "first_value": d.first_value,
        "first_sd": d.first_sd,
        "second_value": d.second_value,
        "second_sd": d.second_sd,
        "difference": d.difference,
        "sd": d.sd,
        "sd_with_nothing_common": d.apart_sd,
        "sd_between_equal_tests": d.between_sd,
        "dof": None if isinf(d.dof) else d.dof,
        "p": d.p,
        "scaled_sd": d.scaled_sd,
        "scaled_p": d.scaled_p,
        "p_together": d.p_together,
        "low": d.low,
        "high": d.high,
        "verdict": d.verdict.value,
        "size_to_tell": d.size,
        "level_of_tests": d.level,
        "tests_of_each": d.tests,
        "sd_that_repeats_leave": d.common_sd,
        "mirror_of": None if d.mirror_of is None else str(d.mirror_of),
    }
