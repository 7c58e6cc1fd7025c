"""What a balance says by size, as plain dicts for the JSON result."""

from __future__ import annotations

from dataclasses import asdict
from math import isfinite
from typing import Any

from oretally.flowsheet.survey import SizeGrid
from oretally.recon.result import (
    ClassRow,
    FittedLaw,
    FittedPartition,
    Partitioned,
    PartitionRow,
    Sharpness,
    SizeResults,
    StreamSizes,
)

__all__ = ["sizes_document"]

_Pair = tuple[float, float] | None


def sizes_document(grid: SizeGrid, sizes: SizeResults) -> dict[str, Any]:
    """Return the results by size; lists are empty without sizes."""
    return {
        "openings_um": list(grid.openings),
        "streams": [_stream(s) for s in sizes.streams],
        "partitions": [_partition(p) for p in sizes.partitions],
    }


def _pair(pair: _Pair) -> dict[str, float] | None:
    return None if pair is None else {"value": pair[0], "sd": pair[1]}


def _pairs(found: dict[str, _Pair]) -> dict[str, Any]:
    return {name: _pair(pair) for name, pair in found.items()}


def _stream(s: StreamSizes) -> dict[str, Any]:
    return {
        "stream": s.stream,
        "p80": asdict(s.p80),
        "classes": [_class(row) for row in s.classes],
        "fits": [_fit(fit) for fit in s.fits],
    }


def _class(row: ClassRow) -> dict[str, Any]:
    return {
        "class": row.label,
        "retained_um": row.retained_um,
        "passed_um": row.passed_um if isfinite(row.passed_um) else None,
        "share": _pair(row.share),
        "passing": _pair(row.passing),
        "grade": _pairs(row.grade),
        "distribution": _pairs(row.distribution),
    }


def _fit(fit: FittedLaw) -> dict[str, Any]:
    return {
        "law": fit.law.value,
        "exponent": _pair(fit.exponent),
        "size_um": _pair(fit.size_um),
        "chi_square": fit.chi_square,
        "dof": fit.dof,
        "p": fit.p,
        "left_out_um": list(fit.left_out_um),
        "doubt": fit.doubt,
        "reason": fit.reason,
    }


def _partition(p: Partitioned) -> dict[str, Any]:
    return {
        "node": p.node,
        "product": p.product,
        "classes": [_share(row) for row in p.classes],
        "sharpness": _sharpness(p.sharpness),
        "fits": [_curve(p, fit) for fit in p.fits],
    }


def _curve(p: Partitioned, fit: FittedPartition) -> dict[str, Any]:
    return {
        "law": fit.law.value,
        "d50c_um": _pair(fit.d50c_um),
        "sharpness": _pair(fit.sharpness),
        "bypass": _pair(fit.bypass),
        "bypass_range": _limits(fit.bypass_range),
        "bypass_held": fit.bypass_held,
        "chi_square": fit.chi_square,
        "dof": fit.dof,
        "p": fit.p,
        "open_classes": [
            {
                "class": p.classes[o.place].label,
                "least": 100.0 * o.least,
                "most": 100.0 * o.most,
                "meets": o.meets.value,
            }
            for o in fit.open_classes
        ],
        "left_out": [{"class": p.classes[c.place].label, "reason": c.reason} for c in fit.left_out],
        "doubt": fit.doubt,
        "note": fit.note,
        "reason": fit.reason,
    }


def _limits(pair: tuple[float, float] | None) -> dict[str, float] | None:
    return None if pair is None else {"least": pair[0], "most": pair[1]}


def _share(row: PartitionRow) -> dict[str, Any]:
    return {
        "class": row.label,
        "size_um": row.size_um,
        "solids": _pair(row.solids),
        "analytes": _pairs(row.analytes),
    }


def _sharpness(found: Sharpness) -> dict[str, Any]:
    def pair(value: float | None, sd: float | None) -> dict[str, float | None] | None:
        return None if value is None else {"value": value, "sd": sd}

    return {
        "d25": asdict(found.d25),
        "d50": asdict(found.d50),
        "d75": asdict(found.d75),
        "ecart_probable_um": pair(found.ecart_probable_um, found.ecart_probable_sd_um),
        "imperfection": pair(found.imperfection, found.imperfection_sd),
        "kappa": pair(found.kappa, found.kappa_sd),
        "reason": found.reason,
    }
