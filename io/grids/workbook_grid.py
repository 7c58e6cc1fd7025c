"""A workbook as grids of cells that can be changed and written back in place.

Formats, charts, macros and every other sheet stay as they are: cells are changed in the sheet's own
XML (`sheet_xml_edits`). What cannot be kept so is not saved over, and it is said why.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from xml.sax.saxutils import quoteattr, unescape

from oretally.flowsheet import Fault, InputError, Place
from oretally.flowsheet.circuit import fold_name
from oretally.io.files import (
    PLAIN,
    Cell,
    Meter,
    NotRead,
    SheetXml,
    archive_of,
    book_bytes,
    cell_style_kinds,
    cleaned,
    sheet_members,
    storable,
    workbook_sheets,
)
from oretally.io.grids.csv_grid import GridRows, trimmed
from oretally.io.grids.sheet_xml_edits import edited_sheet, sheet_spans

__all__ = ["WorkbookGrids", "fresh_workbook", "workbook_bytes", "workbook_grids"]

_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?")
_OUTSIDE = re.compile("[\ud800-\udfff\ufffe\uffff]")  # what no XML can hold
_SHEET_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.worksheet+xml"
_RELATION = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
_EMPTY_SHEET = (
    b'<?xml version="1.0" encoding="UTF-8" standalone="yes"?>\n<worksheet xmlns='
    b'"http://schemas.openxmlformats.org/spreadsheetml/2006/main"><sheetData/></worksheet>'
)
Grids = dict[str, list[list[str]]]


@dataclass(frozen=True, slots=True)
class WorkbookGrids:
    """The sheets of a workbook as grids, and why it cannot be saved over, if it cannot.

    ``computed`` tells whether that is only because some of their cells are computed: what does not
    reach these (`reached_sheets`) may be written all the same.
    """

    grids: Grids
    readonly: str | None
    computed: bool = False


def workbook_grids(data: bytes, name: str, wanted: Collection[str]) -> WorkbookGrids:
    """Return the wanted sheets of a workbook as they are seen.

    Parameters
    ----------
    data : bytes
    name : str
        How the user knows the file.
    wanted : collection of str
        Folded titles.

    Raises
    ------
    InputError
        If it is no workbook, or is not opened.
    """
    try:
        found = workbook_sheets(data, name, wanted, Meter())
        grids = {s.title: _grid(s) for s in found if fold_name(s.title) in wanted}
        return WorkbookGrids(grids, *_readonly(data, list(grids)))
    except NotRead as refused:
        raise InputError([Fault(refused.problem, refused.mend, Place(file=name))]) from refused
    except InputError:
        raise
    except Exception as error:  # a broken file can provoke whatever there is
        mend = "Open it in a spreadsheet program and save it anew."
        problem = f"The workbook is damaged and cannot be read ({type(error).__name__})."
        raise InputError([Fault(problem, mend, Place(file=name))]) from error


def _grid(sheet: SheetXml) -> list[list[str]]:
    """Return every row of a sheet from the first on, each as wide as it is filled."""
    last = max((cell.row for row in sheet.rows for cell in row), default=-1)
    grid: list[list[str]] = [[] for _ in range(last + 1)]
    for row in sheet.rows:
        for cell in row:
            line = grid[cell.row]
            line += [""] * (cell.column + 1 - len(line))
            line[cell.column] = _shown(cell)
    return grid


def _shown(cell: Cell) -> str:
    """Return a cell as text that reads as the same value when it is typed."""
    value = cell.value
    if cell.problem:
        error = re.match(r"The cell shows the error (\S+)\.$", cell.problem)
        return error[1] if error else "#?"
    if isinstance(value, bool):
        return "TRUE" if value else "FALSE"
    if isinstance(value, float):
        return _plain_number(value)
    if isinstance(value, date | datetime | time):
        return value.isoformat(" ") if isinstance(value, datetime) else value.isoformat()
    return "" if value is None else str(value)


def _plain_number(value: float) -> str:
    """Return the shortest text that is this number.

    Examples
    --------
    >>> _plain_number(25.0), _plain_number(0.303), _plain_number(1e-7)
    ('25', '0.303', '1e-07')
    """
    return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)


def _readonly(data: bytes, titles: Sequence[str]) -> tuple[str | None, bool]:
    """Return why the workbook cannot be saved over, and whether that is for computed cells."""
    with archive_of(data) as archive:
        if "content.xml" in archive.namelist():
            said = "Read only: a workbook .ods is not written to. Save it as .xlsx to change it."
            return said, False
        for title, _, member in sheet_members(archive, Meter()):
            if title not in titles or not member:
                continue
            spans = sheet_spans(archive.read(member))
            if spans.formulas:
                return (f"Read only: the sheet '{title}' has formulas. Change it in a spreadsheet "
                        "program, or save a copy with numbers in their place."), True  # fmt: skip
    return None, False


def workbook_bytes(data: bytes, name: str, before: Grids, after: Mapping[str, GridRows]) -> bytes:
    """Return a workbook with other cells: the same bytes if none changed.

    Parameters
    ----------
    data : bytes
        The workbook as it is.
    name : str
    before : dict
        Its sheets as `workbook_grids` gave them.
    after : mapping
        As they are to be; a sheet that is not there yet is added at the end.

    Raises
    ------
    InputError
        If it cannot be written so that it reads as wanted.
    """
    changes = {title: found for title, rows in after.items()
               if (found := dict(_changes(before.get(title, []), rows)))}  # fmt: skip
    gone = [title for title in before if title not in after]
    if gone:
        raise _refused(name, f"The sheet '{gone[0]}' would be taken out.",
                       "Delete it in a spreadsheet program.")  # fmt: skip
    new = [title for title in after if title not in before]
    if not changes and not new:
        return data
    for cells in changes.values():
        if any(storable(text) != text or _OUTSIDE.search(text) for text in cells.values()):
            raise _refused(name, "A cell holds a character that no workbook can hold.",
                           "Type it again.")  # fmt: skip
    try:
        _refuse_table_headers(data, name, before, changes)
        made = _rewritten(data, changes, new)
    except NotRead as refused:
        raise _refused(name, refused.problem, refused.mend) from refused
    there = workbook_grids(made, name, {fold_name(title) for title in after}).grids
    for title, rows in after.items():
        if not _same(there.get(title, []), rows):
            raise _refused(name, f"The sheet '{title}' could not be written as it is shown.",
                           "Save it under another name.")  # fmt: skip
    return made


def _refuse_table_headers(
    data: bytes, name: str, before: Grids, changes: Mapping[str, Mapping[tuple[int, int], str]]
) -> None:
    """Refuse to change a header that the workbook keeps in a second place, as a table's column."""
    with archive_of(data) as archive:
        kept = b"".join(archive.read(m) for m in archive.namelist() if m.startswith("xl/tables/"))
        columns = re.findall(rb'<(?:\w+:)?tableColumn\b[^>]*? name="([^"]*)"', kept)
        headers = {unescape(text.decode("utf-8"), {"&quot;": '"'}) for text in columns}
        sheets = {
            title: member
            for title, _, member in sheet_members(archive, Meter())
            if title in changes
        }
        for title, member in sheets.items() if headers else ():
            if not sheet_spans(archive.read(member)).tables:
                continue
            rows = before.get(title, [])
            for i, j in changes[title]:
                old = rows[i][j] if i < len(rows) and j < len(rows[i]) else ""
                if old in headers:
                    raise _refused(name, f"'{old}' in the sheet '{title}' heads a table of the "
                                   "spreadsheet program.", "Rename it there.")  # fmt: skip


def _changes(before: GridRows, after: GridRows) -> Iterator[tuple[tuple[int, int], str]]:
    for i in range(max(len(before), len(after))):
        old, new = (rows[i] if i < len(rows) else () for rows in (before, after))
        for j in range(max(len(old), len(new))):
            was, now = (row[j] if j < len(row) else "" for row in (old, new))
            if was != now:
                yield (i, j), now


def _same(found: GridRows, wanted: GridRows) -> bool:
    """Tell whether two grids read alike: 1.50 is 1.5, space around a text is none."""
    one, other = (
        trimmed([[_canonical(text) for text in row] for row in rows]) for rows in (found, wanted)
    )
    return one == other


def _canonical(text: str) -> str:
    if _NUMBER.fullmatch(text):
        return _plain_number(float(text))
    return cleaned(text) or ""


def _rewritten(
    data: bytes, changes: Mapping[str, Mapping[tuple[int, int], str]], new: Sequence[str]
) -> bytes:
    """Return the archive with the sheets changed, and every other member as it was."""
    out = io.BytesIO()
    with archive_of(data) as archive, zipfile.ZipFile(out, "w") as made:
        members = {title: member for title, _, member in sheet_members(archive, Meter())}
        kinds = cell_style_kinds(archive, Meter())
        texts: dict[str, bytes] = {}
        for title, cells in changes.items():
            if title in members:
                xml = archive.read(members[title])
                styles = sheet_spans(xml).styles
                plain = {at: kinds[style] == PLAIN for at, style in styles.items()}
                texts[members[title]] = edited_sheet(xml, cells, plain)
        added = _added(archive, new, texts)
        for title, member in added.items():
            texts[member] = edited_sheet(_EMPTY_SHEET, changes.get(title, {}), {})
        book = "xl/workbook.xml"
        if book in archive.namelist() and _computes(archive):
            texts[book] = _recalculated(texts.get(book, archive.read(book)))
        for entry in archive.infolist():
            made.writestr(entry, texts.pop(entry.filename, b"") or archive.read(entry),
                          compress_type=entry.compress_type)  # fmt: skip
        for member, text in texts.items():
            made.writestr(member, text, compress_type=zipfile.ZIP_DEFLATED)
    return out.getvalue()


def _computes(archive: zipfile.ZipFile) -> bool:
    """Tell whether anything in the workbook is computed, in a sheet of its user's own."""
    sheets = (m for m in archive.namelist() if m.startswith("xl/worksheets/"))
    return any(re.search(rb"<(\w+:)?f[ >/]", archive.read(m)) for m in sheets)


def _recalculated(xml: bytes) -> bytes:
    """Return workbook.xml so that a spreadsheet program computes everything anew on opening."""
    if b"fullCalcOnLoad" in xml:
        return re.sub(rb'fullCalcOnLoad="(0|false)"', b'fullCalcOnLoad="1"', xml)
    if re.search(rb"<(?:\w+:)?calcPr\b", xml):
        return re.sub(rb"<((?:\w+:)?calcPr)\b", rb'<\1 fullCalcOnLoad="1"', xml, count=1)
    before = b"sheets|functionGroups|externalReferences|definedNames"  # by the schema
    ends = list(re.finditer(rb"</(\w+:)?(?:%s)>|<(\w+:)?(?:%s)/>" % (before, before), xml))
    prefix = (ends[-1][1] or ends[-1][2] or b"") if ends else b""
    at = ends[-1].end() if ends else len(xml)
    return xml[:at] + b'<%scalcPr fullCalcOnLoad="1"/>' % prefix * bool(ends) + xml[at:]


def _added(
    archive: zipfile.ZipFile, titles: Sequence[str], texts: dict[str, bytes]
) -> dict[str, str]:
    """Enter new sheets into the workbook's lists; return where each stands."""
    if not titles:
        return {}
    book, links = "xl/workbook.xml", "xl/_rels/workbook.xml.rels"
    listed = "[Content_Types].xml"
    try:
        xml, rels, types = (archive.read(name) for name in (book, links, listed))
    except KeyError as error:
        problem = "The workbook is laid out so that no sheet can be added."
        raise NotRead(problem, "Add the sheet in a spreadsheet program.") from error
    taken = set(archive.namelist())
    numbers = [int(n) for n in re.findall(rb'sheetId="(\d+)"', xml)]
    found: dict[str, str] = {}
    for k, title in enumerate(titles, start=1):
        number = next(n for n in range(1, 10**6) if f"xl/worksheets/sheet{n}.xml" not in taken)
        member, link = f"xl/worksheets/sheet{number}.xml", f"rIdDesk{number}"
        taken.add(member)
        found[title] = member
        entry = (f'<sheet xmlns:r="{_RELATION}" name={quoteattr(title)} '
                 f'sheetId="{max(numbers, default=0) + k}" r:id="{link}"/>')  # fmt: skip
        xml = xml.replace(b"</sheets>", entry.encode() + b"</sheets>", 1)
        relation = (f'<Relationship Id="{link}" Type="{_RELATION}/worksheet" '
                    f'Target="worksheets/sheet{number}.xml"/>')  # fmt: skip
        rels = rels.replace(b"</Relationships>", relation.encode() + b"</Relationships>", 1)
        override = f'<Override PartName="/{member}" ContentType="{_SHEET_TYPE}"/>'
        types = types.replace(b"</Types>", override.encode() + b"</Types>", 1)
    texts |= {book: xml, links: rels, listed: types}
    return found


def fresh_workbook(grids: Mapping[str, GridRows]) -> bytes:
    """Return a new workbook with these sheets: values alone."""
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for title, rows in grids.items():
        sheet = book.create_sheet(title)
        for i, row in enumerate(rows, start=1):
            for j, text in enumerate(row, start=1):
                if _NUMBER.fullmatch(text):
                    sheet.cell(i, j, float(text))
                elif text:
                    cell = sheet.cell(i, j, storable(text))
                    cell.data_type = "s"  # never a formula
    return book_bytes(book)


def _refused(name: str, problem: str, mend: str) -> InputError:
    return InputError([Fault(problem, mend, Place(file=name))])
