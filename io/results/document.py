"""A balance as JSON, by the schema oretally.balance/1."""

from __future__ import annotations

import json
from collections.abc import Sequence
from importlib.resources import files
from math import isfinite
from typing import Any

from oretally.flowsheet import Survey
from oretally.io.definition import Price
from oretally.io.results.document_losses import losses_document
from oretally.io.results.document_sizes import sizes_document
from oretally.io.results.document_suspects import findings_document
from oretally.io.results.document_unbalanced import unbalanced_document
from oretally.io.wording import (
    Simulated,
    amounts_document,
    cautions_document,
    notes_of,
    otherwise_document,
    simulation_document,
    worth_document,
)
from oretally.recon.result import Balance, BalancedValue, WhatIf

__all__ = ["BALANCE_SCHEMA", "balance_document", "balance_schema", "to_json"]

BALANCE_SCHEMA = "oretally.balance/1"


def to_json(
    balance: Balance, prices: Sequence[Price] = (), otherwise: WhatIf | None = None,
    simulated: Simulated | None = None,
) -> str:  # fmt: skip
    """Return the balance as JSON text; what is not determined is null."""
    document = balance_document(balance, prices, otherwise, simulated)
    return json.dumps(document, indent=1, ensure_ascii=False, allow_nan=False)


def balance_schema() -> dict[str, Any]:
    """Return the JSON Schema of the document."""
    text = files("oretally.io").joinpath("schemas/balance.schema.json").read_text("utf-8")
    schema: dict[str, Any] = json.loads(text)
    return schema


def balance_document(
    balance: Balance, prices: Sequence[Price] = (), otherwise: WhatIf | None = None,
    simulated: Simulated | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Return the balance as plain dicts and lists."""
    test = balance.global_test
    return {
        "schema": BALANCE_SCHEMA,
        "title": balance.survey.title,
        "basis": balance.survey.basis.value,
        "feed": balance.feed,
        "products": list(balance.products),
        "converged": balance.converged,
        "status": balance.status,
        "iterations": balance.iterations,
        "objective": balance.objective,
        "redundancy": test.dof,
        "stationarity": balance.stationarity if isfinite(balance.stationarity) else None,
        "max_imbalance": balance.max_imbalance,
        "certificate": _certificate(balance),
        "global_test": {
            "statistic": test.statistic,
            "dof": test.dof,
            "p": test.p,
            "alpha": test.alpha,
            "consistent": test.consistent,
        },
        "circuit": {
            "streams": [
                {
                    "name": s.name,
                    "from": s.source,
                    "to": s.target,
                    "carries": s.carries,
                    "like": s.like,
                    "stock": s.stock,
                }
                for s in balance.circuit.streams
            ],
            "nodes": [{"name": n.name, "kind": n.kind.value} for n in balance.circuit.nodes],
        },
        "values": [_value(v, balance.survey) for v in balance.values],
        "closures": [
            {
                "node": c.node,
                "quantity": c.quantity,
                "unit": c.unit,
                "in": c.inflow,
                "out": c.outflow,
                "imbalance": c.imbalance,
                "sd": c.sd,
                "z": c.z,
            }
            for c in balance.closures
        ],
        "heads": [
            {
                "stream": h.stream,
                "analyte": h.analyte,
                "unit": h.unit,
                "calculated": h.calculated,
                "calculated_sd": h.calculated_sd,
                "assayed": h.assayed,
                "assayed_sd": h.assayed_sd,
                "z": h.z,
                "adjusted": h.adjusted,
                "adjusted_sd": h.adjusted_sd,
            }
            for h in balance.heads
        ],
        "recoveries": [
            {
                "stream": r.stream,
                "analyte": r.analyte,
                "recovery": r.recovery,
                "sd": r.sd,
                "of": r.of,
                "unit": r.unit,
                "product": r.product,
                "at_most": r.at_most,
                "at_least": r.at_least,
            }
            for r in balance.recoveries
        ],
        "budgets": [
            {
                "stream": b.stream,
                "analyte": b.analyte,
                "sd": b.sd,
                "shares": [
                    {
                        "source": s.source,
                        "stream": s.stream or None,
                        "quantity": s.quantity,
                        "shared": s.shared,
                        "share": s.share,
                    }
                    for s in b.shares
                ],
            }
            for b in balance.budgets
        ],
        "separations": [
            {
                "stream": s.stream,
                "of": s.of,
                "yield": s.yield_percent,
                "yield_sd": s.yield_sd,
                "ratio_of_concentration": s.ratio_of_concentration,
                "ratio_sd": s.ratio_sd,
                "enrichment": {
                    name: None if pair is None else {"ratio": pair[0], "sd": pair[1]}
                    for name, pair in s.enrichment.items()
                },
            }
            for s in balance.separations
        ],
        "formulas": [
            {
                "stream": f.stream,
                "analyte": f.analyte,
                "formula": f.formula,
                "recovery": f.recovery,
                "sd": f.sd,
                "reconciled": f.reconciled,
                "reconciled_sd": f.reconciled_sd,
            }
            for f in balance.formulas
        ],
        **amounts_document(balance),
        "worth": worth_document(balance, prices),
        "what_if": otherwise_document(otherwise),
        "simulation": simulation_document(simulated),
        "sizes": sizes_document(balance.survey.sizes, balance.sizes),
        "losses": losses_document(balance.losses),
        "cautions": cautions_document(balance),
        **findings_document(balance.gross_errors),
        "doubtful": list(balance.doubtful),
        "unbalanced": unbalanced_document(balance),
        "notes": list(notes_of(balance, simulated=simulated is not None)),
    }


def _certificate(balance: Balance) -> dict[str, object] | None:
    """Return the figures of the certificate, null where they are not finite."""
    c = balance.certificate
    if c is None:
        return None
    figures = {
        "imbalance": c.imbalance, "stationarity": c.stationarity,
        "complementarity": c.complementarity, "fall": c.fall, "scale": c.scale,
    }  # fmt: skip
    known: dict[str, object] = {k: v if isfinite(v) else None for k, v in figures.items()}
    return known | {"bends_down": c.bends_down, "holds": c.holds, "failures": list(c.failures)}


def _value(v: BalancedValue, survey: Survey) -> dict[str, Any]:
    m = survey.measured(v.stream, v.quantity)
    return {
        "stream": v.stream,
        "quantity": v.quantity,
        "carrier": v.carrier,
        "unit": v.unit,
        "measured": v.measured,
        "sd": v.sd,
        "adjusted": v.adjusted,
        "adjusted_sd": v.adjusted_sd,
        "adjustment": v.adjustment,
        "standardised": v.standardised,
        "class": v.value_class.value,
        "redundancy": v.redundancy,
        "detectable_error": v.detectable_error,
        "at_bound": v.at_bound,
        "error_source": v.error_source,
        "error_parts": [
            {"source": p.source, "sd": p.sd, "shared": p.shared,
             "dof": p.dof if isfinite(p.dof) else None}
            for p in (m.parts if m is not None else ())
        ],
        "note": v.note,
    }  # fmt: skip
