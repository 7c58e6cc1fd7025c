"""A workbook to type a test into: cells checked as they are typed, masses computed from weighings.

The sheet 'weighing' takes container by container; 'measurements' has the net masses as formulas
that cannot be overwritten by accident. `read_case` reads it back once a spreadsheet program has
saved it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from oretally.flowsheet import Analyte, Basis
from oretally.flowsheet.circuit import Content
from oretally.flowsheet.survey import in_solution
from oretally.io.case import UnmeasuredCase
from oretally.io.files import book_bytes, put, widen
from oretally.io.forms.definition_sheets import definition_sheets
from oretally.io.forms.sampling_form import sample_codes

if TYPE_CHECKING:
    from openpyxl import Workbook
    from openpyxl.worksheet.worksheet import Worksheet

__all__ = ["entry_workbook"]

_WEIGHING = ("stream", "sample", "container", "with content [kg]", "empty [kg]", "net [kg]")
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
    for title, rows in definition_sheets(plan).items():
        if len(rows) > 1:
            sheet = book.create_sheet(title)
            for i, row in enumerate(rows, start=1):
                for j, value in enumerate(row, start=1):
                    put(sheet, i, j, value, header=i == 1)
            widen(sheet)
    return book_bytes(book)


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
        if batch and stream.content is Content.SOLUTION:
            _formula(sheet, i, 6, f'=IF(weighing!F{i}="","",weighing!F{i})')
        elif batch:  # what was weighed is dry, unless a moisture or % solids is given for it
            share = f"D{i}&E{i}" if water else f"D{i}"
            _formula(sheet, i, 2, f'=IF(OR(weighing!F{i}="",{share}<>""),"",weighing!F{i})')
            _formula(sheet, i, 3, f'=IF(OR(weighing!F{i}="",{share}=""),"",weighing!F{i})')
    _at_most(sheet, 4, 100.0, "A moisture lies between 0 and 100 %.")
    if water:
        _at_most(sheet, 5, 100.0, "A share of solids lies between 0 and 100 %.")
        _at_least(sheet, "F")
    for j, a in enumerate(plan.analytes, start=5 + len(water)):
        most = a.unit.from_base(a.maximum)
        _at_most(sheet, j, most, f"{a.name} lies between 0 and {most:.4g} {a.unit.symbol}.")
    if not batch:
        _at_least(sheet, "B", "C")
    _guarded(sheet)


def _dissolved(plan: UnmeasuredCase, analyte: Analyte) -> bool:
    """Tell whether an analyte may be in the solution: unless the case says that it is not."""
    return plan.definition.water.dissolved.get(analyte.name, True)


def _weighing(book: Workbook, plan: UnmeasuredCase) -> None:
    """Write the sheet of weighings; containers of the case are offered with their masses."""
    sheet = book.create_sheet("weighing")
    for j, word in enumerate(_WEIGHING, start=1):
        put(sheet, 1, j, word, header=True)
    codes, known = sample_codes(plan), plan.definition.containers
    for i, stream in enumerate(plan.rows.streams, start=2):
        put(sheet, i, 1, stream.name)
        put(sheet, i, 2, codes[stream.name])
        for j in (3, 4, 5):
            _open(sheet, i, j)
        if known:
            lookup = f"VLOOKUP(C{i},containers_list,2,FALSE)"
            _formula(sheet, i, 5, f'=IF(C{i}="","",IFERROR({lookup},""))', locked=False)
        _formula(sheet, i, 6, f'=IF(OR(D{i}="",E{i}=""),"",D{i}-E{i})')
    _at_least(sheet, "D", "E")
    if known:
        from openpyxl.workbook.defined_name import DefinedName
        from openpyxl.worksheet.datavalidation import DataValidation

        for i, (name, mass) in enumerate(known.items(), start=2):
            put(sheet, i, 8, name)
            put(sheet, i, 9, mass)
        put(sheet, 1, 8, "containers", header=True)
        put(sheet, 1, 9, "empty [kg]", header=True)
        last = len(known) + 1
        area = f"weighing!$H$2:$I${last}"
        book.defined_names["containers_list"] = DefinedName("containers_list", attr_text=area)
        names = DataValidation("list", formula1=f"$H$2:$H${last}", allow_blank=True,
                               errorStyle="warning")  # fmt: skip
        names.add(f"C2:C{_LAST}")
        sheet.add_data_validation(names)
    _guarded(sheet)


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


def _guarded(sheet: Worksheet) -> None:
    """Protect what is not open, without a password: against slips, not against people."""
    sheet.protection.enable()
    widen(sheet)
