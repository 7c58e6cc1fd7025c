"""Losses as plain dicts, for the JSON result."""

from __future__ import annotations

from math import isfinite
from typing import Any

from oretally.recon.result import (
    DecidingTest,
    GradeRecovery,
    Loss,
    LossEnd,
    Losses,
    LossPart,
    SizeRecovery,
)

__all__ = ["losses_document"]

_Pair = tuple[float, float] | None


def losses_document(losses: Losses) -> dict[str, Any]:
    """Return the losses, recoveries by size and curves; lists are empty where there are none."""
    return {
        "found": [_loss(loss) for loss in losses.found],
        "not_read": list(losses.not_read),
        "stated": list(losses.stated),
        "recovery_by_size": [_by_size(r) for r in losses.by_separator],
        "grade_recovery": [_curve(c) for c in losses.curves],
    }


def _pair(pair: _Pair) -> dict[str, float] | None:
    return None if pair is None else {"value": pair[0], "sd": pair[1]}


def _loss(loss: Loss) -> dict[str, Any]:
    return {
        "stream": loss.stream,
        "analyte": loss.analyte,
        "unit": loss.unit,
        "of": loss.of,
        "kept": list(loss.kept),
        "percent": _pair(loss.percent),
        "in_solution": _pair(loss.in_solution),
        "grade": _pair(loss.grade),
        "classes": [_part(part) for part in loss.parts],
        "ends": [_end(end) for end in loss.ends],
        "tests": [_test(test) for test in loss.tests],
    }


def _part(part: LossPart) -> dict[str, Any]:
    return {
        "class": part.label,
        "retained_um": part.retained_um,
        "passed_um": part.passed_um if isfinite(part.passed_um) else None,
        "solids": _pair(part.solids),
        "grade": _pair(part.grade),
        "of_loss": _pair(part.of_loss),
        "of_feed": _pair(part.of_feed),
        "against_loss": _pair(part.against_loss),
        "against_head": _pair(part.against_head),
    }


def _end(end: LossEnd) -> dict[str, Any]:
    return {
        "end": end.end.value,
        **_part(end.part),
        "than_loss": end.against_loss.value,
        "than_head": None if end.against_head is None else end.against_head.value,
        "matters": end.matters,
    }


def _test(test: DecidingTest) -> dict[str, Any]:
    return {
        "test": test.kind.value,
        "class": test.part or None,
        "opening_um": test.opening_um,
        "coarse_percent": test.coarse_percent,
        "alpha": test.alpha,
        "chance": test.chance,
        "assays_for_80_percent": test.assays,
        "expected": [
            {
                "explanation": e.explanation.value,
                "difference": e.value,
                "sd": e.sd,
                "chance": e.chance,
            }
            for e in test.expected
        ],
    }


def _by_size(found: SizeRecovery) -> dict[str, Any]:
    return {
        "node": found.node,
        "analyte": found.analyte,
        "product": found.product,
        "classes": [{"class": label, "share": _pair(share)} for label, share in found.classes],
    }


def _curve(curve: GradeRecovery) -> dict[str, Any]:
    return {
        "analyte": curve.analyte,
        "unit": curve.unit,
        "of": curve.of,
        "points": [
            {
                "stream": p.stream,
                "yield": _pair(p.mass_pull),
                "grade": _pair(p.grade),
                "recovery": _pair(p.recovery),
            }
            for p in curve.points
        ],
    }
