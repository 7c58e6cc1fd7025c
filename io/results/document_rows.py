"""How the rows of a balance are written as JSON, where not simply by their fields."""

from __future__ import annotations

from typing import Any

from oretally.flowsheet import Circuit, Node, Stream
from oretally.io.definition import Price
from oretally.io.json_rows import JsonRows
from oretally.io.wording import Simulated, WorthRow
from oretally.recon.result import (
    COVERAGE,
    Certificate,
    ChangedReading,
    ClassRecovery,
    ClassRow,
    Closure,
    CoursePoint,
    CurvePoint,
    DecidingTest,
    EquivalenceGroup,
    ErrorPlace,
    ErrorRates,
    ErrorShare,
    Estimate,
    Expected,
    FittedPartition,
    HiddenError,
    Interval,
    Loss,
    LossEnd,
    Losses,
    LossPart,
    Partitioned,
    PartitionRow,
    RateCurve,
    Recovery,
    RecoveryBudget,
    RecoveryChange,
    Repair,
    Separation,
    Sharpness,
    SimulatedAnswer,
    SizeRecovery,
    Slip,
    StreamSizes,
    Suspect,
    TieBreaker,
    ValueChange,
    VarianceFactor,
    WhatIf,
)

__all__ = ["balance_rows"]

_TEST = "statistic dof p"


def _separation(s: Separation) -> dict[str, Any]:
    grades = {
        name: None if pair is None else {"ratio": pair[0], "sd": pair[1]}
        for name, pair in s.enrichment.items()
    }
    keys = "stream of yield=yield_percent yield_sd ratio_of_concentration ratio_sd"
    return balance_rows.keys(s, keys) | {"enrichment": grades}


def _partitioned(p: Partitioned) -> dict[str, Any]:
    return balance_rows.keys(p, "node product circulating_load classes sharpness") | {
        "fits": [_fit(p, fit) for fit in p.fits]
    }


def _fit(p: Partitioned, fit: FittedPartition) -> dict[str, Any]:
    ends = fit.bypass_range
    return {
        **balance_rows(fit),
        "bypass_range": None if ends is None else {"least": ends[0], "most": ends[1]},
        "open_classes": [
            {"class": p.classes[o.place].label, "least": 100.0 * o.least, "most": 100.0 * o.most,
             "meets": o.meets}
            for o in fit.open_classes
        ],
        "left_out": [{"class": p.classes[c.place].label, "reason": c.reason} for c in fit.left_out],
    }  # fmt: skip


def _sharpness(found: Sharpness) -> dict[str, Any]:
    def pair(value: float | None, sd: float | None) -> dict[str, float | None] | None:
        return None if value is None else {"value": value, "sd": sd}

    return balance_rows.keys(found, "d25 d50 d75") | {
        "ecart_probable_um": pair(found.ecart_probable_um, found.ecart_probable_sd_um),
        "imperfection": pair(found.imperfection, found.imperfection_sd),
        "kappa": pair(found.kappa, found.kappa_sd),
        "reason": found.reason,
    }


def _end(end: LossEnd) -> dict[str, Any]:
    told = balance_rows.keys(end, "than_loss=against_loss than_head=against_head matters")
    return {"end": end.end, **balance_rows(end.part), **told}


def _by_size(found: SizeRecovery) -> dict[str, Any]:
    classes = [
        {"class": label, "share": balance_rows(share, Estimate)} for label, share in found.classes
    ]
    return balance_rows.keys(found, "node analyte product") | {"classes": classes}


def _place(place: ErrorPlace) -> dict[str, Any]:
    if place.kind in ("loss", "gain"):
        return {"node": place.where}
    name = "source" if place.kind == "source" else "stream"
    return {name: place.where, "quantity": place.quantity}


def _suspect(s: Suspect) -> dict[str, Any]:
    kinds = {p.kind for p in s.group}
    return {
        "group": s.group,
        "kind": kinds.pop() if len(kinds) == 1 else "mixed",
        **balance_rows.keys(s, "probability shares"),
        "near": [{**_place(p), "correlation": c} for p, c in s.near],
        "instead": [{**_place(p), "probability": c} for p, c in s.instead],
        **balance_rows.keys(s, "unit estimated_error sd statistic p"),
        "after_removal": {"objective": s.objective_without, "dof": s.dof_without},
        **balance_rows.keys(s, "slips tie_breakers together over_time"),
    }


def _hidden(h: HiddenError) -> dict[str, Any]:
    moves = balance_rows.keys(h, "stream=product analyte points")
    return balance_rows.keys(h, "stream quantity unit size checked") | {"moves": moves}


def _repair(r: Repair) -> dict[str, Any]:
    opened = [{"stream": s, "quantity": q} for s, q in r.opened]
    keys = "kind reason? readings statistic=objective dof p log_odds checked"
    return balance_rows.keys(r, keys) | {"not_determined_then": opened}


def _what_if(found: WhatIf) -> dict[str, Any]:
    return {
        **balance_rows.keys(found, "changes converged status"),
        "as_it_is": balance_rows.keys(found.now, _TEST),
        "what_if": None if found.test is None else balance_rows.keys(found.test, _TEST),
        **balance_rows.keys(found, "recoveries values"),
    }


def _simulated(simulated: Simulated) -> dict[str, Any]:
    found = simulated.found
    return {
        "draws": found.draws,
        "balanced": found.draws - found.failed,
        "seed": simulated.seed,
        "centre": "adjusted values",
        "level": COVERAGE,
        "answers": found.rows,
    }


def _answer(r: SimulatedAnswer) -> dict[str, Any]:
    def ends(found: Interval | None, low: str, high: str) -> dict[str, float | None]:
        return dict(zip((low, high), found or (None, None), strict=True))

    off = ("tolerance", "low_off", "high_off")
    return {
        "answer": r.answer.name,
        **balance_rows.keys(r.answer, "kind of quantity unit value sd"),
        **balance_rows.keys(r, "draws mean simulated_sd=sd"),
        **ends(r.symmetric, "low", "high"),
        **ends(r.shortest, "shortest_low", "shortest_high"),
        "sd_holds": r.valid,
        **(dict.fromkeys(off) if r.validation is None
           else balance_rows.keys(r.validation, "tolerance=delta low_off high_off")),
    }  # fmt: skip


def _stream(s: Stream) -> dict[str, object]:
    timed = {} if s.time is None else {"time": s.time}
    return balance_rows.keys(s, "name from=source to=target carries like stock") | timed


balance_rows = JsonRows({
    Circuit: "streams nodes",
    Stream: _stream,
    RateCurve: "curve=model parameters correlation chi_square dof p aicc weight holds determined "
               "reason",
    Node: "name kind",
    Certificate: "imbalance stationarity complementarity fall scale bends_down holds failures",
    Closure: "node quantity unit in=inflow out=outflow imbalance sd z",
    Recovery: "stream analyte recovery sd of unit product at_most at_least",
    RecoveryBudget: "stream analyte sd shares rest",
    ErrorShare: "source stream? quantity shared share",
    Separation: _separation,
    Price: "analyte per_kg written",
    WorthRow: "of=name analytes standing? worth sd per_tonne_fed=per_tonne "
              "per_tonne_fed_sd=per_tonne_sd",
    WhatIf: _what_if,
    RecoveryChange: "stream analyte recovery sd otherwise otherwise_sd difference=change",
    ValueChange: "stream quantity unit adjusted sd otherwise otherwise_sd changed "
                 "difference=change",
    Simulated: _simulated,
    SimulatedAnswer: _answer,
    StreamSizes: "stream p80 classes fits",
    ClassRow: "class=label retained_um passed_um share passing grade distribution",
    Partitioned: _partitioned,
    PartitionRow: "class=label size_um solids analytes",
    Sharpness: _sharpness,
    Losses: "found kept not_read stated recovery_of_feed_by_size=by_size sizes_change_at "
            "missing_assay recovery_by_size=by_separator grade_recovery=curves",
    ClassRecovery: "class=label retained_um passed_um of_feed recovery lost",
    Loss: "stream analyte unit of kept percent in_solution grade classes=parts ends tests",
    LossPart: "class=label retained_um passed_um solids grade of_loss of_feed against_loss "
              "against_head",
    LossEnd: _end,
    DecidingTest: "test=kind class=part? opening_um coarse_percent alpha chance "
                  "assays_for_80_percent=assays expected",
    Expected: "explanation difference=value sd chance",
    SizeRecovery: _by_size,
    CoursePoint: "time sample? solution by_solution reconciled ph ph_sd note",
    CurvePoint: "stream yield=mass_pull grade recovery",
    ErrorPlace: _place,
    Suspect: _suspect,
    TieBreaker: "stream quantity correlation_left=correlation",
    Slip: "kind reason readings probability log_odds misfit objective dof",
    EquivalenceGroup: "members exact correlation",
    HiddenError: _hidden,
    VarianceFactor: "quantity? factor low high confidence checks left_out verdict?",
    ErrorRates: "measurement loss by_quantity by_source",
    Repair: _repair,
    ChangedReading: "stream quantity unit read fits",
})  # fmt: skip
"""Writes the rows of a balance."""
