"""Cautions: what can hurt where a reading points to more work with ore, reagents or heat.

All texts and the rules by which they are shown stand in `data/cautions.toml`.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from oretally.flowsheet.streams import NodeKind
from oretally.flowsheet.unit_table import Dimension
from oretally.recon import Balance
from oretally.recon.loss_rows import TestKind

__all__ = ["CAUTIONS_HEADING", "SITUATIONS", "Caution", "cautions_document", "cautions_of", "defer",
           "sheet_cautions"]  # fmt: skip

CAUTIONS_HEADING = "What can hurt, before you go on"
SITUATIONS = ("leach", "mill", "grinding", "sieving", "washing", "precious", "free gold",
              "refractory")  # fmt: skip
"""What a rule of the data file may ask for; what they mean stands there."""
_PRECIOUS = frozenset({"Au", "Ag", "Pt", "Pd"})
_FREE = frozenset({"Au", "Ag"})
_COARSE_UNIT = 1e-3  # per mille: a unit of grade as large as this is no unit of fire assay


@dataclass(frozen=True, slots=True)
class Caution:
    """One hazard.

    Attributes
    ----------
    hazard : str
        Its key.
    title, hurts : str
        Its name; what can hurt.
    because : tuple of str
        Why it is shown.
    usual : tuple of str
        The usual cautions.
    """

    hazard: str
    title: str
    because: tuple[str, ...]
    hurts: str
    usual: tuple[str, ...]


@cache
def _data() -> dict[str, Any]:
    text = files("oretally.io").joinpath("data/cautions.toml").read_text("utf-8")
    return tomllib.loads(text)


def defer() -> str:
    """Return the sentence that stands under every list of cautions."""
    return str(_data()["defer"])


def sheet_cautions() -> tuple[str, ...]:
    """Return the cautions of the sampling form."""
    return tuple(_data()["sheet"])


def cautions_of(balance: Balance) -> tuple[Caution, ...]:
    """Return the cautions that a balance and the reading of its losses call for."""
    now = _situations(balance)
    reasons: dict[str, list[str]] = {}
    for rule in _data()["rules"]:
        if rule["when"] in now:
            for hazard in rule["show"]:
                reasons.setdefault(hazard, []).append(rule["because"])
    for hazard, entry in _data()["hazards"].items():
        named = _named(balance, entry["words"])
        if named and hazard not in reasons:
            reasons[hazard] = [f"The case names '{named}'."]
    return tuple(
        Caution(hazard, entry["title"], tuple(reasons[hazard]), entry["hurts"],
                tuple(entry["usual"]))
        for hazard, entry in ((h, _data()["hazards"][h]) for h in reasons)
    )  # fmt: skip


def cautions_document(balance: Balance) -> dict[str, Any]:
    """Return the cautions as plain dicts, for the JSON result."""
    return {
        "shown": [
            {"hazard": c.hazard, "title": c.title, "because": list(c.because), "hurts": c.hurts,
             "usual": list(c.usual)}
            for c in cautions_of(balance)
        ],
        "defer": defer(),
    }  # fmt: skip


def _situations(balance: Balance) -> set[str]:
    """Return which situations of the rules are given."""
    survey, kinds = balance.survey, {node.kind for node in balance.circuit.nodes}
    tested = [(loss, test) for loss in balance.losses.found for test in loss.tests]
    tests = {test.kind for _, test in tested}
    leach = NodeKind.LEACH in kinds or bool(survey.dissolved)
    fine = {
        a.name
        for a in survey.analytes
        if a.name in _PRECIOUS
        and a.unit.dimension is Dimension.GRADE
        and a.unit.factor < _COARSE_UNIT
    }
    given = {
        "leach": leach,
        "mill": NodeKind.MILL in kinds,
        "grinding": TestKind.GRIND_HALF in tests,
        "sieving": bool(tests & {TestKind.SCREEN, TestKind.GRIND_HALF}),
        "washing": bool(tests & {TestKind.SPLIT_FINEST, TestKind.TREAT_AGAIN}),
        "precious": any(loss.analyte in fine for loss, _ in tested),
        "free gold": any(
            loss.analyte in _FREE and test.kind in (TestKind.SCREEN, TestKind.GRIND_HALF)
            for loss, test in tested
        ),
        "refractory": leach and any(
            loss.analyte in _FREE and test.kind is TestKind.TREAT_AGAIN for loss, test in tested
        ),
    }  # fmt: skip
    return {word for word, holds in given.items() if holds}


def _named(balance: Balance, words: Iterable[str]) -> str:
    """Return the first name of the case in which a word begins as one of ``words``, or nothing."""
    names = [balance.survey.title, *(n.name for n in balance.circuit.nodes),
             *balance.circuit.stream_names, *(a.name for a in balance.survey.analytes)]  # fmt: skip
    pattern = re.compile("|".join(rf"\b{re.escape(word)}" for word in words), re.IGNORECASE)
    return next((name for name in names if pattern.search(name)), "")
