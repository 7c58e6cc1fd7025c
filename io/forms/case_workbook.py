"""A case as a workbook to fill in: its sheets, what may be typed into them, and how to."""

from __future__ import annotations

import csv
import io
import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from oretally.flowsheet import Basis, Dimension, NodeKind, Place
from oretally.flowsheet.units import offered_units
from oretally.io.definition import SHEET_COLUMNS, ErrorRow, SourceRow, sources_sheet
from oretally.io.files import book_bytes, put, widen
from oretally.io.forms.definition_sheets import lab_columns_rows

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

__all__ = ["READ_ME", "as_typed", "case_workbook"]

READ_ME = "read me"
"""Title of the sheet of instructions, which no reader looks at."""
_LAST = 1_000  # row down to which entries are checked as they are typed
_NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d{1,3})?")
_TABLES = ("measurements", "lab", "sizes", "stocks", "kinetics")
_RULE = ("relative", "absolute", "coverage")
_HOW = {
    "circuit": "One row a stream: where it comes from and where it goes. A blank end is the "
    "outside.",
    "nodes": "Only nodes that are not plain separators: a splitter or a mixer. May stay blank.",
    "analytes": "What is assayed and its unit. max: grade of the pure mineral. detection: limit "
    "of the assay with its unit, as in 0.01 %. Both may stay blank.",
    "losses": "What leaves unseen and is declared: how much at most, and which stream it is like.",
    "errors": "One standard deviation, where a row of the measurements states none. relative: in "
    "percent of the value. absolute: with its unit, as in 2 g. A stream only where the rule is "
    "its own.",
    "sources": "What adds to the errors: a scale, sampling. shared: yes if one and the same error "
    "moves all its measurements. May stay blank.",
    "report": "basis: batch for the masses of one test, rate for t/h and the like. feed: the "
    "stream that recoveries refer to, one row each where several count together. product: one row "
    "each; lost: one row for each product that counts as lost, else all but the richest do.",
    "containers": "Buckets and trays in use and their empty mass, as in 1.35 kg. May stay blank.",
    "doubts": "How often a quantity is badly wrong, in percent, or all that an error source has a "
    "part in. May stay blank.",
    "prices": "Your own, all in one currency, as in 24 EUR/kg.",
    "lab columns": "Labels of the samples: sample, the label, the stream. A laboratory's own "
    "headers may be named here too.",
    "measurements": "One row a stream, one column a quantity, its unit in square brackets; beside "
    "it its error. What was not measured stays blank. Several rows of one stream are replicates.",
    "lab": "The laboratory's batch, one row an assay; one that stays blank is not read. Certified "
    "values of a standard stand in its rows.",
    "sizes": "One row a size class: openings in the unit of the header, the mass on the sieve. The "
    "pan has a blank 'retained'.",
    "stocks": "What lay on a pile when the month began and when it ended.",
    "kinetics": "One row a time of a leach: what was drawn off, assayed and added then.",
    "reagents": "Purity of what was added, strength of its stock solution. May stay blank.",
}


@dataclass(frozen=True, slots=True)
class _Check:
    """What may be typed into a column: a list, or a formula of its first cell; and a hint."""

    hint: str
    allowed: Sequence[str] = ()
    formula: str = ""
    strict: bool = True


_CHECKS: dict[tuple[str, str], _Check] = {
    ("nodes", "kind"): _Check("What the node does.", [kind.value for kind in NodeKind]),
    ("analytes", "unit"): _Check("Others are read too, if they have one meaning.",
                                 offered_units(Dimension.GRADE), strict=False),
    ("errors", "relative"): _Check("In percent of the value: a number of at least 0.",
                                   formula="AND(ISNUMBER({0}),{0}>=0)"),
    ("errors", "absolute"): _Check("With its unit, as in 2 g.", formula="ISTEXT({0})"),
    ("sources", "relative"): _Check("In percent of the value: a number of at least 0.",
                                    formula="AND(ISNUMBER({0}),{0}>=0)"),
    ("sources", "absolute"): _Check("With its unit, as in 2 g.", formula="ISTEXT({0})"),
    ("sources", "shared"): _Check("yes: the same error in all its measurements.", ("yes", "no")),
    ("report", "key"): _Check("One row each; product once for each product, lost likewise.",
                              ("title", "basis", "water", "feed", "product", "lost")),
    ("containers", "mass"): _Check("With its unit, as in 1.35 kg.", formula="ISTEXT({0})"),
    ("doubts", "percent"): _Check("A number above 0 and below 50.",
                                  formula="AND(ISNUMBER({0}),{0}>0,{0}<50)"),
}  # fmt: skip
_AMOUNT = _Check(
    "A number of at least 0; <0.01 below detection; blank if not measured.",
    formula="OR(ISTEXT({0}),{0}>=0)",
)


def case_workbook(
    circuit: str, measurements: str, lab: str = "", sizes: str = "", stocks: str = "",
    kinetics: str = "", *, example: str | None = None,
) -> bytes:  # fmt: skip
    """Return a case as a workbook.

    Parameters
    ----------
    circuit, measurements, lab, sizes, stocks, kinetics : str
        Texts of circuit.toml, measurements.csv, lab.csv, sizes.csv, stocks.csv and kinetics.csv
        (empty if there is none).
    example : str, optional
        Name of the example that it is a copy of; else its circuit is marked as one to write over.
    """
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    sheets = _definition(tomllib.loads(circuit))
    for title, text in zip(_TABLES, (measurements, lab, sizes, stocks, kinetics), strict=True):
        if text:
            sheets[title] = list(csv.reader(io.StringIO(text)))
    _read_me(book, example, list(sheets))
    for title, lines in sheets.items():
        sheet = book.create_sheet(title)
        numbers = [title in _TABLES and _holds_numbers(str(word)) for word in lines[0]]
        for i, line in enumerate(lines, start=1):
            for j, value in enumerate(line, start=1):
                typed = as_typed(value) if i > 1 and numbers[j - 1] else value
                put(sheet, i, j, typed, header=i == 1)
        widen(sheet)
        _check(sheet, lines)
        if title in ("circuit", "measurements") and example is None:
            _mark(sheet)
    return book_bytes(book)


def _definition(document: Mapping[str, Any]) -> dict[str, list[Sequence[object]]]:
    """Return the sheets that define a case, each with its header; only that where nothing is."""
    streams, report = document["streams"], document.get("report", {})
    rules = [["", q, *_rule(rule)] for q, rule in document.get("errors", {}).items()]
    for name, entry in streams.items():
        rules += [[name, q, *_rule(rule)] for q, rule in entry.get("errors", {}).items()]
    analytes = {
        name: entry if isinstance(entry, dict) else {"unit": entry}
        for name, entry in document.get("analytes", {}).items()
    }
    losses, flow = document.get("losses", {}), _flow_key(document)
    prices, reagents = document.get("prices", {}), document.get("reagents", {})
    lab = document.get("lab", {})
    return {
        "circuit": _only_used(("stream", "from", "to"), ("carries", "like", "time"), streams),
        "nodes": [("node", "kind"),
                  *((n, e["kind"]) for n, e in document.get("nodes", {}).items())],
        "analytes": _only_used(("analyte", "unit", "max", "detection"), ("dissolved",), analytes),
        **({"losses": _only_used(("node", flow, "like"), (), losses)} if losses else {}),
        "errors": [("stream", "quantity", *_RULE), *rules],
        "sources": [*sources_sheet([row for n, e in document.get("sources", {}).items()
                                    for row in _source_rows(n, e)])],
        "report": [("key", "value"),
                   *((key, document.get(key, "")) for key in ("title", "basis")),
                   *((key, "yes") for key in ("water",) if document.get(key)),
                   *((word, name) for word, key in
                     (("feed", "feed"), ("product", "products"), ("lost", "lost"))
                     for name in _listed(report.get(key, [])))],
        "containers": [("container", "mass"), *document.get("containers", {}).items()],
        "doubts": [("quantity", "percent"), *document.get("doubts", {}).items()],
        **({"prices": [("analyte", "price"), *prices.items()]} if prices else {}),
        **({"lab columns": [SHEET_COLUMNS["lab columns"], *lab_columns_rows(lab)]} if lab else {}),
        **({"reagents": _only_used(("reagent", "purity", "strength", "relative"), (), reagents)}
           if reagents else {}),
    }  # fmt: skip


def _flow_key(document: Mapping[str, Any]) -> str:
    """Return what the flow of a declared loss is called."""
    return "rate" if document.get("basis") == Basis.RATE else "mass"


def _only_used(
    columns: Sequence[str], more: Sequence[str], entries: Mapping[str, Mapping[str, Any]]
) -> list[Sequence[object]]:
    """Return a header and a row an entry; of the columns ``more`` only those that one fills."""
    header = (*columns, *(key for key in more if any(key in e for e in entries.values())))
    return [header, *((n, *(e.get(key, "") for key in header[1:])) for n, e in entries.items())]


def _listed(names: str | list[str]) -> list[str]:
    return [names] if isinstance(names, str) else names


def _rule(rule: object) -> list[object]:
    if isinstance(rule, dict):
        return [rule.get(key, "") for key in _RULE]
    return ["", rule, ""]  # "from lab"


def _source_rows(name: str, source: Mapping[str, Any]) -> list[SourceRow]:
    """Return one row for each quantity and stream that a source of error names."""
    of, streams = _listed(source["of"]), _listed(source.get("streams", ""))
    relative, absolute, coverage = (source.get(key) for key in _RULE)
    return [
        SourceRow(name, ErrorRow(stream, quantity, relative, absolute, coverage, Place()),
                  source.get("shared"), source.get("dof"), source.get("sampling"))
        for quantity in of for stream in streams
    ]  # fmt: skip


def _holds_numbers(header: str) -> bool:
    return "[" in header or header in ("value", "error", "certified", "certified sd", "pH")


def as_typed(value: object) -> object:
    """Return text that is a number as that number."""
    return float(value) if isinstance(value, str) and _NUMBER.fullmatch(value.strip()) else value


def _read_me(book: Workbook, example: str | None, titles: Sequence[str]) -> None:
    """Write the sheet of instructions."""
    from openpyxl.styles import Alignment

    sheet = book.create_sheet(READ_ME)
    first = (
        f"A copy of the example '{example}'. Its numbers are invented."
        if example
        else "A case to fill in. The streams in grey are an example: write your own over them."
    )
    how = ((title, _HOW[title]) for title in titles)
    lines = [("", first), *how, ("", "This sheet is not read.")]
    for i, (title, text) in enumerate(lines, start=1):
        put(sheet, i, 1, title, header=True)
        put(sheet, i, 2, text, header=i == 1)
        cell: Any = sheet.cell(i, 2)
        cell.alignment = Alignment(wrap_text=True, vertical="top")
    sheet.column_dimensions["A"].width = 16
    sheet.column_dimensions["B"].width = 90


def _mark(sheet: Worksheet) -> None:
    """Show the names of the example in grey and in italics."""
    from openpyxl.styles import Font

    for row in sheet.iter_rows(min_row=2):
        for cell in row:
            if cell.value is not None:
                cell.font = Font(italic=True, color="808080")


def _check(sheet: Worksheet, lines: Sequence[Sequence[object]]) -> None:
    """Let the program check entries as they are typed."""
    for j, word in enumerate(map(str, lines[0]), start=1):
        amount = sheet.title == "measurements" and "[" in word
        check = _AMOUNT if amount else _CHECKS.get((sheet.title, word))
        if check is not None:
            _validate(sheet, check, j, 2, _LAST)
    for i, line in enumerate(lines[1:], start=2):
        if sheet.title == "report" and line[0] == "basis":
            basis = _Check("batch: masses of one test; rate: t/h and the like.",
                           [b.value for b in Basis])  # fmt: skip
            _validate(sheet, basis, 2, i, i)


def _validate(sheet: Worksheet, check: _Check, column: int, first: int, last: int) -> None:
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    letter = get_column_letter(column)
    formula = check.formula.format(f"{letter}{first}") or f'"{",".join(check.allowed)}"'
    rule = DataValidation(
        "custom" if check.formula else "list", formula1=formula, allow_blank=True,
        showInputMessage=True, prompt=check.hint, showErrorMessage=True, error=check.hint,
        errorStyle="stop" if check.strict else "warning",
    )  # fmt: skip
    rule.add(f"{letter}{first}:{letter}{last}")
    sheet.add_data_validation(rule)
