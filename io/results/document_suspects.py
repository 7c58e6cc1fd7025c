"""What is probably wrong, as plain dicts for the JSON result."""

from __future__ import annotations

from math import isfinite
from typing import Any

from oretally.recon.result import ErrorPlace, GrossErrors, Slip, Suspect

__all__ = ["findings_document"]


def findings_document(gross_errors: GrossErrors) -> dict[str, Any]:
    """Return the keys of the result that speak of errors."""
    return {
        "suspects": [_suspect(s) for s in gross_errors.suspects],
        "probabilities": [
            {**_place(place), "probability": p} for place, p in gross_errors.probabilities
        ],
        "explanations": [
            {
                "places": [_place(p) for p in e.places],
                "slips": [_slip(s) for s in e.slips],
                "probability": e.probability,
                "objective": e.objective,
                "dof": e.dof,
                "recoveries": [r._asdict() for r in e.recoveries],
            }
            for e in gross_errors.explanations
        ],
        "groups": [
            {
                "members": [_place(p) for p in g.members],
                "exact": g.exact,
                "correlation": g.correlation,
            }
            for g in gross_errors.groups
        ],
        "detectable_error": [
            {
                "stream": h.stream,
                "quantity": h.quantity,
                "unit": h.unit,
                "size": h.size,
                "checked": h.checked,
                "moves": {"stream": h.product, "analyte": h.analyte, "points": h.points},
            }
            for h in gross_errors.hidden
        ],
        "dispersion": [
            {
                "quantity": d.quantity or None,
                "factor": d.factor,
                "low": d.low,
                "high": d.high,
                "confidence": d.confidence,
                "checks": d.checks,
                "left_out": d.left_out,
                "verdict": d.verdict or None,
            }
            for d in gross_errors.variance_factors
        ],
        "second_opinions": [
            {"method": o.method, "found": [_place(p) for p in o.found]}
            for o in gross_errors.opinions
        ],
        "search": {
            "tests": gross_errors.tests,
            "measurement_limit": gross_errors.measurement_limit,
            "nodal_limit": gross_errors.nodal_limit,
            "near_correlation": gross_errors.near_limit,
            "power": gross_errors.power,
            "rates": {
                "measurement": gross_errors.rates.measurement,
                "loss": gross_errors.rates.loss,
                "by_quantity": dict(gross_errors.rates.by_quantity),
                "by_source": dict(gross_errors.rates.by_source),
            },
            "all_explanations_up_to": gross_errors.all_up_to,
            "left_out": gross_errors.left_out,
            "sound": gross_errors.sound,
        },
    }


def _place(place: ErrorPlace) -> dict[str, str]:
    if place.kind in ("loss", "gain"):
        return {"node": place.where}
    if place.kind == "source":
        return {"source": place.where, "quantity": place.quantity}
    return {"stream": place.where, "quantity": place.quantity}


def _suspect(s: Suspect) -> dict[str, Any]:
    kinds = {p.kind for p in s.group}
    return {
        "group": [_place(p) for p in s.group],
        "kind": kinds.pop() if len(kinds) == 1 else "mixed",
        "probability": s.probability,
        "shares": list(s.shares),
        "near": [{**_place(p), "correlation": c} for p, c in s.near],
        "unit": s.unit,
        "estimated_error": s.estimated_error,
        "sd": s.sd if isfinite(s.sd) else None,
        "statistic": s.statistic,
        "p": s.p,
        "after_removal": {"objective": s.objective_without, "dof": s.dof_without},
        "slips": [_slip(slip) for slip in s.slips],
        "tie_breakers": [
            {"stream": t.stream, "quantity": t.quantity, "correlation_left": t.correlation}
            for t in s.tie_breakers
        ],
        "together": s.together,
    }


def _slip(slip: Slip) -> dict[str, Any]:
    return {
        "kind": slip.kind,
        "reason": slip.reason,
        "readings": [
            {"stream": r.stream, "quantity": r.quantity, "read": r.read, "fits": r.fits,
             "unit": r.unit, "note": r.note}
            for r in slip.readings
        ],
        "probability": slip.probability,
        "log_odds": slip.log_odds,
        "misfit": slip.misfit,
        "objective": slip.objective,
        "dof": slip.dof,
    }  # fmt: skip
