"""Results as a workbook; the inputs are repeated in sheets that `read_case` reads again.

A sheet for each subject, its tables below each other; the first one says what everybody wants to
know.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from oretally.io.definition import Price
from oretally.io.files import Sheet, SheetTable, sealed, write_tables
from oretally.io.first_page import verdict_sentences
from oretally.io.leach_course import course_sheets
from oretally.io.results.answer_sheets import (
    RECOVERIES,
    answer_sheets,
    closure_sheet,
    measured_sheets,
)
from oretally.io.results.finding_sheets import finding_sheets
from oretally.io.results.input_sheets import input_sheets
from oretally.io.results.size_sheets import size_sheet
from oretally.io.results.summary_sheet import write_summary
from oretally.io.wording import (
    CAUTIONS_HEADING,
    NOT_A_BALANCE,
    SD_LEGEND,
    Simulated,
    agreement,
    cautions_of,
    certificate_figures,
    counts,
    defer,
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
    """Return the workbook: results first, then the inputs.

    No date, no link to another file: the same balance gives the same bytes.
    """
    import openpyxl
    from openpyxl.worksheet.properties import PageSetupProperties

    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    if balance.converged:
        rows = _write(book, _results(balance, prices, otherwise, simulated=simulated))
        write_summary(book, balance, rows[RECOVERIES])
    else:
        _write(book, _unbalanced(balance, otherwise))
    given = [*input_sheets(balance), *([price_sheet(prices)] if prices else [])]
    _write(book, (_alone(table) for table in given))
    for sheet in book.worksheets:
        sheet.page_setup.orientation = "landscape"
        sheet.page_setup.fitToHeight = 0  # as many pages as it takes, one page wide
        sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    return sealed(book, balance.survey.title)


def _write(book: Workbook, sheets: Iterable[Sheet]) -> dict[str, dict[str, int]]:
    """Write the sheets that hold something; return for each the rows of its headers."""
    found = {}
    for title, tables in sheets:
        held = [(heading, header, list(rows)) for heading, header, rows in tables]
        if any(rows or not heading for heading, _, rows in held):
            found[title] = write_tables(book.create_sheet(title), held)
    return found


def _alone(table: SheetTable) -> Sheet:
    """Return a table as a sheet of its own, of that name."""
    title, header, rows = table
    return title, [("", header, rows)]


def _results(
    balance: Balance, prices: Sequence[Price], otherwise: WhatIf | None, *,
    simulated: Simulated | None,
) -> Iterable[Sheet]:  # fmt: skip
    yield from answer_sheets(balance)
    yield from course_sheets(balance)
    if prices:
        yield _alone(worth_sheet(balance, prices))
    if otherwise is not None:
        yield _alone(otherwise_sheet(otherwise))
    if simulated is not None:
        yield _alone(simulation_sheet(simulated))
    yield from finding_sheets(balance)
    yield size_sheet(balance)
    yield closure_sheet(balance)
    yield "notes", list(_notes(balance, simulated=simulated is not None))


def _notes(balance: Balance, *, simulated: bool) -> Iterable[SheetTable]:
    """Yield what was balanced and how it ended, cautions, notes."""
    test, cautions = balance.global_test, cautions_of(balance)
    yield (
        "What was balanced, and how",
        ("", ""),
        [
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
        ],
    )
    said = [
        (caution.title, sentence)
        for caution in cautions
        for sentence in (*caution.because, caution.hurts, *caution.usual)
    ]
    yield CAUTIONS_HEADING, ("", ""), [*said, *([("", defer())] if said else [])]
    notes = notes_of(balance, simulated=simulated)
    yield "Notes", ("", ""), [(note,) for note in notes]


def _unbalanced(balance: Balance, otherwise: WhatIf | None) -> Iterable[Sheet]:
    """Yield the sheets where there is no balance: no answers."""
    facts: list[Sequence[object]] = [
        ("title", balance.survey.title),
        ("NO BALANCE", NOT_A_BALANCE),
        *((("verdict" if i == 0 else ""), sentence)
          for i, sentence in enumerate(verdict_sentences(balance))),
        *counts(balance),
        ("converged", False),
        ("status", balance.status),
        *(row for head, lines in unbalanced_blocks(balance) for row in ((head, ""), *lines)),
        ("", SD_LEGEND),
    ]  # fmt: skip
    yield "summary", [("", ("", ""), facts)]
    yield from measured_sheets(balance)
    if otherwise is not None:
        said = [(sentence,) for sentence in otherwise_sentences(otherwise)]
        yield "what if", [("", ("",), said)]
    yield "notes", [("Notes", ("", ""), [(note,) for note in balance.notes])]
