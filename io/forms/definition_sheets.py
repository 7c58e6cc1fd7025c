"""The sheets that define a case, written from its definition; `from_sheets` reads them back."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from oretally.flowsheet import Basis, Fault, InputError
from oretally.flowsheet.circuit import Content
from oretally.io.case import UnmeasuredCase
from oretally.io.definition import OUTSIDE, SHEET_COLUMNS, sources_sheet
from oretally.io.measurements import error_titles

__all__ = ["definition_sheets", "lab_columns_rows"]

SheetLine = tuple[object, ...]


def definition_sheets(plan: UnmeasuredCase) -> dict[str, list[SheetLine]]:
    """Return the sheets by title, each with its header; what a case has not is its header alone.

    Everything stands as it was written: what is read back is the same definition, to the last
    digit.

    Raises
    ------
    InputError
        If a node has a name that stands for the outside in a sheet.
    """
    rows, d = plan.rows, plan.definition
    _refuse_names(plan)
    report: list[SheetLine] = [("title", plan.title), ("basis", d.basis.value)]
    report += [("water", "yes")] if d.water.balanced else []
    report += [("feed", name) for name in d.feeds]
    report += [("product", p) for p in d.products]
    report += [("lost", name) for name in d.lost]
    analytes: list[SheetLine] = [(a.name, a.unit, a.maximum, a.detection, a.dissolved)
                            for a in rows.analytes]  # fmt: skip
    analytes = analytes or [(a.name, a.unit.symbol) for a in plan.analytes]
    lab: list[SheetLine] = [] if rows.lab is None else list(lab_columns_rows(rows.lab.entry))

    def sheet(title: str, lines: Iterable[SheetLine]) -> dict[str, list[SheetLine]]:
        return {title: [SHEET_COLUMNS[title], *lines]}

    streams = ((s.name, s.source or "", s.target or "",
                "" if s.content is Content.PULP else s.carries, s.like or "",
                "" if s.time is None else str(s.time))
               for s in rows.streams)  # fmt: skip
    errors = ((e.stream, e.quantity, e.relative, e.absolute, e.coverage) for e in rows.errors)
    return {
        **sheet("circuit", streams),
        "nodes": _nodes(plan),
        **sheet("analytes", analytes),
        **sheet("errors", errors),
        "sources": sources_sheet(rows.sources),
        "losses": [("node", "mass" if d.basis is Basis.BATCH else "rate", "like"),
                   *((x.node, x.flow, x.like) for x in rows.losses)],
        "stocks": _stocks(plan),
        **sheet("containers", ((c.name, c.mass) for c in rows.containers)),
        **sheet("doubts", ((x.name, x.percent) for x in rows.doubts)),
        **sheet("prices", ((x.analyte, x.price) for x in rows.prices)),
        **sheet("reagents", ((x.name, x.purity, x.strength, x.relative) for x in rows.reagents)),
        **sheet("report", report),
        **sheet("lab columns", lab),
    }  # fmt: skip


def _refuse_names(plan: UnmeasuredCase) -> None:
    """Refuse nodes that a sheet would take for the outside."""
    wrong = [
        Fault(f"A node is called '{end}', which stands for the outside in a sheet.",
              "Give it another name.", s.place)
        for s in plan.rows.streams for end in (s.source, s.target)
        if end is not None and end.casefold() in OUTSIDE
    ]  # fmt: skip
    if wrong:
        raise InputError(wrong)


def _nodes(plan: UnmeasuredCase) -> list[SheetLine]:
    """Return the sheet of nodes, with what dissolves at them if that is said of any."""
    told = {row.node: {"True": "yes", "False": "no"}.get(str(row.amount), str(row.amount))
            for row in plan.rows.dissolving}  # fmt: skip
    heads = SHEET_COLUMNS["nodes"] if told else ("node", "kind")
    return [heads, *((name, kind, told.get(name, ""))[: len(heads)]
                     for name, kind, _ in plan.rows.kinds)]  # fmt: skip


def _stocks(plan: UnmeasuredCase) -> list[SheetLine]:
    """Return the sheet of stocks to survey: a header alone where there is no stockpile."""
    values = ("dry mass [t]", *(f"{a.name} [{a.unit}]" for a in plan.analytes))
    names = [a.name for a in plan.analytes]
    stocks = plan.rows.stocks
    errors = {} if stocks is None else error_titles(stocks, plan.definition.basis, names)
    known = {value.rpartition(" [")[0] for value in values}
    header = ("node", "when", *values, *(t for name, t in errors.items() if name in known))
    piles = [s.target for s in plan.sampled if s.stock and s.target is not None]
    return [header, *((pile, when) for pile in piles for when in ("opening", "closing"))]


def lab_columns_rows(entry: object) -> Iterator[SheetLine]:
    """Return the rows that say how a laboratory names its columns; see `sheet_lab_rows`."""
    if not isinstance(entry, Mapping):
        return
    for key in ("file", "sheet"):
        if key in entry:
            yield key, "", entry[key]
    for ours, theirs in entry.get("columns", {}).items():
        yield "column", ours, theirs
    for theirs, ours in entry.get("types", {}).items():
        yield "type", theirs, ours
    for label, stream in entry.get("samples", {}).items():
        yield "sample", label, stream
    for name, own in entry.get("analytes", {}).items():
        how = "analyte" if "column" in own else "called"
        title = own.get("column" if how == "analyte" else "called", "")
        yield how, name, title, own.get("unit"), own.get("certified"), own.get("certified sd")
    for standard, certified in entry.get("standards", {}).items():
        for name, own in certified.items():  # figures bring their units with them
            yield "standard", standard, name, "", own.get("certified"), own.get("certified sd")
