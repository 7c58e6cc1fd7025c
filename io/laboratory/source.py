"""Where the table of a laboratory batch is, what names its columns, and which row is its header."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from oretally.flowsheet import Fault, InputError, Place
from oretally.flowsheet.circuit import fold_name
from oretally.io.definition import (
    COLUMNS,
    LabHeading,
    LabLayout,
    lab_layout,
    read_circuit_text,
    read_lab_sheet,
)
from oretally.io.files import (
    EMPTY,
    NO_ROWS,
    SUFFIXES,
    Table,
    Workbook,
    is_file,
    is_folder,
    open_workbook,
    read_csv_table,
    readable_name,
    refused_name,
)

__all__ = [
    "LAB_FILE", "LAB_SHEET", "find_layout", "find_table", "has_batch", "has_own_batch", "layout_in",
    "own_workbook",
]  # fmt: skip

LAB_FILE = "lab.csv"
_CIRCUIT = "circuit.toml"
LAB_SHEET, _MAP_SHEET = "lab", "lab columns"


def own_workbook(path: Path) -> Workbook | None:
    """Read what a workbook says of a batch; None of what is none."""
    if refused_name(path, "batch") is None and path.suffix.casefold() in SUFFIXES and is_file(path):
        return open_workbook(path, path.name, (_MAP_SHEET, LAB_SHEET))
    return None


def find_layout(path: Path, faults: list[Fault], book: Workbook | None = None) -> LabLayout:
    """Return how the columns are named; other faults of a circuit are none of the batch.

    ``book`` is what `own_workbook` read.
    """
    if (wrong := refused_name(path, "batch")) is not None:
        faults.append(wrong)
        return LabLayout()
    if is_folder(path) and is_file(path / _CIRCUIT):
        rows = read_circuit_text(path / _CIRCUIT, _CIRCUIT)
        if not rows.streams_read:
            faults.extend(rows.faults)
        return lab_layout(rows.lab, faults)
    if book is not None:
        sheets, more = book.tables((_MAP_SHEET,))
        faults.extend(more)
        return lab_layout(read_lab_sheet(sheets, faults), faults)
    return LabLayout()


def layout_in(file: Path) -> LabLayout:
    """Return what the table [lab] of a TOML file says of batches that stand elsewhere.

    Raises
    ------
    InputError
        If there is no such table, or something is wrong with it.
    """
    rows = read_circuit_text(file, readable_name(file.name))
    faults = list(rows.faults)
    layout = lab_layout(rows.lab, faults)
    if rows.lab is None and not faults:
        faults.append(Fault("There is no table [lab], which says whose sample is which.",
                            'Write [lab.samples], and below it "L26-0417" = "week 2/feed": the '
                            "label, then survey and stream.", rows.place("")))  # fmt: skip
    if faults:
        raise InputError(faults)
    return replace(layout, file=None)


def has_own_batch(path: Path) -> bool:
    """Tell whether a case has a laboratory batch; how its columns are named says the case."""
    book = own_workbook(path)
    return has_batch(path, find_layout(path, [], book), book)


def has_batch(path: Path, layout: LabLayout, book: Workbook | None) -> bool:
    """Tell whether a case has a laboratory batch, or names one.

    ``book`` is the workbook of the case as far as it was read; None if it is a folder.
    """
    if layout.file is not None:
        return True
    if book is None:
        return is_file(path / LAB_FILE)
    return layout.sheet is not None or LAB_SHEET in book.tables((LAB_SHEET,))[0]


def _title(layout: LabLayout) -> str:
    return fold_name(layout.sheet.text) if layout.sheet else LAB_SHEET


def _with_sheet(book: Workbook | None, file: Path, title: str) -> Workbook:
    """Return a workbook with a sheet of it; what was read already is not read again."""
    if book is not None and book.path == file and title in book.wanted:
        return book
    return open_workbook(file, file.name, (title,))


def find_table(
    path: Path, layout: LabLayout, faults: list[Fault], book: Workbook | None = None
) -> Table | None:
    """Return the table; None, with a fault, if it is not there.

    ``book`` is a workbook that was read already, as of a case.
    """
    file, place, folder = path, Place(file=str(path)), is_folder(path)
    if layout.file is not None:
        file = (path if folder else path.parent) / layout.file.text
        place = layout.file.place
    elif folder:
        file = path / LAB_FILE
    if not is_file(file):
        missing = f"There is no file '{layout.file.text}' in the folder." if layout.file else (
            f"There is no {LAB_FILE} in the folder." if folder else "There is no such file."
        )  # fmt: skip
        mend = "Check its name." if layout.file else (
            f"Write it: columns {', '.join(COLUMNS)}; or name the laboratory's own file and "
            f"headers under [lab] in {_CIRCUIT}."
        )  # fmt: skip
        faults.append(Fault(missing, mend, place))
        return None
    best: tuple[int, Table | None, list[Fault]] = (-1, None, [])
    headings: list[LabHeading | None] = [*layout.headings()] or [None]
    if file.suffix.casefold() in SUFFIXES:
        book = _with_sheet(book, file, _title(layout))
    for heading in headings:
        found, wrong = _with_header(file, layout, heading, book)
        named = {h.text for h in layout.headings()}
        count = 0 if found is None else len(named & {cell.text for cell in found.header})
        if count > best[0]:
            best = (count, found, wrong)
        if count == len(named):
            break
    found, wrong = best[1:]
    if found is not None and wrong and not best[0]:
        headless = _headless(found, layout)
        wrong = wrong if headless is None else [headless]
    faults.extend(_of_assays(fault, layout) for fault in wrong)
    return found


def _headless(table: Table, layout: LabLayout) -> Fault | None:
    """Return what is wrong with a table of which no row is the header; None if one may be.

    Its first row, a title, was then taken for it, and every column beside has none.
    """
    if not table.rows:
        return None
    headings, place = layout.headings(), table.place
    if layout.mapped:
        named = ", ".join(f"'{text}'" for text in dict.fromkeys(h.text for h in headings))
        return Fault(
            f"No row of {place} has any of the headers that [lab] names: {named}.",
            "Write them under [lab] as they stand in the file; titles above them are left alone.",
            headings[0].place,
        )
    if any(cell.text.casefold() in COLUMNS for cell in table.header):
        return None
    return Fault(
        "No row is the header: none has the column 'analyte'.",
        f"Write the columns {', '.join(COLUMNS)},\n"
        f"or name the laboratory's own headers under [lab] in {_CIRCUIT}: titles above them are "
        "then left alone.",
        place,
    )


def _of_assays(fault: Fault, layout: LabLayout) -> Fault:
    """Return a fault of a table without rows with what a batch wants; any other as it is."""
    if fault.problem not in (EMPTY, NO_ROWS):
        return fault
    row = "one row a sample" if layout.wide else "one row an assay"
    mend = f"Write the columns {', '.join(COLUMNS)}, and {row}."
    if layout.mapped:
        mend = f"Write the headers that [lab] names, and {row}."
    if fault.problem == NO_ROWS:
        mend = f"Write {row}: standards, blanks, duplicates and samples."
    return Fault(fault.problem, mend, fault.place)


def _with_header(
    file: Path, layout: LabLayout, heading: LabHeading | None, book: Workbook | None
) -> tuple[Table | None, list[Fault]]:
    """Return the table whose header has a heading; what stands above it is left alone."""
    key = None if heading is None else heading.text.casefold()
    if book is None or file.suffix.casefold() not in SUFFIXES:
        table, wrong = read_csv_table(file, file.name, key=key)
    else:
        sheet = _title(layout)
        sheets, wrong = book.tables((sheet,), key=key)
        table = sheets.get(sheet)
        if table is None and not wrong:
            shown = layout.sheet.text if layout.sheet else LAB_SHEET
            wrong.append(
                Fault(f"There is no sheet '{shown}' in {file.name}, or it is empty.",
                      "Check its name." if layout.sheet else f"Add it: {', '.join(COLUMNS)}.",
                      layout.sheet.place if layout.sheet else Place(file=file.name))
            )  # fmt: skip
    if table is not None and layout.mapped:
        top = table.header[0].row
        wrong = [f for f in wrong if not f.place.cell or _row(f.place.cell) >= top]
    return table, wrong


def _row(address: str) -> int:
    """Return the row of a cell, counted from 0."""
    return int("".join(c for c in address if c.isdigit())) - 1
