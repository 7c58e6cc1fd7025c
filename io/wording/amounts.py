"""Tables and sheets of amounts: extraction and solids at leaches, inventories of stocks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from oretally.flowsheet import Basis
from oretally.flowsheet.digits import format_with_sd
from oretally.io.files import Sheet, with_sd
from oretally.io.wording.tables import ResultTable
from oretally.recon.result import Balance, Inventory

__all__ = ["amount_sheets", "amount_tables", "dissolution_table", "extraction_table",
           "inventory_table"]  # fmt: skip

_Row = Sequence[object]


def amount_tables(balance: Balance) -> list[ResultTable]:
    """Return the tables that have rows."""
    tables = (extraction_table(balance), dissolution_table(balance), inventory_table(balance))
    return [table for table in tables if table.rows]


def extraction_table(balance: Balance) -> ResultTable:
    """Return the extractions at each leach, three ways, the accountability, and what is taken up.

    The last is there if carbon, resin or a precipitate takes something out of the solution.
    """
    rows, takes = [], any(e.taken_up is not None for e in balance.extractions)
    for e in balance.extractions:
        numbers = [
            (e.by_solids, e.by_solids_sd), (e.by_solution, e.by_solution_sd),
            (e.reconciled, e.reconciled_sd), (e.accountability, e.accountability_sd),
            *([(e.taken_up, e.taken_up_sd)] * takes),
        ]  # fmt: skip
        note = "masses in and out taken as equal" if e.masses_equal else ""
        rows.append(
            [e.node, e.analyte, *(t for pair in numbers for t in format_with_sd(*pair)), note]
        )
    header = ["leach", "analyte", "by solids", "±", "by solution", "±", "balance", "±",
              "accounted for", "±", *(["taken up", "±"] * takes), ""]  # fmt: skip
    caption = "Extraction, as measured and by the balance [%]"
    return ResultTable(caption, header, rows, 2, 1).trimmed


def dissolution_table(balance: Balance) -> ResultTable:
    """Return the solids that dissolve at each leach."""
    unit = balance.survey.flow_unit.symbol
    rows = [
        [d.node, *format_with_sd(d.fed, d.fed_sd), *format_with_sd(d.dissolved, d.dissolved_sd),
         *format_with_sd(d.percent, d.percent_sd)]
        for d in balance.dissolutions
    ]  # fmt: skip
    header = ["leach", f"solids fed [{unit}]", "±", f"dissolved [{unit}]", "±", "of the fed [%]",
              "±"]  # fmt: skip
    return ResultTable("Solids that dissolve", header, rows, 1)


def inventory_table(balance: Balance) -> ResultTable:
    """Return opening, in, out and closing of each stockpile, and what is unaccounted for."""
    rows = []
    for pile in balance.inventories:
        for i, line in enumerate(pile.lines):
            rows.append([
                pile.node if i == 0 else "",
                f"{pile.quantity} [{pile.unit}]" if i == 0 else "",
                "change in stock" if line.item == "change" else line.item,
                *format_with_sd(line.measured, line.measured_sd),
                *format_with_sd(line.adjusted, line.adjusted_sd),
                "",
            ])  # fmt: skip
        gap = format_with_sd(pile.unaccounted, pile.unaccounted_sd)
        rows.append(["", "", _gap_word(pile), *gap, "", "", _judged(pile)])
    header = ["stockpile", "quantity", "", "measured", "±", "adjusted", "±", ""]
    return ResultTable("Stock: opening + in - out = closing", header, rows, 3, 1)


def _gap_word(pile: Inventory) -> str:
    gap = pile.unaccounted
    if not gap:
        return "unaccounted"
    return "unaccounted loss" if gap > 0.0 else "unaccounted gain"


def _judged(pile: Inventory) -> str:
    """Return whether the measurements explain what is unaccounted for."""
    if pile.explained is None or pile.z is None:
        return ""
    if pile.explained:
        return f"within what the measurements explain (z {pile.z:+.1f})"
    return f"more than the measurements explain (z {pile.z:+.1f})"


def amount_sheets(balance: Balance) -> Iterable[Sheet]:
    """Yield sheets of the workbook: extractions, inventories, and amounts of each analyte."""
    header: Sequence[str]
    if balance.extractions:
        header = ("leach", "analyte", "by solids [%]", "sd", "by solution [%]", "sd",
                  "balance [%]", "sd", "accounted for [%]", "sd", "taken up [%]", "sd",
                  "note")  # fmt: skip
        yield "extractions", header, [
            (e.node, e.analyte, *with_sd(e.by_solids, e.by_solids_sd),
             *with_sd(e.by_solution, e.by_solution_sd), *with_sd(e.reconciled, e.reconciled_sd),
             *with_sd(e.accountability, e.accountability_sd), *with_sd(e.taken_up, e.taken_up_sd),
             "masses in and out taken as equal" if e.masses_equal else "")
            for e in balance.extractions
        ]  # fmt: skip
    if balance.dissolutions:
        header = ("leach", "unit", "solids fed", "sd", "dissolved", "sd", "of the fed [%]", "sd")
        yield "dissolved solids", header, [
            (d.node, d.unit, *with_sd(d.fed, d.fed_sd), *with_sd(d.dissolved, d.dissolved_sd),
             *with_sd(d.percent, d.percent_sd))
            for d in balance.dissolutions
        ]  # fmt: skip
    if balance.inventories:
        header = ("stockpile", "quantity", "unit", "item", "measured", "sd", "adjusted", "sd",
                  "z", "explained by the stated errors")  # fmt: skip
        yield "inventories", header, [row for p in balance.inventories for row in _pile_rows(p)]
    if balance.amounts:
        unit = "kg" if balance.survey.basis is Basis.BATCH else "kg/h"
        grades = {a.name: a.unit for a in balance.survey.analytes}
        header = ("stream", "analyte", f"amount [{unit}]", "sd",
                  f"per dry mass of '{balance.feed}'", "sd", "unit", "product")  # fmt: skip
        yield "amounts", header, [
            (a.stream, a.analyte, *with_sd(a.amount, a.sd),
             *with_sd(*(None if x is None else grades[a.analyte].from_base(x)
                       for x in (a.per_feed, a.per_feed_sd))),
             grades[a.analyte].symbol, a.product)
            for a in balance.amounts
        ]  # fmt: skip


def _pile_rows(pile: Inventory) -> Iterable[_Row]:
    """Yield what a stockpile held, got and gave, and what is unaccounted for."""
    of = (pile.node, pile.quantity, pile.unit)
    for line in pile.lines:
        word = "change in stock" if line.item == "change" else line.item
        yield (*of, word, *with_sd(line.measured, line.measured_sd),
               *with_sd(line.adjusted, line.adjusted_sd))  # fmt: skip
    yield (*of, "opening + in - out - closing", *with_sd(pile.unaccounted, pile.unaccounted_sd),
           None, None, (pile.z, 0.1), pile.explained)  # fmt: skip
