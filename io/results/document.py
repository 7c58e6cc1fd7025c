"""A balance as JSON, by the schema oretally.balance/1."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from oretally.flowsheet import Basis, Survey
from oretally.io.definition import Price
from oretally.io.json_rows import document_text, packaged_schema
from oretally.io.results.document_rows import balance_rows
from oretally.io.wording import (
    MONEY_CAUTION,
    Simulated,
    cautions_of,
    defer,
    money_units,
    notes_of,
    obstacles,
    repair_sentences,
    worth_rows,
)
from oretally.recon.result import AnalyteAmount, Balance, BalancedValue, GrossErrors, WhatIf

__all__ = ["BALANCE_SCHEMA", "balance_document", "balance_schema", "to_json"]

BALANCE_SCHEMA = "oretally.balance/1"


def to_json(
    balance: Balance, prices: Sequence[Price] = (), otherwise: WhatIf | None = None,
    simulated: Simulated | None = None,
) -> str:  # fmt: skip
    """Return the balance as JSON text; what is not determined is null."""
    return document_text(
        balance_document(balance, prices, otherwise=otherwise, simulated=simulated)
    )


def balance_schema() -> dict[str, Any]:
    """Return the JSON Schema of the document."""
    return packaged_schema("balance")


def balance_document(
    balance: Balance, prices: Sequence[Price] = (), *, otherwise: WhatIf | None = None,
    simulated: Simulated | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Return the balance as plain dicts and lists."""
    return {
        "schema": BALANCE_SCHEMA,
        **balance_rows.keys(
            balance,
            "title=survey.title basis=survey.basis feed feeds products converged status iterations "
            "objective redundancy=global_test.dof stationarity max_imbalance certificate "
            "global_test circuit",
        ),
        "values": [_value(v, balance.survey) for v in balance.values],
        **balance_rows.keys(
            balance,
            "closures heads combined_feed recoveries budgets separations formulas extractions "
            "dissolutions inventories courses reagents",
        ),
        **({} if balance.timed is None else balance_rows.keys(balance, "timed")),
        "amounts": [_amount(a, balance.survey) for a in balance.amounts],
        "worth": _worth(balance, prices),
        "what_if": balance_rows(otherwise),
        "simulation": balance_rows(simulated),
        "sizes": {
            "openings_um": list(balance.survey.sizes.openings),
            **balance_rows(balance.sizes),
        },
        "losses": balance_rows(balance.losses),
        "cautions": {"shown": balance_rows(cautions_of(balance)), "defer": defer()},
        **_gross_errors(balance.gross_errors),
        "doubtful": list(balance.doubtful),
        "unbalanced": _unbalanced(balance),
        "notes": list(notes_of(balance, simulated=simulated is not None)),
    }


def _value(v: BalancedValue, survey: Survey) -> dict[str, Any]:
    m = survey.measured(v.stream, v.quantity)
    return {
        **balance_rows.keys(
            v,
            "stream quantity carrier unit measured sd adjusted adjusted_sd adjustment standardised "
            "class=value_class redundancy detectable_error at_bound error_source",
        ),
        "error_parts": balance_rows(() if m is None else m.parts),
        "note": v.note,
    }


def _amount(a: AnalyteAmount, survey: Survey) -> dict[str, Any]:
    unit = "kg" if survey.basis is Basis.BATCH else "kg/h"
    return {
        **balance_rows.keys(a, "stream analyte amount sd"),
        "unit": unit,
        **balance_rows.keys(a, "per_feed per_feed_sd"),
        "per_feed_unit": "kg/kg",
        "product": a.product,
    }


def _worth(balance: Balance, prices: Sequence[Price]) -> dict[str, Any] | None:
    if not prices:
        return None
    whole, each = money_units(balance, prices)
    return {
        "caution": MONEY_CAUTION,
        "currency": prices[0].currency,
        "of": "batch" if balance.survey.basis is Basis.BATCH else "hour",
        "prices": [balance_rows(p) for p in prices],
        "unit": whole,
        "per_tonne_fed_unit": each,
        "rows": [balance_rows(r) for r in worth_rows(balance, prices)],
    }


def _gross_errors(found: GrossErrors) -> dict[str, Any]:
    return {
        "suspects": balance_rows(found.suspects),
        "probabilities": [
            {**balance_rows(place), "probability": p} for place, p in found.probabilities
        ],
        **balance_rows.keys(
            found,
            "explanations groups detectable_error=hidden dispersion=variance_factors "
            "second_opinions=opinions",
        ),
        "search": balance_rows.keys(
            found,
            "tests measurement_limit nodal_limit near_correlation=near_limit power rates "
            "all_explanations_up_to=all_up_to left_out sound tried untried",
        ),
    }


def _unbalanced(balance: Balance) -> dict[str, Any] | None:
    found = balance.unbalanced
    if found is None:
        return None
    lines = [*obstacles(balance), *repair_sentences(balance)]
    return {
        "sentences": [sentence for _, sentence in lines],
        "recycles": balance_rows(found.recycles),
        "held": balance_rows.keys(found, "taken? unit=flow_unit flows=together"),
        "agreement": balance_rows.keys(
            found, "statistic=objective dof p of_a_balance=balanced consistent=agree"
        ),
        **balance_rows.keys(found, "would_hold=holds contradicting=misfits repairs"),
        "trials": {
            **balance_rows.keys(found, "tried left_out"),
            "slips": found.tried - found.left_out,
            **balance_rows.keys(
                found, "measurements_untried=untried most would_hold_untried=holds_untried"
            ),
        },
    }
