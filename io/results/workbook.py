"""Results as a workbook; the inputs are repeated in sheets that `read_case` reads again."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from oretally.io.definition import Price
from oretally.io.files import number_format, put, widen
from oretally.io.results.finding_sheets import finding_sheets
from oretally.io.results.input_sheets import input_sheets
from oretally.io.results.size_sheets import size_sheets
from oretally.io.wording import (
    CLOSING,
    NOT_A_BALANCE,
    SD_LEGEND,
    Simulated,
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
    verdict,
    worth_sheet,
)
from oretally.recon.result import Balance, WhatIf

if TYPE_CHECKING:
    from openpyxl import Workbook

__all__ = ["xlsx_bytes"]

# a cell is a value, or (value, sd): the number is then shown with the digits its sd leaves
_Cell = object
_Row = Sequence[_Cell]


def xlsx_bytes(
    balance: Balance, prices: Sequence[Price] = (), otherwise: WhatIf | None = None, *,
    simulated: Simulated | None = None,
) -> bytes:  # fmt: skip
    """Return the workbook: results first, then the inputs."""
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    sheets = [*_results(balance, prices, otherwise, simulated), *input_sheets(balance)]
    if prices:
        sheets.append(price_sheet(prices))
    for title, header, rows in sheets:
        _sheet(book, title, header, rows)
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def _sheet(book: Workbook, title: str, header: Sequence[str], rows: Iterable[_Row]) -> None:
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
    balance: Balance, prices: Sequence[Price], otherwise: WhatIf | None,
    simulated: Simulated | None,
) -> Iterable[tuple[str, Sequence[str], Iterable[_Row]]]:  # fmt: skip
    if not balance.converged:
        yield from _unbalanced(balance, otherwise)
        return
    test = balance.global_test
    wrong = {e[1:]: p for e, p in balance.gross_errors.probabilities if e.kind == "measurement"}
    facts: list[_Row] = [
        ("title", balance.survey.title),
        *counts(balance),
        ("agreement", verdict(balance)),
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
    yield "summary", ("", ""), facts
    yield (
        "values",
        ("stream", "quantity", "unit", "measured", "sd", "adjusted", "adjusted sd", "adjustment",
         "standardised", "class", "redundancy", "detectable error", "probability wrong",
         "at bound", "error from", "note"),
        [
            (v.stream, v.quantity, v.unit, (v.measured, v.sd), (v.sd, v.sd),
             (v.adjusted, v.adjusted_sd), (v.adjusted_sd, v.adjusted_sd),
             (v.adjustment, v.sd), (v.standardised, 0.1), v.value_class.value,
             (v.redundancy, 0.01), (v.detectable_error, v.sd),
             (wrong.get((v.stream, v.quantity)), 0.001), v.at_bound or None,
             v.error_source, v.note)
            for v in balance.values
        ],
    )  # fmt: skip
    yield (
        "recoveries",
        ("stream", "analyte", "of", "recovery [%]", "sd", "product", "at most [%]",
         "at least [%]"),
        [(r.stream, r.analyte, r.of, (r.recovery, r.sd), (r.sd, r.sd), r.product,
          r.at_most, r.at_least)
         for r in balance.recoveries],
    )  # fmt: skip
    names = [a.name for a in balance.survey.analytes]
    yield (
        "separations",
        ("stream", "of", "yield [%]", "sd", "ratio of concentration", "sd",
         *(word for name in names for word in (f"enrichment {name}", "sd"))),
        [
            (s.stream, s.of, (s.yield_percent, s.yield_sd), (s.yield_sd, s.yield_sd),
             (s.ratio_of_concentration, s.ratio_sd), (s.ratio_sd, s.ratio_sd),
             *(cell for name in names for cell in _pair(s.enrichment[name])))
            for s in balance.separations
        ],
    )  # fmt: skip
    yield _closures(balance)
    yield (
        "heads",
        ("stream", "analyte", "unit", "calculated", "sd", "assayed", "sd", "z", "adjusted", "sd"),
        [(h.stream, h.analyte, h.unit, (h.calculated, h.calculated_sd),
          (h.calculated_sd, h.calculated_sd), (h.assayed, h.assayed_sd),
          (h.assayed_sd, h.assayed_sd), (h.z, 0.1), (h.adjusted, h.adjusted_sd),
          (h.adjusted_sd, h.adjusted_sd)) for h in balance.heads],
    )  # fmt: skip
    yield (
        "formulas",
        ("stream", "analyte", "formula", "recovery [%]", "sd", "balance [%]", "sd"),
        [(f.stream, f.analyte, f.formula, (f.recovery, f.sd), (f.sd, f.sd),
          (f.reconciled, f.reconciled_sd), (f.reconciled_sd, f.reconciled_sd))
         for f in balance.formulas],
    )  # fmt: skip
    yield from amount_sheets(balance)
    if prices:
        yield worth_sheet(balance, prices)
    if otherwise is not None:
        yield otherwise_sheet(otherwise)
    if simulated is not None:
        yield simulation_sheet(simulated)
    yield from size_sheets(balance)
    yield from finding_sheets(balance)
    yield (
        "notes",
        ("note",),
        [(note,) for note in notes_of(balance, simulated=simulated is not None)],
    )


def _unbalanced(
    balance: Balance, otherwise: WhatIf | None
) -> Iterable[tuple[str, Sequence[str], Iterable[_Row]]]:
    """Yield the sheets where there is no balance: no answers."""
    yield (
        "summary",
        ("", ""),
        [
            ("title", balance.survey.title),
            ("NO BALANCE", NOT_A_BALANCE),
            *counts(balance),
            ("why", verdict(balance)),
            ("converged", False),
            ("status", balance.status),
            *(row for head, lines in unbalanced_blocks(balance) for row in ((head, ""), *lines)),
            ("", SD_LEGEND),
        ],
    )
    yield (
        "values",
        ("stream", "quantity", "unit", "measured", "sd", "error from", "note"),
        [(v.stream, v.quantity, v.unit, (v.measured, v.sd), (v.sd, v.sd), v.error_source, v.note)
         for v in balance.values if v.measured is not None],
    )  # fmt: skip
    yield _closures(balance)
    yield (
        "heads",
        ("analyte", "unit", "calculated", "sd", "assayed", "sd", "z"),
        [(h.analyte, h.unit, (h.calculated, h.calculated_sd), (h.calculated_sd, h.calculated_sd),
          (h.assayed, h.assayed_sd), (h.assayed_sd, h.assayed_sd), (h.z, 0.1))
         for h in balance.heads],
    )  # fmt: skip
    if otherwise is not None:
        yield "what if", ("",), [(sentence,) for sentence in otherwise_sentences(otherwise)]
    yield "notes", ("note",), [(note,) for note in balance.notes]


def _closures(balance: Balance) -> tuple[str, Sequence[str], Iterable[_Row]]:
    return (
        "closures",
        ("node", "quantity", "unit", "in", "out", "in - out", "sd expected", "z"),
        [(c.node, c.quantity, c.unit, (c.inflow, c.sd), (c.outflow, c.sd), (c.imbalance, c.sd),
          (c.sd, c.sd), (c.z, 0.1)) for c in balance.closures],
    )  # fmt: skip


def _pair(pair: tuple[float, float] | None) -> tuple[_Cell, _Cell]:
    return ((None, None), (None, None)) if pair is None else (pair, (pair[1], pair[1]))
