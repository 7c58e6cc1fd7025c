"""Cautions: what can hurt where a reading points to more work with ore, reagents or heat.

All texts and the rules by which they are shown stand in `data/cautions.toml`.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

from oretally.flowsheet import Circuit, Survey
from oretally.flowsheet.circuit import NodeKind
from oretally.flowsheet.units import Dimension
from oretally.recon.result import Balance, TestKind

__all__ = ["CAUTIONS_HEADING", "SITUATIONS", "Caution", "brief", "cautions_of", "circuit_cautions",
           "defer", "sheet_cautions"]  # fmt: skip

CAUTIONS_HEADING = "What can hurt, before you go on"
SITUATIONS = ("low pH", "leach", "mill", "grinding", "sieving", "washing", "precious", "free gold",
              "refractory")  # fmt: skip
"""What a rule of the data file may ask for; what they mean stands there."""
_CYANIDES = ("cyanid", "NaCN", "KCN", "CN")
_LEAST_PH = 10.5  # of cyanide solutions, as the data file says
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
    short : str
        The hazard and the first of what is usual, on one line.
    """

    hazard: str
    title: str
    because: tuple[str, ...]
    hurts: str
    usual: tuple[str, ...]
    short: str


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
    circuit, survey = balance.circuit, balance.survey
    return _called_for(
        _of_circuit(circuit, survey) | _of_losses(balance), _names(circuit, survey)
    )  # fmt: skip


def circuit_cautions(tests: Iterable[tuple[str, Circuit, Survey]]) -> tuple[Caution, ...]:
    """Return the cautions that circuits call for as they are; what they are called counts too."""
    found, names = set[str](), list[str]()
    for label, circuit, survey in tests:
        found |= _of_circuit(circuit, survey)
        names += [label, *_names(circuit, survey)]
    return _called_for(found, names)


def brief(caution: Caution) -> str:
    """Return a caution in a few sentences: why, and the first of what is usual."""
    return f"{caution.title}. {' '.join(caution.because)} {caution.usual[0]}"


def _called_for(now: Collection[str], names: Sequence[str]) -> tuple[Caution, ...]:
    """Return the cautions for situations, and for names."""
    reasons: dict[str, list[str]] = {}
    for rule in _data()["rules"]:
        if rule["when"] in now:
            for hazard in rule["show"]:
                reasons.setdefault(hazard, []).append(rule["because"])
    for hazard, entry in _data()["hazards"].items():
        named = _named(names, entry["words"])
        if named and hazard not in reasons:
            reasons[hazard] = [f"The case names '{named}'."]
    return tuple(
        Caution(hazard, entry["title"], tuple(reasons[hazard]), entry["hurts"],
                tuple(entry["usual"]), entry["short"])
        for hazard, entry in ((h, _data()["hazards"][h]) for h in reasons)
    )  # fmt: skip


def _low_ph(survey: Survey) -> bool:
    """Whether a leach over time with cyanide had a pH at which the gas leaves the solution."""
    course = survey.course
    if course is None or not _named([r.name for r in course.reagents], _CYANIDES):
        return False
    read = [course.ph_at_start, *(t.ph for t in course.times)]
    return any(ph is not None and ph < _LEAST_PH for ph in read)


def _of_circuit(circuit: Circuit, survey: Survey) -> set[str]:
    """Return which situations a circuit is in, whatever was measured."""
    kinds = {node.kind for node in circuit.nodes}
    given = {"low pH": _low_ph(survey),
             "leach": NodeKind.LEACH in kinds or bool(survey.dissolved),
             "mill": NodeKind.MILL in kinds}  # fmt: skip
    return {word for word, holds in given.items() if holds}


def _of_losses(balance: Balance) -> set[str]:
    """Return which situations the reading of the losses leads to."""
    survey = balance.survey
    tested = [(loss, test) for loss in balance.losses.found for test in loss.tests]
    tests = {test.kind for _, test in tested}
    precious, free = (
        {a.name for a in survey.analytes if _is_metal(a.name, word)}
        for word in ("precious", "free")
    )  # fmt: skip
    fine = {
        a.name
        for a in survey.analytes
        if a.name in precious
        and a.unit.dimension is Dimension.GRADE
        and a.unit.factor < _COARSE_UNIT
    }
    given = {
        "grinding": TestKind.GRIND_HALF in tests,
        "sieving": bool(tests & {TestKind.SCREEN, TestKind.GRIND_HALF, TestKind.SPLIT_FINEST}),
        "washing": bool(tests & {TestKind.SPLIT_FINEST, TestKind.TREAT_AGAIN}),
        "precious": any(loss.analyte in fine for loss, _ in tested),
        # a screen is proposed where nothing was measured by size: no sign of free grains
        "free gold": "leach" not in _of_circuit(balance.circuit, survey) and any(
            loss.analyte in free and test.kind is TestKind.GRIND_HALF for loss, test in tested
        ),
        "refractory": "leach" in _of_circuit(balance.circuit, survey) and any(
            loss.analyte in free and test.kind is TestKind.TREAT_AGAIN for loss, test in tested
        ),
    }  # fmt: skip
    return {word for word, holds in given.items() if holds}


def _is_metal(analyte: str, which: str) -> bool:
    """Tell whether an analyte is one of the metals of the data file, however it is written.

    Its name has the symbol or the name of the metal as a word: 'au', 'Gold', 'Ag (fire assay)'.
    """
    metals = {word.casefold() for word in _data()["metals"][which]}
    return not metals.isdisjoint(re.findall(r"[^\W\d_]+", analyte.casefold()))


def _names(circuit: Circuit, survey: Survey) -> list[str]:
    return [survey.title, *(n.name for n in circuit.nodes), *circuit.stream_names,
            *(a.name for a in survey.analytes)]  # fmt: skip


def _named(names: Iterable[str], words: Iterable[str]) -> str:
    """Return the first name in which a word begins as one of ``words``, or nothing."""
    begin = r"(?<![^\W_])"  # no letter before it; '_' parts words
    pattern = re.compile("|".join(begin + re.escape(word) for word in words), re.IGNORECASE)
    return next((name for name in names if pattern.search(name)), "")
