"""A judged laboratory batch as JSON, by the schema oretally.lab/1."""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite
from typing import Any

from oretally.io.json_rows import document_text, packaged_schema
from oretally.io.laboratory.judgement import JudgedTable, Judgement, StandardChart, fitted_rule
from oretally.recon.laboratory import Bias, PrecisionFit

__all__ = ["LAB_SCHEMA", "lab_document", "lab_json", "lab_schema"]

LAB_SCHEMA = "oretally.lab/1"
_RATIO = "1"  # unit of a pure number


def lab_json(found: JudgedTable, samples: Mapping[str, Any] | None = None) -> str:
    """Return the batch as JSON text; what is not known is null."""
    return document_text(lab_document(found, samples)) + "\n"


def lab_schema() -> dict[str, Any]:
    """Return the JSON Schema of the document."""
    return packaged_schema("lab")


def lab_document(found: JudgedTable, samples: Mapping[str, Any] | None = None) -> dict[str, Any]:
    """Return the batch as plain dicts and lists; every number has its unit and its sd.

    ``samples`` is what it says of the streams of a case; None where there is no case.
    """
    return {
        "schema": LAB_SCHEMA,
        "title": found.title,
        "source": found.source,
        "notes": list(found.notes),
        "analytes": [_analyte(j) for j in found.judgements],
        "samples": samples,
    }


def _number(
    value: float | None, unit: str, sd: float | None = None,
    limits: tuple[float, float] | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Return a number with its unit, its sd and, where there are some, its 95 % limits."""
    known = None if sd is None or not isfinite(sd) else sd
    found: dict[str, Any] = {"value": value, "unit": unit, "sd": known}
    if limits is not None:
        found["low"], found["high"] = (v if isfinite(v) else None for v in limits)
    return found


def _analyte(j: Judgement) -> dict[str, Any]:
    batch, unit = j.batch, j.batch.unit.symbol
    rule = None if j.fit is None else fitted_rule(j.fit, batch.unit)
    return {
        "analyte": batch.analyte,
        "unit": unit,
        "verdict": " ".join(j.verdict),
        "concerns": [f.fact for f in j.findings],
        "notes": list(batch.notes),
        "detection": None if batch.detection is None else _number(batch.detection, unit),
        "duplicates": _duplicates(j, unit),
        "standards": _standards(j, unit),
        "blanks": _blanks(j, unit),
        "error_rule": None if rule is None else {
            "constant": _number(rule.absolute, unit),
            "slope": _number(rule.slope, _RATIO),
            "source": rule.source,
        },
    }  # fmt: skip


def _duplicates(j: Judgement, unit: str) -> dict[str, Any]:
    fit, pooled = j.fit, j.pooled
    off = {o.index: o for o in j.off}
    pairs = []
    for i, p in enumerate(j.batch.pairs):
        mean, gap = (p.first + p.second) / 2.0, p.first - p.second
        sd = None if fit is None else fit.sd(mean)
        pairs.append({
            "pair": p.name,
            "first": _number(p.first, unit, sd),
            "second": _number(p.second, unit, sd),
            "difference": _number(gap, unit, None if sd is None else 2.0**0.5 * sd),
            "z": gap / (2.0**0.5 * sd) if sd else None,
            "off": i in off,
        })  # fmt: skip
    return {
        "pairs": pairs,
        "pooled_relative_sd": None if pooled is None else _number(
            pooled.sd, _RATIO, pooled.sd / (2.0 * pooled.n_pairs) ** 0.5, (pooled.low, pooled.high)
        ),
        "precision": None if fit is None else _precision(fit, unit),
        "reason": j.no_fit,
    }  # fmt: skip


def _precision(fit: PrecisionFit, unit: str) -> dict[str, Any]:
    spread = fit.refits.std(axis=0, ddof=1)
    return {
        "constant": _number(fit.a, unit, float(spread[0]), fit.a_limits),
        "slope": _number(fit.b, _RATIO, float(spread[1]), fit.b_limits),
        "method": fit.method.value,
        "pairs": fit.n_pairs,
        "lowest_grade": _number(fit.lowest, unit, fit.sd(fit.lowest)),
        "highest_grade": _number(fit.highest, unit, fit.sd(fit.highest)),
    }


def _standards(j: Judgement, unit: str) -> dict[str, Any]:
    found = j.found
    return {
        "readings": [
            {
                "sample": s.sample,
                "measured": _number(s.measured, unit, j.fit.sd(s.certified) if j.fit else None),
                "certified": _number(s.certified, unit, s.certified_sd),
                "z": None if found is None else found.z[i],
            }
            for i, s in enumerate(j.batch.standards)
        ],
        "charts": [_chart(c, j, unit) for c in j.charts],
        "bias": None if found is None else _bias(found.bias, unit),
        "relative_bias": None if found is None else _bias(found.relative_bias, _RATIO),
        "reason": j.no_bias,
    }


def _chart(c: StandardChart, j: Judgement, unit: str) -> dict[str, Any]:
    def samples(places: tuple[int, ...]) -> list[str]:
        return [j.batch.standards[c.places[i]].sample for i in places]

    return {
        "standard": c.name,
        "samples": samples(tuple(range(len(c.places)))),
        "centre": _number(c.certified, unit, c.certified_sd),
        "sd_of_a_reading": _number(c.sd, unit),
        "z": list(c.chart.z),
        "beyond_3_sd": samples(c.chart.beyond_action),
        "two_of_three_beyond_2_sd": samples(c.chart.two_of_three),
        "relative_bias": _bias(c.relative_bias, _RATIO),
    }


def _bias(bias: Bias | None, unit: str) -> Mapping[str, Any] | None:
    if bias is None:
        return None
    limits = (bias.low, bias.high)
    return {**_number(bias.mean, unit, bias.standard_error, limits), "p": bias.p}


def _blanks(j: Judgement, unit: str) -> dict[str, Any]:
    found, carry = j.blanks, j.carry_over
    limit = found.limit if found is not None and isfinite(found.limit) else None
    return {
        "readings": [
            {
                "sample": b.sample,
                # below detection: uniform between 0 and the limit
                "measured": _number(b.value, unit, b.value / 3.0**0.5 if b.below
                                    else j.fit.sd(b.value) if j.fit else None),
                "below_detection": b.below,
                "before": None if b.before is None else _number(b.before, unit),
                "above_limit": found is not None and i in found.above,
            }
            for i, b in enumerate(j.batch.blanks)
        ],
        "limit": None if limit is None else _number(limit, unit),
        "carry_over": None if carry is None else {
            **_number(carry.slope, _RATIO, carry.sd), "p": carry.p,
        },
    }  # fmt: skip
