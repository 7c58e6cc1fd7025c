"""What the page shows of a case: the balance as the command line gives it, or what is wrong.

The case stands in a folder of its own, written from what the page shows, and goes the way of the
commands: the numbers are theirs.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any

from oretally.flowsheet import InputError, NotBalanceable
from oretally.io.commands import BalancedCase, Outputs, balanced
from oretally.io.desk.circuit_table import circuit_table, sketch
from oretally.io.desk.traces import cell_texts, fault_cells, fault_row, value_rows
from oretally.io.desk.what_ifs import repair_rows, suspect_rows
from oretally.io.desk_files import Parts
from oretally.io.first_page import (
    SOUND,
    caution_lines,
    in_the_report,
    kept_sentences,
    next_step,
    product_tables,
    verdict_sentences,
)
from oretally.io.pictures import balance_labels, live_svg
from oretally.io.results import summary
from oretally.io.wording import (
    notes_of,
    obstacles,
    otherwise_sentences,
    otherwise_tables,
)
from oretally.recon.result import Balance, WhatIf

__all__ = ["answered"]

_WIDE = 10**6  # of a table that is not cut: the page scrolls
_WHERE = "in the report"
_SEARCH = "looking for what may be wrong"
Say = Callable[..., None]


def answered(
    source: Path, parts: Parts, whatif: Mapping[str, Sequence[str]], say: Say
) -> dict[str, Any]:
    """Return the answer to a case.

    Parameters
    ----------
    source : Path
        The case as files.
    parts : dict
        The same as the page has it, to say where each number stands.
    whatif : mapping
        'without' and 'with', as behind those options of the command.
    say : callable
        Told what is done, and as ``first`` what of the answer is known before that is done.
    """
    started = time.perf_counter()
    say("reading")
    answer: dict[str, Any] = {"faults": [], "refused": None, "circuit": circuit_table(parts)}
    first: dict[str, Any] = {}

    def so_far(balance: Balance) -> None:
        first.update(_first(balance))
        say(_SEARCH, first=answer | first)

    try:
        found = balanced(
            source, Outputs(), without=whatif.get("without", ()), added=whatif.get("with", ()),
            say=say, second_opinions=False, so_far=so_far,
        )  # fmt: skip
        answer |= first | _answers(found, parts)
    except InputError as error:
        answer["faults"] = [fault_row(f, parts, answer["circuit"]) for f in error.faults]
        answer["cells"] = fault_cells(answer["faults"])
        answer["drawing"] = _sketched(parts)
    except NotBalanceable as error:
        answer["refused"] = {"reason": error.reason, "mend": error.mend, "repairs": []}
        answer["drawing"] = _sketched(parts)
    answer["time"] = time.perf_counter() - started
    return answer


def _first(balance: Balance) -> dict[str, Any]:
    """Return what a balance says whatever may be wrong."""
    tables = product_tables(balance, _WIDE)
    return {
        "products": tables[0].document if tables else None,
        "drawing": live_svg(balance.circuit, balance_labels(balance), _shares(balance)),
    }


def _answers(found: BalancedCase, parts: Parts) -> dict[str, Any]:
    """Return what else a balance says, or why there is none."""
    balance = found.balance
    lead = [in_the_report(sentence, _WHERE) for sentence in verdict_sentences(balance)]
    told: dict[str, Any] = {
        "verdict": {"sound": lead[0].startswith(SOUND), "text": " ".join(lead)},
        "cautions": list(caution_lines(balance)),
        "contradictions": list(balance.contradictions),
        "notes": list(notes_of(balance)),
        "values": value_rows(balance, parts),
        "cells": cell_texts(balance, parts),
        "beside": _beside(found.otherwise),
        "text": summary(balance, found.prices, found.otherwise),
    }
    if not balance.converged:
        why = obstacles(balance)
        told["refused"] = {
            "reason": " ".join(lead),
            "mend": " ".join(sentence for word, sentence in why if word == "measure"),
            "why": [sentence for _, sentence in why],
            "repairs": repair_rows(balance),
        }
        told["drawing"] = _sketched(parts)
        return told
    step = next_step(balance)
    return told | {
        "recovered": [in_the_report(each, _WHERE) for each in kept_sentences(balance)],
        "next": [step] if step else [],
        "suspects": suspect_rows(balance, parts),
    }


def _beside(found: WhatIf | None) -> dict[str, Any] | None:
    """Return the answers with other numbers, beside those of the case."""
    if found is None:
        return None
    return {
        "possible": found.test is not None,
        "changes": list(found.changes),
        "text": list(otherwise_sentences(found)),
        "tables": [table.document for table in otherwise_tables(found)],
    }


def _shares(balance: Balance) -> dict[str, float | None] | None:
    """Return the percent of the first analyte, or of the mass, that each stream carries."""
    analytes = [a.name for a in balance.survey.analytes]
    of = {(r.stream, r.analyte): r.recovery for r in balance.recoveries}
    for analyte in analytes:
        shares = {s: share for (s, name), share in of.items() if name == analyte}
        if any(share is not None for share in shares.values()):
            return {**dict.fromkeys(balance.feeds if len(balance.feeds) == 1 else (), 100.0),
                    **shares}  # fmt: skip
    return None


def _sketched(parts: Parts) -> str | None:
    """Return the circuit as far as it can be drawn; None if nothing can."""
    drawn = sketch(parts)
    return None if drawn is None else live_svg(drawn, {})
