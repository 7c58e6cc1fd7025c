"""Results as a workbook; the inputs are repeated in sheets that `read_case` reads again."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from oretally.io.definition import Price
from oretally.io.files import Sheet, number_format, put, sealed, widen
from oretally.io.results.answer_sheets import answer_sheets, measured_sheets
from oretally.io.results.finding_sheets import finding_sheets
from oretally.io.results.input_sheets import input_sheets
from oretally.io.results.size_sheets import size_sheets
from oretally.io.wording import (
    CLOSING,
    NOT_A_BALANCE,
    SD_LEGEND,
    Simulated,
    agreement,
    amount_sheets,
    certificate_figures,
    counts,
    notes_of,
    otherwise_sentences,
    otherwise_sheet,
    price_sheet,
    recovery_sentences,
    simulation_sheet,
    unbalanced_blocks,
    worth_sheet,
)
from oretally.recon.result import Balance, WhatIf

if TYPE_CHECKING:
    from openpyxl import Workbook

__all__ = ["xlsx_bytes"]


def xlsx_bytes(
    balance: Balance, prices: Sequence[Price] = (), otherwise: WhatIf | None = None, *,
    simulated: Simulated | None = None,
) -> bytes:  # fmt: skip
    """Return the workbook: results first, then the inputs."""
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    sheets = (
        _results(balance, prices, otherwise, simulated=simulated)
        if balance.converged
        else _unbalanced(balance, otherwise)
    )
    given = [*input_sheets(balance), *([price_sheet(prices)] if prices else [])]
    for title, header, rows in (*sheets, *given):
        _write(book, title, header=header, rows=rows)
    return sealed(book, balance.survey.title)


def _write(
    book: Workbook, title: str, *, header: Sequence[str], rows: Iterable[Sequence[object]]
) -> None:
    sheet = book.create_sheet(title)
    for j, word in enumerate(header, start=1):
        put(sheet, 1, j, word, header=True)
    for i, row in enumerate(rows, start=2):
        for j, cell in enumerate(row, start=1):
            if isinstance(cell, tuple):
                put(sheet, i, j, cell[0], form=number_format(*cell))
            elif isinstance(cell, float):
                put(sheet, i, j, cell, form=number_format(cell))
            else:
                put(sheet, i, j, cell)
    widen(sheet)


def _results(
    balance: Balance, prices: Sequence[Price], otherwise: WhatIf | None, *,
    simulated: Simulated | None,
) -> Iterable[Sheet]:  # fmt: skip
    yield _summary(balance)
    yield from answer_sheets(balance)
    yield from amount_sheets(balance)
    if prices:
        yield worth_sheet(balance, prices)
    if otherwise is not None:
        yield otherwise_sheet(otherwise)
    if simulated is not None:
        yield simulation_sheet(simulated)
    yield from size_sheets(balance)
    yield from finding_sheets(balance)
    yield _notes(notes_of(balance, simulated=simulated is not None))


def _summary(balance: Balance) -> Sheet:
    test = balance.global_test
    facts = [
        ("title", balance.survey.title),
        *counts(balance),
        ("agreement", agreement(balance)),
        *(("recovery", sentence) for sentence in recovery_sentences(balance)),
        ("converged", balance.converged),
        ("status", balance.status),
        ("iterations", balance.iterations),
        ("objective (chi-square)", balance.objective),
        ("degrees of freedom", test.dof),
        ("p", test.p),
        *certificate_figures(balance),
        ("", CLOSING),
    ]
    return "summary", ("", ""), facts


def _unbalanced(balance: Balance, otherwise: WhatIf | None) -> Iterable[Sheet]:
    """Yield the sheets where there is no balance: no answers."""
    yield (
        "summary",
        ("", ""),
        [
            ("title", balance.survey.title),
            ("NO BALANCE", NOT_A_BALANCE),
            *counts(balance),
            ("why", agreement(balance)),
            ("converged", False),
            ("status", balance.status),
            *(row for head, lines in unbalanced_blocks(balance) for row in ((head, ""), *lines)),
            ("", SD_LEGEND),
        ],
    )
    yield from measured_sheets(balance)
    if otherwise is not None:
        yield "what if", ("",), [(sentence,) for sentence in otherwise_sentences(otherwise)]
    yield _notes(balance.notes)


def _notes(notes: Sequence[str]) -> Sheet:
    return "notes", ("note",), [(note,) for note in notes]
