"""Tables and JSON of amounts: extractions at leaches, inventories of stockpiles."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from oretally.io.digits import DASH, format_with_sd
from oretally.io.result_tables import ResultTable
from oretally.recon import Balance
from oretally.recon.amount_rows import Inventory

__all__ = ["amount_tables", "amounts_document", "extraction_table", "inventory_table"]


def amount_tables(balance: Balance) -> list[ResultTable]:
    """Return the tables that have rows."""
    tables = (extraction_table(balance), inventory_table(balance))
    return [table for table in tables if table.rows]


def extraction_table(balance: Balance) -> ResultTable:
    """Return the extractions at each leach, three ways, and the accountability."""
    rows = []
    for e in balance.extractions:
        numbers = [
            (e.by_solids, e.by_solids_sd), (e.by_solution, e.by_solution_sd),
            (e.reconciled, e.reconciled_sd), (e.accountability, e.accountability_sd),
        ]  # fmt: skip
        note = "masses in and out taken as equal" if e.masses_equal else ""
        rows.append(
            [e.node, e.analyte, *(t for pair in numbers for t in format_with_sd(*pair)), note]
        )
    header = ["leach", "analyte", "by solids", "±", "by solution", "±", "balance", "±",
              "accounted for", "±", ""]  # fmt: skip
    last = 1
    if not any(row[-1] for row in rows):
        header, rows, last = header[:-1], [row[:-1] for row in rows], 0
    return ResultTable("Extraction, as measured and by the balance [%]", header, rows, 2, last)


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
        rows.append(["", "", _gap_word(pile), *gap, DASH, DASH, _judged(pile)])
    header = ["stockpile", "quantity", "", "measured", "±", "adjusted", "±", ""]
    return ResultTable("Stock: opening + in - out = closing", header, rows, 3, 1)


def _gap_word(pile: Inventory) -> str:
    gap = pile.unaccounted
    if gap is None:
        return "unaccounted"
    return "unaccounted loss" if gap > 0.0 else "unaccounted gain"


def _judged(pile: Inventory) -> str:
    """Return whether the measurements explain what is unaccounted for."""
    if pile.explained is None or pile.z is None:
        return ""
    if pile.explained:
        return f"within what the measurements explain (z {pile.z:+.1f})"
    return f"more than the measurements explain (z {pile.z:+.1f})"


def amounts_document(balance: Balance) -> dict[str, Any]:
    """Return both as plain dicts and lists."""
    return {
        "extractions": [asdict(e) for e in balance.extractions],
        "inventories": [{**asdict(pile), "lines": [asdict(x) for x in pile.lines]}
                        for pile in balance.inventories],
    }  # fmt: skip
