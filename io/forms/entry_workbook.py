"""A workbook to type a test into: cells checked as they are typed, masses computed from weighings.

The sheet 'weighing' takes container by container, each in its own unit; 'measurements' has the net
masses as formulas that cannot be overwritten by accident; 'lab' has a row for each standard, blank
and duplicate. `read_case` reads it back, and `read_lab` the sheet 'lab'.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from oretally.flowsheet import Analyte, Basis
from oretally.flowsheet.circuit import Content
from oretally.flowsheet.survey import in_solution
from oretally.io.case import UnmeasuredCase
from oretally.io.definition import COLUMNS, lab_layout
from oretally.io.files import put, sealed, storable, widen
from oretally.io.forms.case_workbook import as_typed
from oretally.io.forms.definition_sheets import definition_sheets
from oretally.io.forms.samples import UNITS_IN_KG, assay_list, weighed_in
from oretally.io.measurements import EMPTY_MASS, WEIGHED_IN, WEIGHING, WITH_CONTENT

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

__all__ = ["entry_workbook"]

_WEIGHING = (
    "stream", "sample", "container", WEIGHED_IN, WITH_CONTENT, EMPTY_MASS, "net [kg]",
)  # fmt: skip
_NET = "G"
_IN_KG = 'IF({0}="g",0.001,IF({0}="kg",1,IF({0}="t",1000,NA())))'  # an unknown unit shows an error
_LAST = 2_000  # row down to which validations reach


def entry_workbook(plan: UnmeasuredCase) -> bytes:
    """Return the workbook: sheets of the case, and the weighing in a batch test."""
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    batch = plan.definition.basis is Basis.BATCH
    _measurements(book, plan, batch=batch)
    if batch:
        _weighing(book, plan)
    if not lab_layout(plan.rows.lab, []).mapped:  # else the laboratory's own headers are told
        _lab(book, plan)
    sheets: dict[str, Sequence[Sequence[object]]] = {**definition_sheets(plan)}
    if plan.kinetics:
        header, *times = plan.kinetics
        sheets = {"kinetics": [header, *(list(map(as_typed, row)) for row in times)], **sheets}
    for title, rows in sheets.items():
        if len(rows) > 1:
            sheet = book.create_sheet(title)
            for i, row in enumerate(rows, start=1):
                for j, value in enumerate(row, start=1):
                    put(sheet, i, j, value, header=i == 1)
            widen(sheet)
    return sealed(book, plan.title)


def _measurements(book: Workbook, plan: UnmeasuredCase, *, batch: bool) -> None:
    """Write the sheet that is read back: one row a stream, its net mass from the weighing."""
    sheet = book.create_sheet("measurements")
    flow = "dry mass [kg]" if batch else "dry rate [t/h]"
    wet = "wet mass [kg]" if batch else "wet rate [t/h]"
    water = ["% solids [%]", "water [kg]" if batch else "water [m3/h]"]
    solutions = [f"{in_solution(a.name)} [mg/L]" for a in plan.analytes if _dissolved(plan, a)]
    if not plan.definition.water.balanced:
        water, solutions = [], []
    values = [flow, wet, "moisture [%]", *water,
              *(f"{a.name} [{a.unit.symbol}]" for a in plan.analytes), *solutions]  # fmt: skip
    names = {value.rpartition(" [")[0] for value in values}
    header = ["stream", *values, *(t for name, t in plan.errors.items() if name in names), "note"]
    for j, word in enumerate(header, start=1):
        put(sheet, 1, j, word, header=True)
    for i, stream in enumerate(plan.rows.streams, start=2):
        put(sheet, i, 1, stream.name)
        for j in range(2, len(header) + 1):
            _open(sheet, i, j)
        net = f"{WEIGHING}!{_NET}{i}"
        if batch and stream.content is Content.SOLUTION:
            _formula(sheet, i, 6, f'=IF({net}="","",{net})')
        elif batch:  # what was weighed is dry, unless a moisture or % solids is given for it
            share = f"D{i}&E{i}" if water else f"D{i}"
            _formula(sheet, i, 2, f'=IF(OR({net}="",{share}<>""),"",{net})')
            _formula(sheet, i, 3, f'=IF(OR({net}="",{share}=""),"",{net})')
    _at_most(sheet, 4, 100.0, "A moisture lies between 0 and 100 %.")
    if water:
        _at_most(sheet, 5, 100.0, "A share of solids lies between 0 and 100 %.")
        _at_least(sheet, "F")
    for j, a in enumerate(plan.analytes, start=5 + len(water)):
        most = a.unit.from_base(a.maximum)
        _at_most(sheet, j, most, f"{a.name} lies between 0 and {most:.4g} {a.unit.symbol}.")
    if not batch:
        _at_least(sheet, "B", "C")
    _guarded(sheet, plan)


def _dissolved(plan: UnmeasuredCase, analyte: Analyte) -> bool:
    """Tell whether an analyte may be in the solution: unless the case says that it is not."""
    return plan.definition.water.dissolved.get(analyte.name, True)


def _weighing(book: Workbook, plan: UnmeasuredCase) -> None:
    """Write the sheet of weighings; containers of the case are offered with their masses."""
    sheet = book.create_sheet(WEIGHING)
    for j, word in enumerate(_WEIGHING, start=1):
        put(sheet, 1, j, word, header=True)
    codes, units, known = plan.labels, weighed_in(plan), plan.definition.containers
    for i, stream in enumerate(plan.rows.streams, start=2):
        put(sheet, i, 1, stream.name)
        put(sheet, i, 2, codes[stream.name])
        put(sheet, i, 4, units[stream.name])
        for j in (3, 4, 5, 6):
            _open(sheet, i, j)
        in_kg = _IN_KG.format(f"D{i}")
        if known:
            lookup = f"VLOOKUP(C{i},containers_list,2,FALSE)"
            found = f'=IF(C{i}="","",IFERROR({lookup}/{in_kg},""))'
            _formula(sheet, i, 6, found, locked=False)
        _formula(sheet, i, 7, f'=IF(OR(E{i}="",F{i}=""),"",(E{i}-F{i})*{in_kg})')
    _at_least(sheet, "E", "F")
    _one_of(sheet, "D", f'"{",".join(UNITS_IN_KG)}"', "Weighed in g, kg or t.")
    if known:
        from openpyxl.workbook.defined_name import DefinedName

        for i, (name, mass) in enumerate(known.items(), start=2):
            put(sheet, i, 9, name)
            put(sheet, i, 10, mass)
        put(sheet, 1, 9, "containers", header=True)
        put(sheet, 1, 10, "empty [kg]", header=True)
        last = len(known) + 1
        area = f"{WEIGHING}!$I$2:$J${last}"
        book.defined_names["containers_list"] = DefinedName("containers_list", attr_text=area)
        _one_of(sheet, "C", f"$I$2:$I${last}")
    _guarded(sheet, plan)


def _lab(book: Workbook, plan: UnmeasuredCase) -> None:
    """Write the sheet of the laboratory batch; a row whose value stays blank is not read."""
    lines = assay_list(plan)
    if not lines:
        return
    sheet = book.create_sheet("lab")
    for j, word in enumerate(COLUMNS, start=1):
        put(sheet, 1, j, word, header=True)
    rows = [(a, line) for a in plan.analytes for line in lines]
    for i, (analyte, line) in enumerate(rows, start=2):
        known = {"sample": line.code, "type": line.kind, "analyte": analyte.name,
                 "unit": analyte.unit.symbol, "pair": line.pair}  # fmt: skip
        for j, word in enumerate(COLUMNS, start=1):
            put(sheet, i, j, known.get(word))
            if word not in known:
                _open(sheet, i, j)
    _guarded(sheet, plan)


def _open(sheet: Worksheet, row: int, column: int) -> None:
    """Let a cell be typed into."""
    from openpyxl.styles import Protection

    cell: Any = sheet.cell(row, column)
    cell.protection = Protection(locked=False)


def _formula(sheet: Worksheet, row: int, column: int, formula: str, *, locked: bool = True) -> None:
    """Write a formula of ours; names of streams never stand in one."""
    from openpyxl.styles import Font, Protection

    cell: Any = sheet.cell(row, column)
    cell.value = formula
    cell.font = Font(italic=True)
    cell.protection = Protection(locked=locked)


def _at_most(sheet: Worksheet, column: int, most: float, said: str) -> None:
    """Check numbers as they are typed; words and '<0.01' are let through with a question."""
    from openpyxl.utils import get_column_letter
    from openpyxl.worksheet.datavalidation import DataValidation

    letter = get_column_letter(column)
    check = DataValidation(
        "custom", formula1=f"OR(ISTEXT({letter}2),AND({letter}2>=0,{letter}2<={most!r}))",
        allow_blank=True, error=said, errorTitle="out of range",
    )  # fmt: skip
    check.add(f"{letter}2:{letter}{_LAST}")
    sheet.add_data_validation(check)


def _at_least(sheet: Worksheet, *letters: str) -> None:
    """Refuse negative numbers as they are typed."""
    from openpyxl.worksheet.datavalidation import DataValidation

    check = DataValidation("decimal", operator="greaterThanOrEqual", formula1="0", allow_blank=True,
                           error="A mass or rate is never below 0.")  # fmt: skip
    for letter in letters:
        check.add(f"{letter}2:{letter}{_LAST}")
    sheet.add_data_validation(check)


def _one_of(sheet: Worksheet, letter: str, allowed: str, said: str = "") -> None:
    """Offer a list; without a sentence of refusal, others are let through with a question."""
    from openpyxl.worksheet.datavalidation import DataValidation

    check = DataValidation("list", formula1=allowed, allow_blank=not said, error=said or None,
                           errorStyle="stop" if said else "warning")  # fmt: skip
    check.add(f"{letter}2:{letter}{_LAST}")
    sheet.add_data_validation(check)


def _guarded(sheet: Worksheet, plan: UnmeasuredCase) -> None:
    """Protect what is not open, without a password: against slips, not against people.

    Printed pages carry the name of the test.
    """
    header: Any = sheet.oddHeader
    header.center.text = storable(plan.title).replace("&", "&&")
    sheet.protection.enable()
    widen(sheet)
