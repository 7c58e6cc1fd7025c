"""What the pages of the report hold, in their order: the words and tables of the HTML report.

Plain dicts and lists: the template `report.typ` turns them into pages, and their texts into text.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from importlib.metadata import version
from itertools import groupby
from typing import Any

from oretally.flowsheet.digits import format_number, format_with_sd
from oretally.io.definition import Price
from oretally.io.pictures import (
    balance_labels,
    circuit_svg,
    flow_svg,
    grade_recovery_svg,
    measured_labels,
    passing_svg,
)
from oretally.io.results.pdf_tables import page_tables
from oretally.io.wording import (
    CAUTION,
    CAUTIONS_HEADING,
    LOSS_HEADING,
    MONEY_CAUTION,
    NOT_A_BALANCE,
    SD_LEGEND,
    SIMULATION_HEADING,
    SIMULATION_LEGEND,
    SUSPECTS_HEADING,
    TEST_LEGEND,
    UNTOUCHED,
    WHAT_IF_HEADING,
    Simulated,
    amount_table,
    amount_tables,
    cautions_of,
    certificate_figures,
    class_labels,
    closure_table,
    counts,
    curve_tables,
    cut_table,
    defer,
    error_part_table,
    expectation_table,
    explanation_columns,
    fit_table,
    formula_table,
    head_table,
    hidden_sentences,
    largest_move,
    loss_meaning,
    loss_readings,
    loss_tables,
    measured_tables,
    metal_table,
    notes_of,
    otherwise_sentences,
    otherwise_tables,
    p80_table,
    partition_tables,
    passing_tables,
    quiet_sentence,
    recovery_budget_table,
    recovery_sentences,
    recovery_table,
    separation_table,
    simulation_sentences,
    simulation_table,
    size_recovery_tables,
    suspect_words,
    unbalanced_blocks,
    unexplained_sentence,
    value_table,
    variance_factor_sentences,
    verdict,
    worth_table,
)
from oretally.recon.result import Balance, WhatIf

__all__ = ["pages"]

_UPRIGHT = 640.0  # a picture wider than that gets a page across
_SIZE = re.compile(r'<svg [^>]*?width="([\d.]+)" height="([\d.]+)"')
_Block = dict[str, Any]


def _examined(balance: Balance) -> str:
    """Return what the examination of the balance found, in one paragraph."""
    figures = (f"{name} {figure}" for name, figure in certificate_figures(balance))
    return f"How the balance was checked: {'; '.join(figures)}."


def pages(
    balance: Balance, prices: Sequence[Price], otherwise: WhatIf | None,
    simulated: Simulated | None = None,
) -> dict[str, Any]:  # fmt: skip
    """Return title and parts of the report; each part is pages upright, or one across."""
    parts = _unbalanced(balance, otherwise) if not balance.converged else [
        _upright(_summary(balance, simulated)),
        _upright(_beside(otherwise) if otherwise is not None else []),
        _upright(_answers(balance, prices)),
        _upright(_drawn(simulated) if simulated is not None else []),
        _upright(_losses(balance)),
        _upright(_cautions(balance)),
        *_drawings(balance),
        _upright(_values(balance)),
        _upright(_sizes(balance)),
        _upright(_before(balance)),
        _upright([_words(_examined(balance)), _words(f"{SD_LEGEND} {CAUTION}")]),
    ]  # fmt: skip
    return {
        "title": balance.survey.title or "Mass and metal balance",
        "version": f"oretally {version('oretally')}",
        "parts": [part for part in parts if part["blocks"]],
    }


def _upright(blocks: Iterable[_Block]) -> dict[str, Any]:
    return {"wide": False, "blocks": list(blocks)}


def _heading(text: str) -> _Block:
    return {"kind": "heading", "text": text}


def _words(*texts: str) -> _Block:
    return {"kind": "words", "texts": texts}


def _list(texts: Sequence[str]) -> _Block:
    return {"kind": "list", "texts": texts}


def _picture(svg: str, caption: str) -> _Block:
    size = _SIZE.match(svg)
    width, height = (float(size[1]), float(size[2])) if size is not None else (400.0, 300.0)
    return {"kind": "picture", "svg": svg, "caption": caption, "width": width, "height": height}


def _summary(balance: Balance, simulated: Simulated | None) -> Iterable[_Block]:
    yield {"kind": "terms", "pairs": counts(balance)}
    yield _heading("What the numbers say")
    yield _words(verdict(balance))
    yield _list(recovery_sentences(balance))
    move = largest_move(balance)
    if move is not None and move.standardised is not None:
        now = format_with_sd(move.adjusted, move.adjusted_sd)[0]
        yield _words(f"Largest move: {move.quantity} of '{move.stream}', "
                     f"{format_number(move.measured)} → {now} {move.unit} "
                     f"({move.standardised:+.1f} standardised).")  # fmt: skip
    yield _words(*variance_factor_sentences(balance))
    suspects = suspect_words(balance)
    if quiet_sentence(balance):
        yield _words(quiet_sentence(balance))
    if suspects:
        yield {"kind": "strong", "text": SUSPECTS_HEADING}
        if unexplained_sentence(balance):
            yield _words(unexplained_sentence(balance))
        for s in suspects:
            chance = f"{s.chance}: " if s.chance else ""
            yield _words(f"{chance}{s.head}")
            yield _list(s.details)
        if balance.gross_errors.explanations:
            yield from page_tables([explanation_columns(balance)])
        yield _words(UNTOUCHED)
    notes = notes_of(balance, simulated=simulated is not None)
    yield _list([*hidden_sentences(balance), *notes])


def _unbalanced(balance: Balance, otherwise: WhatIf | None) -> list[dict[str, Any]]:
    """Return the parts of a report where there is no balance: no answers."""
    blocks: list[_Block] = [
        {"kind": "boxed", "text": NOT_A_BALANCE},
        {"kind": "terms", "pairs": (*counts(balance), ("why", verdict(balance)))},
    ]
    for heading, lines in unbalanced_blocks(balance):
        blocks += [_heading(heading), {"kind": "terms", "pairs": lines}]
    if balance.notes:
        blocks.append(_list(balance.notes))
    if otherwise is not None:
        blocks += _beside(otherwise)
    labels, caption = measured_labels(balance.survey), "What was measured on every stream."
    picture = _picture(circuit_svg(balance.circuit, labels), caption)
    numbers = [
        _heading("The numbers"),
        *page_tables([
            *measured_tables(balance, class_labels(balance.survey)),
            closure_table(balance.closures), head_table(balance.heads, adjusted=False),
        ]),
        _words(SD_LEGEND),
    ]  # fmt: skip
    drawing = {"wide": picture["width"] > _UPRIGHT,
               "blocks": [_heading("The circuit, as measured"), picture]}  # fmt: skip
    return [_upright(blocks), drawing, _upright(numbers)]


def _beside(otherwise: WhatIf) -> Iterable[_Block]:
    yield _heading(WHAT_IF_HEADING)
    yield _words(*otherwise_sentences(otherwise))
    yield from page_tables(otherwise_tables(otherwise))


def _drawn(simulated: Simulated) -> Iterable[_Block]:
    yield _heading(SIMULATION_HEADING)
    yield _words(*simulation_sentences(simulated))
    yield from page_tables([simulation_table(simulated, shortest=False)])
    yield _words(SIMULATION_LEGEND)


def _answers(balance: Balance, prices: Sequence[Price]) -> Iterable[_Block]:
    yield _heading("Recoveries")
    yield from page_tables([
        recovery_table(balance), separation_table(balance), *amount_tables(balance),
        amount_table(balance),
    ])  # fmt: skip
    for curve, table in zip(balance.losses.curves, curve_tables(balance), strict=True):
        yield _picture(
            grade_recovery_svg(curve),
            f"Grade against recovery of {curve.analyte}: products taken together from the richest "
            "down, each with the one before. Bars are one standard deviation.",
        )
        yield from page_tables([table])
    if prices:
        yield _heading("What the metal is worth")
        yield {"kind": "boxed", "text": MONEY_CAUTION}
        yield from page_tables([worth_table(balance, prices)])


def _losses(balance: Balance) -> Iterable[_Block]:
    meaning = loss_meaning(balance)
    if not meaning:
        return
    yield _heading(LOSS_HEADING)
    yield _words(meaning)
    for reading in loss_readings(balance):
        yield {"kind": "strong", "text": f"{', '.join(reading.analytes)} in {reading.stream}"}
        yield _list([*reading.sentences, *reading.tests])
    yield from page_tables(loss_tables(balance))
    tests = expectation_table(balance)
    if tests.rows:
        yield from page_tables([tests])
        yield _words(TEST_LEGEND)


def _cautions(balance: Balance) -> Iterable[_Block]:
    shown = cautions_of(balance)
    if not shown:
        return
    yield _heading(CAUTIONS_HEADING)
    for c in shown:
        yield {"kind": "caution", "title": c.title, "because": c.because, "hurts": c.hurts,
               "usual": c.usual}  # fmt: skip
    yield _words(defer())


def _drawings(balance: Balance) -> Iterable[dict[str, Any]]:
    """Yield the circuit, and where each analyte goes; large drawings on pages across."""
    drawings = [(
        "The circuit, balanced",
        _picture(circuit_svg(balance.circuit, balance_labels(balance)),
                 "Adjusted mass and grades on every stream; a line that ends free leaves the "
                 "circuit (name in bold)."),
    )]  # fmt: skip
    for a in balance.survey.analytes:
        if any(r.analyte == a.name and r.recovery is not None for r in balance.recoveries):
            caption = f"Lines are as wide as the share of the feed's {a.name} that they carry."
            drawings.append(
                (f"Where the {a.name} goes", _picture(flow_svg(balance, a.name), caption))
            )
    for wide, run in groupby(drawings, lambda drawing: bool(drawing[1]["width"] > _UPRIGHT)):
        blocks = [block for title, picture in run for block in (_heading(title), picture)]
        yield {"wide": wide, "blocks": blocks}


def _values(balance: Balance) -> Iterable[_Block]:
    yield _heading("The numbers")
    labels = class_labels(balance.survey)
    yield from page_tables([value_table(balance, brief=True, without=labels)])
    yield _words(
        "Redundant: measured, and checked by the other numbers. Nonredundant: measured, but "
        "nothing checks it. Observable: not measured, given by the balance. Unobservable: not "
        "determined by anything."
    )
    if balance.budgets:
        yield _heading("Where the uncertainty comes from")
        yield from page_tables([recovery_budget_table(balance), error_part_table(balance)])


def _sizes(balance: Balance) -> Iterable[_Block]:
    if not balance.sizes.streams:
        return
    yield _heading("By size")
    yield _picture(passing_svg(balance.sizes.streams), "What passes each opening, adjusted.")
    yield from page_tables([
        p80_table(balance), *passing_tables(balance, brief=True), metal_table(balance, brief=True),
        *partition_tables(balance), *size_recovery_tables(balance),
        cut_table(balance, brief=True), fit_table(balance, brief=True),
    ])  # fmt: skip


def _before(balance: Balance) -> Iterable[_Block]:
    tables = page_tables([closure_table(balance.closures), head_table(balance.heads),
                      formula_table(balance)])  # fmt: skip
    if tables:
        yield _heading("Before any adjustment")
        yield from tables
