"""Rows and the packaged schemas have the same fields, each of the same kind.

Rows are made up from what their fields are declared as: once with everything there, once with
everything absent that may be.
"""

from __future__ import annotations

import types
from collections.abc import Mapping
from dataclasses import is_dataclass, replace
from enum import Enum
from importlib.resources import files
from typing import Any, get_args, get_origin, get_type_hints

import jsonschema
import numpy as np
import pytest
from example_balances import example_balance

from oretally.flowsheet import Circuit, Survey
from oretally.io.definition import Price
from oretally.io.json_rows import JsonRows, packaged_schema
from oretally.io.plan.document import plan_rows as written_plan
from oretally.io.plan.samples import SampleNeed
from oretally.io.results.document import balance_document
from oretally.io.wording import Simulated
from oretally.recon import Balance
from oretally.recon.plan import MeasurementPlan
from oretally.recon.propagation import Derived
from oretally.recon.result import Estimate, Hold, LossPart, WhatIf

NAME = "tailings"  # a stream of the example
WORDS = {
    "ErrorPlace": {"kind": "measurement"},
    "InventoryLine": {"item": "in"},
    "Slip": {"kind": "digits"},
}


def made_up(hint: Any, *, full: bool) -> Any:
    """Return a value of a declared kind: one member of each collection, None if not ``full``."""
    parts = get_args(hint)
    if get_origin(hint) is types.UnionType:
        return made_up(parts[0], full=full) if full or type(None) not in parts else None
    if get_origin(hint) is tuple:
        return tuple(made_up(part, full=full) for part in parts if part is not ...)
    if get_origin(hint) in (dict, Mapping):
        return {NAME: made_up(parts[1], full=full)}
    if get_origin(hint) is Derived:
        return Derived(0.5, {})
    if get_origin(hint) is np.ndarray:
        (kind,) = get_args(parts[1])
        return np.ones(1) if kind is np.float64 else np.ones(3, bool)
    if isinstance(hint, type) and issubclass(hint, Enum):
        return next(iter(hint))
    if is_dataclass(hint) or hasattr(hint, "_fields"):
        row = {name: made_up(each, full=full) for name, each in get_type_hints(hint).items()}
        return hint(**row | WORDS.get(hint.__name__, {}))
    plain: dict[type, object] = {str: NAME, float: 0.5, int: 0, bool: True}
    return plain[hint]


def _document(*, full: bool) -> dict[str, Any]:
    """Return a balance of which all but survey, circuit and values is made up."""
    balance = example_balance("tin_table")
    given = (Circuit, Survey, str, bool, int, float)
    rows = {
        name: made_up(hint, full=full)
        for name, hint in get_type_hints(Balance).items()
        if hint not in given and name not in ("values", "products")
    }
    price, simulated = Price("Sn", 2.0, "EUR", "2 EUR/kg"), made_up(Simulated, full=full)
    other = made_up(WhatIf, full=full)
    return balance_document(replace(balance, **rows), [price], otherwise=other, simulated=simulated)


def test_schemas_are_schemas() -> None:
    """Once, as it takes longer than to hold a document against one."""
    names = {p.name.split(".")[0] for p in files("oretally.io").joinpath("schemas").iterdir()}
    assert {"balance", "bias", "comparison", "lab", "period", "plan", "trend"} <= names
    for name in names:
        jsonschema.Draft202012Validator.check_schema(packaged_schema(name))


@pytest.mark.parametrize("full", [True, False])
def test_rows_of_a_balance(full: bool) -> None:
    document = _document(full=full)
    jsonschema.Draft202012Validator(packaged_schema("balance")).validate(document)
    for key in ("suspects", "explanations", "recoveries", "closures"):
        assert len(document[key]) == 1, key
    assert (document["unbalanced"] is not None) == full


def test_a_field_too_much_or_too_few_is_found() -> None:
    document, schema = _document(full=True), packaged_schema("balance")
    part = schema["properties"]["closures"]["items"]
    part["required"].append("more")
    with pytest.raises(jsonschema.ValidationError, match="'more' is a required property"):
        jsonschema.Draft202012Validator(schema).validate(document)
    part["required"].remove("more")
    del part["properties"]["z"]
    with pytest.raises(jsonschema.ValidationError, match="'z' was unexpected"):
        jsonschema.Draft202012Validator(schema).validate(document)


@pytest.mark.parametrize("full", [True, False])
def test_rows_of_a_plan(full: bool) -> None:
    whole = packaged_schema("plan")
    schema = {"properties": whole["properties"], "$defs": whole["$defs"]}
    plan = made_up(MeasurementPlan, full=full)
    keys = "answers today best curve cheapest=least next_best=more identifiable"
    needs = {"samples": [written_plan(made_up(SampleNeed, full=full))]}
    jsonschema.Draft202012Validator(schema).validate(written_plan.keys(plan, keys) | needs)


def test_what_is_written_otherwise() -> None:
    rows = JsonRows({Hold: "node=stream of=quantity?"})
    assert rows((Hold("feed", ""), Hold("tails", "Sn"))) == [
        {"node": "feed", "of": None}, {"node": "tails", "of": "Sn"}
    ]  # fmt: skip
    assert rows([Hold("feed", "Sn").stream, float("inf"), True]) == ["feed", None, True]


def test_a_value_with_its_sd() -> None:
    """Two numbers are a value with its sd only where a field says so."""
    rows = JsonRows({})
    assert rows((1.0, 0.5), Estimate) == rows((1.0, 0.5), Estimate | None)
    assert rows((1.0, 0.5), Estimate) == {"value": 1.0, "sd": 0.5}
    assert rows((1.0, 0.5), tuple[float, ...]) == [1.0, 0.5]
    assert rows(((1.0, 0.5),), tuple[Estimate | None, ...] | None) == [{"value": 1.0, "sd": 0.5}]
    assert rows({"Sn": (1.0, 0.5)}, dict[str, Estimate | None]) == {"Sn": {"value": 1.0, "sd": 0.5}}
    part = made_up(LossPart, full=True)
    assert rows(part)["grade"] == {"value": 0.5, "sd": 0.5}
