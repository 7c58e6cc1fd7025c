"""A comparison of tests as JSON, by the schema oretally.comparison/1."""

from __future__ import annotations

from typing import Any

from oretally.io.compare.wording import cautions, hazards, verdicts
from oretally.io.json_rows import JsonRows, document_text, packaged_schema
from oretally.io.wording import defer
from oretally.recon.answers import AnswerName
from oretally.recon.comparison import BalancedTest, Comparison, Difference

__all__ = [
    "COMPARISON_SCHEMA",
    "comparison_document",
    "comparison_json",
    "comparison_rows",
    "comparison_schema",
]  # fmt: skip

COMPARISON_SCHEMA = "oretally.comparison/1"


def comparison_json(found: Comparison) -> str:
    """Return the comparison as JSON text; what is not known is null."""
    return document_text(comparison_document(found)) + "\n"


def comparison_schema() -> dict[str, Any]:
    """Return the JSON Schema of the document."""
    return packaged_schema("comparison")


def comparison_document(found: Comparison) -> dict[str, Any]:
    """Return the comparison as plain dicts and lists."""
    common = found.common
    return {
        "schema": COMPARISON_SCHEMA,
        "arms": [
            {"label": found.arm_label(i), "tests": comparison_rows(arm)}
            for i, arm in enumerate(found.arms)
        ],
        "common": {
            "streams": dict(common.pairs),
            "sources": sorted(common.sources),
            "measurements": [
                {"stream": s, "quantity": q} for s, q in sorted(common.measurements)
            ],
        },
        **comparison_rows.keys(found, "alpha least"),
        "correction": "Holm",
        **comparison_rows.keys(
            found,
            "together together_by_size alpha_whole_streams=alpha_whole alpha_by_size",
        ),
        "verdicts": [" ".join(sentences) for sentences in verdicts(found)],
        "differences": [_difference(d, found) for d in found.differences],
        "left_out": comparison_rows(found.left_out),
        "cautions": list(cautions(found)),
        "what_can_hurt": comparison_rows(hazards(found)),
        "defer": defer(),
    }  # fmt: skip


def _test(t: BalancedTest) -> dict[str, Any]:
    return {
        **comparison_rows.keys(
            t,
            "label title=model.survey.title feed=answers.feed feeds=answers.feeds "
            "consistent=test.consistent chi_square=test.statistic dof=test.dof p=test.p",
        ),
        "errors_scaled_by": t.factor**0.5,
        "suspects": [{"place": str(s.group[0]), "probability": s.probability} for s in t.suspects],
    }


def _difference(d: Difference, found: Comparison) -> dict[str, Any]:
    return {
        **comparison_rows.keys(
            d,
            "answer kind=answer.kind analyte=answer.analyte stream=answer.stream size=answer.size "
            "unit",
        ),
        "first": found.arm_label(d.first),
        "second": found.arm_label(d.second),
        **comparison_rows.keys(
            d,
            "first_value first_sd second_value second_sd difference sd "
            "sd_with_nothing_common=apart_sd sd_between_equal_tests=between_sd dof p scaled_sd "
            "scaled_p p_together low high verdict size_to_tell=size level_of_tests=level "
            "tests_of_each=tests sd_that_repeats_leave=common_sd mirror_of",
        ),
    }


comparison_rows = JsonRows({AnswerName: str, BalancedTest: _test})
"""Writes the rows of a comparison."""
