"""The sheets of a workbook that define its case: circuit, nodes, analytes, errors and others."""

from __future__ import annotations

import re
from collections.abc import Sequence

from oretally.flowsheet import Fault, Place
from oretally.flowsheet.faults import did_you_mean
from oretally.io.cells import range_fault, written_out_of_range
from oretally.io.definition.analytes import AnalyteRow
from oretally.io.definition.declared_losses import LossRow
from oretally.io.definition.definition import DefinitionRows, ReagentRow
from oretally.io.definition.dissolving_leaches import DissolvingRow
from oretally.io.definition.error_rules import ErrorRow
from oretally.io.definition.error_sources import SourceRow
from oretally.io.definition.gross_error_rates import ContainerRow, DoubtRow
from oretally.io.definition.lab_columns import LabRows, sheet_lab_rows
from oretally.io.definition.metal_prices import PriceRow
from oretally.io.definition.sources_sheet import SAMPLING_COLUMNS, SOURCE_COLUMNS, stages_of
from oretally.io.definition.streams import stream_of
from oretally.io.files import Cell, Sheets

__all__ = ["OUTSIDE", "SHEET_COLUMNS", "read_circuit_sheets", "read_lab_sheet"]

OUTSIDE = {"", "outside", "-"}
"""Ends of a stream that are no node."""
SHEET_COLUMNS = {
    "circuit": ("stream", "from", "to", "carries", "like", "time"),
    "nodes": ("node", "kind", "dissolves"),
    "analytes": ("analyte", "unit", "max", "detection", "dissolved"),
    "errors": ("stream", "quantity", "relative", "absolute", "coverage"),
    "sources": (*SOURCE_COLUMNS, *SAMPLING_COLUMNS),
    "losses": ("node", "mass", "rate", "like"),
    "containers": ("container", "mass"),
    "doubts": ("quantity", "percent"),
    "prices": ("analyte", "price"),
    "reagents": ("reagent", "purity", "strength", "relative"),
    "report": ("key", "value"),
    "lab columns": ("setting", "name", "value", "unit", "certified", "certified sd"),
}
"""Sheets that define a case, and what stands in them."""
_NEEDED = {
    "circuit": ("stream",), "nodes": ("node", "kind"), "analytes": ("analyte",),
    "errors": ("quantity",), "sources": ("source", "quantity"), "losses": ("node",),
    "containers": ("container",), "doubts": ("quantity",), "prices": ("analyte",),
    "reagents": ("reagent",),
    "report": ("key",), "lab columns": ("setting",),
}  # fmt: skip
_TIME = re.compile(r"time\s*(?:\[\s*([^\]]+?)\s*\]|\(\s*([^)]+?)\s*\))", re.IGNORECASE)
_KEYS = ("title", "basis", "water", "feed", "product", "lost")


def read_circuit_sheets(sheets: Sheets, name: str) -> DefinitionRows:
    """Read the definition of a case from the sheets of a workbook.

    Columns as in `SHEET_COLUMNS`. The sheet report has the keys title, basis, water and, once for
    each, feed, product and lost. For 'lab columns' see `sheet_lab_rows`.
    """
    rows = DefinitionRows(places={"": Place(file=name)})
    if "circuit" in sheets:
        unit = next(filter(None, map(_unit_of_times, sheets["circuit"].header)), "")
        for found in _rows(rows, sheets, "circuit"):
            ends = [None if found[k].text.casefold() in OUTSIDE else found[k].text
                    for k in ("from", "to")]  # fmt: skip
            place = found["stream"].place
            before = len(rows.faults)
            rows.streams.append(
                stream_of(found["stream"].text, (ends[0], ends[1]), found["carries"].text,
                          found["like"].text, place, rows.faults,
                          time=_content(found["time"]), unit=unit)
            )  # fmt: skip
            rows.contents_read &= len(rows.faults) == before
    else:
        rows.streams_read = False
        rows.faults.append(
            Fault("There is no sheet 'circuit'.",
                  "Add it, with the columns stream, from, to: one row a stream.", rows.place(""))
        )  # fmt: skip
    for found in _rows(rows, sheets, "nodes"):
        kind, cell = found["kind"].text.casefold(), found["node"]
        rows.kinds.append((cell.text, kind, cell.place))
        if not found["dissolves"].blank:
            rows.dissolving.append(DissolvingRow(cell.text, found["dissolves"].text, cell.place))
    for found in _rows(rows, sheets, "analytes"):
        rows.analytes.append(
            AnalyteRow(found["analyte"].text, found["unit"].text, _content(found["max"]),
                       _content(found["detection"]), found["analyte"].place,
                       found["dissolved"].text)
        )  # fmt: skip
    for found in _rows(rows, sheets, "errors"):
        rows.errors.append(
            ErrorRow(found["stream"].text, found["quantity"].text, _content(found["relative"]),
                     _content(found["absolute"]), _content(found["coverage"]),
                     found["quantity"].place)
        )  # fmt: skip
    for found in _rows(rows, sheets, "sources"):
        size = ErrorRow(found["stream"].text, found["quantity"].text, _content(found["relative"]),
                        _content(found["absolute"]), _content(found["coverage"]),
                        found["source"].place)  # fmt: skip
        rows.sources.append(
            SourceRow(found["source"].text, size, _content(found["shared"]),
                      _content(found["dof"]), _sampling(found))
        )  # fmt: skip
    for found in _rows(rows, sheets, "losses"):
        flow = found["rate" if found["mass"].blank else "mass"]
        place = found["node"].place
        rows.losses.append(LossRow(found["node"].text, _content(flow), found["like"].text, place))
    for found in _rows(rows, sheets, "containers"):
        cell = found["container"]
        rows.containers.append(ContainerRow(cell.text, _content(found["mass"]), cell.place))
    for found in _rows(rows, sheets, "doubts"):
        cell = found["quantity"]
        rows.doubts.append(DoubtRow(cell.text, _content(found["percent"]), cell.place))
    for found in _rows(rows, sheets, "prices"):
        cell = found["analyte"]
        rows.prices.append(PriceRow(cell.text, _content(found["price"]), cell.place))
    for found in _rows(rows, sheets, "reagents"):
        cell = found["reagent"]
        purity, strength, relative = (
            None if found[k].blank else _content(found[k])
            for k in ("purity", "strength", "relative")
        )
        rows.reagents.append(ReagentRow(cell.text, purity, strength, relative, cell.place))
    for found in _rows(rows, sheets, "report"):
        _setting(rows, found["key"], found["value"])
    rows.stocks = sheets.get("stocks")
    rows.lab = read_lab_sheet(sheets, rows.faults)
    return rows


def read_lab_sheet(sheets: Sheets, faults: list[Fault]) -> LabRows | None:
    """Return what the sheet 'lab columns' says; None if there is none."""
    if "lab columns" not in sheets:
        return None
    rows = DefinitionRows()
    found = _rows(rows, sheets, "lab columns")
    faults.extend(rows.faults)
    contents = [{key: cell.text for key, cell in row.items()} for row in found]
    return sheet_lab_rows(contents, [row["setting"].place for row in found])


def _sampling(found: dict[str, Cell]) -> dict[str, object] | None:
    """Return how the sample was taken; None if no such cell is filled."""
    given = {key: _content(found[key]) for key in SAMPLING_COLUMNS if not found[key].blank}
    if "stages" in given:
        given["stages"] = stages_of(found["stages"].text)
    return given or None


def _unit_of_times(cell: Cell) -> str:
    """Return the unit that a header such as 'time [min]' names; empty if it is not one."""
    found = _TIME.fullmatch(cell.text.strip())
    return found[1] or found[2] if found else ""


def _content(cell: Cell) -> object:
    return cell.value if isinstance(cell.value, int | float) else cell.text


def _setting(rows: DefinitionRows, key: Cell, value: Cell) -> None:
    """Take one row of the sheet 'report'."""
    word = key.text.casefold()
    word = "product" if word == "products" else word
    if word == "title":
        rows.title = value.text
    elif word == "basis":
        rows.basis, rows.places["basis"] = value.text, value.place
    elif word == "water":
        rows.water = (value.text, value.place)
    elif word == "feed":
        rows.feeds.append((value.text, value.place))
    elif word == "product":
        rows.products.append((value.text, value.place))
    elif word == "lost":
        rows.lost.append((value.text, value.place))
    else:
        mend = did_you_mean(key.text, _KEYS)
        rows.faults.append(Fault(f"'{key.text}' is not known here.", mend, key.place))


def _rows(rows: DefinitionRows, sheets: Sheets, title: str) -> list[dict[str, Cell]]:
    """Return the rows of a sheet as {column: cell}; absent columns, and sheets, are blank."""
    if title not in sheets:
        return []
    table, known, needed = sheets[title], SHEET_COLUMNS[title], _NEEDED[title]
    position: dict[str, int] = {}
    for j, cell in enumerate(table.header):
        word = "time" if "time" in known and _unit_of_times(cell) else cell.text.casefold()
        if cell.blank:
            continue
        if word not in known:
            mend = did_you_mean(cell.text, known, "Columns")
            if word == "detection":
                mend = "State limits of detection in the sheet analytes, column detection."
            rows.faults.append(Fault(f"'{cell.text}' is not a column here.", mend, cell.place))
        elif word in position:
            rows.faults.append(
                Fault(f"The column '{cell.text}' is there twice.", "Take one out.", cell.place)
            )
        else:
            position[word] = j
    missing = [column for column in needed if column not in position]
    if missing:
        rows.faults.append(
            Fault(f"The column {', '.join(map(repr, missing))} is missing.",
                  f"Columns: {', '.join(known)}.", table.place)
        )  # fmt: skip
        if title == "circuit":
            rows.streams_read = False
        return []
    blank = Cell(None, table.place)
    found = []
    for line in table.rows:
        row = {k: line[position[k]] if k in position else blank for k in known}
        spoilt = [cell for cell in row.values() if cell.problem]
        if spoilt:
            rows.faults.extend(
                Fault(cell.problem, "Write what it shows itself.", cell.place) for cell in spoilt
            )
            continue
        extreme = [(key, cell) for key, cell in row.items() if written_out_of_range(cell.value)]
        if extreme:
            rows.faults.extend(range_fault(f"'{k}'", c.value, c.place) for k, c in extreme)
            continue
        for column in needed:
            if row[column].blank:
                at = line[position[column]].place
                rows.faults.append(
                    Fault(f"The column '{column}' is blank in this row.",
                          "Fill it in, or clear the row.", at if at.cell else _of_row(line))
                )  # fmt: skip
                break
        else:
            found.append(row)
    return found


def _of_row(line: Sequence[Cell]) -> Place:
    return next((cell.place for cell in line if not cell.blank), Place())
