"""Tables of amounts: what streams hold, extraction and solids at leaches, inventories of stocks."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from oretally.flowsheet import Unit
from oretally.flowsheet.digits import format_with_sd
from oretally.flowsheet.survey import amount_unit
from oretally.io.files import SheetTable, with_sd
from oretally.io.wording.tables import ResultTable
from oretally.recon.result import Balance, Inventory

__all__ = ["amount_sheet", "amount_tables", "amount_units", "dissolution_table",
           "extraction_table", "inventory_table", "leach_and_stock_sheets"]  # fmt: skip

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


def amount_units(balance: Balance) -> dict[str, Unit]:
    """Return the unit of amounts of each analyte: one in which the largest is at least 1."""
    largest = {a.name: 0.0 for a in balance.survey.analytes}
    for m in balance.amounts:
        largest[m.analyte] = max(largest[m.analyte], m.amount)
    return {name: amount_unit(balance.survey, name, most) for name, most in largest.items()}


def amount_sheet(balance: Balance) -> SheetTable:
    """Return heading, header and rows of what feed and products hold of each analyte."""
    units, grades = amount_units(balance), {a.name: a.unit for a in balance.survey.analytes}
    header = ("stream", "analyte", "amount", "sd", "unit", f"per dry mass of '{balance.feed}'",
              "sd", "unit", "product")  # fmt: skip
    rows = [
        (a.stream, a.analyte, *with_sd(*map(units[a.analyte].from_base, (a.amount, a.sd))),
         units[a.analyte].symbol,
         *with_sd(*(None if x is None else grades[a.analyte].from_base(x)
                    for x in (a.per_feed, a.per_feed_sd))),
         grades[a.analyte].symbol, a.product)
        for a in balance.amounts
    ]  # fmt: skip
    return "What feed and products hold", header, rows


def leach_and_stock_sheets(balance: Balance) -> Iterable[SheetTable]:
    """Yield heading, header and rows of extractions, dissolved solids and inventories."""
    header: Sequence[str]
    header = ("leach", "analyte", "by solids [%]", "sd", "by solution [%]", "sd",
              "balance [%]", "sd", "accounted for [%]", "sd", "taken up [%]", "sd",
              "note")  # fmt: skip
    yield "Extraction, as measured and by the balance", header, [
        (e.node, e.analyte, *with_sd(e.by_solids, e.by_solids_sd),
         *with_sd(e.by_solution, e.by_solution_sd), *with_sd(e.reconciled, e.reconciled_sd),
         *with_sd(e.accountability, e.accountability_sd), *with_sd(e.taken_up, e.taken_up_sd),
         "masses in and out taken as equal" if e.masses_equal else "")
        for e in balance.extractions
    ]  # fmt: skip
    header = ("leach", "unit", "solids fed", "sd", "dissolved", "sd", "of the fed [%]", "sd")
    yield "Solids that dissolve", header, [
        (d.node, d.unit, *with_sd(d.fed, d.fed_sd), *with_sd(d.dissolved, d.dissolved_sd),
         *with_sd(d.percent, d.percent_sd))
        for d in balance.dissolutions
    ]  # fmt: skip
    header = ("stockpile", "quantity", "unit", "item", "measured", "sd", "adjusted", "sd",
              "z", "explained by the stated errors")  # fmt: skip
    rows = [row for p in balance.inventories for row in _pile_rows(p)]
    yield "Stock: opening + in - out = closing", header, rows


def _pile_rows(pile: Inventory) -> Iterable[_Row]:
    """Yield what a stockpile held, got and gave, and what is unaccounted for."""
    of = (pile.node, pile.quantity, pile.unit)
    for line in pile.lines:
        word = "change in stock" if line.item == "change" else line.item
        yield (*of, word, *with_sd(line.measured, line.measured_sd),
               *with_sd(line.adjusted, line.adjusted_sd))  # fmt: skip
    yield (*of, "opening + in - out - closing", *with_sd(pile.unaccounted, pile.unaccounted_sd),
           None, None, (pile.z, 0.1), pile.explained)  # fmt: skip
