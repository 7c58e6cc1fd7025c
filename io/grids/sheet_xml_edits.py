"""Cells of one .xlsx sheet changed in its XML: all else in it stays byte for byte as it was.

A library that reads a workbook and writes it anew loses what it does not know: charts, macros,
saved values of formulas. Here only the cells that change are written (ECMA-376 part 1, 18.3.1).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import NamedTuple
from xml.parsers import expat
from xml.sax.saxutils import escape

from oretally.io.files import NotRead, address, column_number, local_name

__all__ = ["SheetSpans", "edited_sheet", "sheet_spans"]

_NUMBER = re.compile(r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?")
_SPANS = re.compile(rb'\s+spans="[^"]*"')


class _Span(NamedTuple):
    """Where an element stands: its start, where its start tag ends, its end tag, its end."""

    start: int
    opened: int
    closing: int
    end: int


@dataclass(slots=True)
class SheetSpans:
    """Where rows and cells of a sheet stand in its XML, and how each cell is styled.

    Attributes
    ----------
    formulas : list of (int, int)
        Cells that are computed.
    tables : bool
        Whether parts of the sheet are tables by themselves, whose headers are kept elsewhere too.
    """

    prefix: str = ""
    data: _Span = _Span(0, 0, 0, 0)
    dimension: _Span | None = None
    rows: dict[int, _Span] = field(default_factory=dict)
    cells: dict[tuple[int, int], _Span] = field(default_factory=dict)
    styles: dict[tuple[int, int], str] = field(default_factory=dict)
    formulas: list[tuple[int, int]] = field(default_factory=list)
    tables: bool = False


def sheet_spans(xml: bytes) -> SheetSpans:
    """Return where the cells of a sheet stand.

    Raises
    ------
    NotRead
        If the XML is not in UTF-8, or declares a document type.
    """
    if xml[:2] in (b"\xff\xfe", b"\xfe\xff") or re.match(rb"<\?xml[^>]*utf-16", xml[:200], re.I):
        raise NotRead("The sheets are not in UTF-8.", "Save it anew from a spreadsheet program.")
    found, open_at = SheetSpans(), list[tuple[int, int]]()
    row, column = -1, -1
    parser = expat.ParserCreate()

    def start(tag: str, attributes: dict[str, str]) -> None:
        nonlocal row, column
        name, at = local_name(tag), parser.CurrentByteIndex
        open_at.append((at, _tag_end(xml, at)))
        if name == "sheetData":
            found.prefix = tag[: -len(name)]
        elif name == "row":
            row, column = int(attributes.get("r", row + 2)) - 1, -1
        elif name == "c":
            where = attributes.get("r", "").rstrip("0123456789")
            column = column_number(where) if where else column + 1
            if "s" in attributes:
                found.styles[row, column] = attributes["s"]
        elif name == "f":
            found.formulas.append((row, column))
        elif name == "tablePart":
            found.tables = True

    def end(tag: str) -> None:
        name, at = local_name(tag), parser.CurrentByteIndex
        first, opened = open_at.pop()
        empty = xml[opened - 2 : opened] == b"/>"
        span = _Span(first, opened, first if empty else at, opened if empty else _tag_end(xml, at))
        if name == "sheetData":
            found.data = span
        elif name == "dimension":
            found.dimension = span
        elif name == "row":
            found.rows[row] = span
        elif name == "c":
            found.cells[row, column] = span

    def refuse(*_: object) -> None:
        raise NotRead("The workbook declares XML entities.", "Take it from its source anew.")

    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.StartDoctypeDeclHandler = refuse
    parser.Parse(xml, True)
    return found


def _tag_end(xml: bytes, at: int) -> int:
    """Return where a tag ends; a '>' in quotes does not end it."""
    end = xml.find(b">", at)
    if xml.count(b'"', at, end) % 2 == 0 and xml.find(b"'", at, end) < 0:
        return end + 1
    quote = 0
    for i in range(at, len(xml)):
        byte = xml[i]
        if quote:
            quote = 0 if byte == quote else quote
        elif byte in b"\"'":
            quote = byte
        elif byte == 0x3E:
            return i + 1
    return len(xml)


def edited_sheet(
    xml: bytes, cells: Mapping[tuple[int, int], str], plain: Mapping[tuple[int, int], bool]
) -> bytes:
    """Return the XML of a sheet with some cells changed.

    Parameters
    ----------
    xml : bytes
    cells : mapping of (row, column) to str
        What each cell is to read; empty clears it.
    plain : mapping of (row, column) to bool
        Whether the format of a cell shows a number as it is: else a number is written as text,
        since it would be seen otherwise.
    """
    spans = sheet_spans(xml)
    edits = list[tuple[int, int, bytes]]()
    if spans.dimension is not None:  # what it says may no longer hold; it need not be there
        edits.append((spans.dimension.start, spans.dimension.end, b""))
    by_row: dict[int, dict[int, str]] = {}
    for (row, column), text in cells.items():
        by_row.setdefault(row, {})[column] = text
    below: list[tuple[int, bytes]] = []
    for row, changed in sorted(by_row.items()):
        told = {j: _cell(spans, row, j, text, as_number=plain.get((row, j), True))
                for j, text in changed.items()}  # fmt: skip
        if row in spans.rows:
            edits += _in_row(xml, spans, row, told)
        elif any(changed.values()):
            whole = b"".join(told[j] for j in sorted(told) if changed[j])
            below.append((row, b'<%srow r="%d">%s</%srow>' % (
                spans.prefix.encode(), row + 1, whole, spans.prefix.encode())))  # fmt: skip
    edits += _new_rows(xml, spans, below)
    for first, last, new in sorted(edits, reverse=True):
        xml = xml[:first] + new + xml[last:]
    return xml


def _in_row(
    xml: bytes, spans: SheetSpans, row: int, told: Mapping[int, bytes]
) -> list[tuple[int, int, bytes]]:
    """Return the edits of a row that is there."""
    span, edits = spans.rows[row], list[tuple[int, int, bytes]]()
    there = sorted(j for i, j in spans.cells if i == row)
    new: dict[int, bytes] = {}
    for j, cell in sorted(told.items()):
        if j in there:
            old = spans.cells[row, j]
            edits.append((old.start, old.end, cell))
            continue
        after = next((k for k in there if k > j), None)
        at = span.closing if after is None else spans.cells[row, after].start
        new[at] = new.get(at, b"") + cell
    opening = _SPANS.sub(b"", xml[span.start : span.opened])
    if span.closing == span.start:  # <row .../>
        inside = b"".join(new.values())
        tag = opening[:-2].rstrip() + b">" + inside + b"</%srow>" % spans.prefix.encode()
        return [(span.start, span.end, tag)]
    edits += [(at, at, cells) for at, cells in new.items()]
    return [*edits, (span.start, span.opened, opening)]


def _new_rows(
    xml: bytes, spans: SheetSpans, rows: list[tuple[int, bytes]]
) -> list[tuple[int, int, bytes]]:
    """Return the edits that put rows between those that are there."""
    if not rows:
        return []
    if spans.data.closing == spans.data.start:  # <sheetData/>
        tag, inside = spans.prefix.encode() + b"sheetData", b"".join(row for _, row in rows)
        return [(spans.data.start, spans.data.end, b"<%s>%s</%s>" % (tag, inside, tag))]
    new: dict[int, bytes] = {}
    for number, row in rows:
        after = min((i for i in spans.rows if i > number), default=None)
        at = spans.data.closing if after is None else spans.rows[after].start
        new[at] = new.get(at, b"") + row
    return [(at, at, some) for at, some in new.items()]


def _cell(spans: SheetSpans, row: int, column: int, text: str, *, as_number: bool) -> bytes:
    style = spans.styles.get((row, column))
    own = f'{spans.prefix}c r="{address(row, column)}"' + (f' s="{style}"' if style else "")
    if not text:
        return f"<{own}/>".encode() if style else b""
    v, inline, t = (f"{spans.prefix}{name}" for name in ("v", "is", "t"))
    if as_number and _NUMBER.fullmatch(text):
        return f"<{own}><{v}>{text.lstrip('+')}</{v}></{spans.prefix}c>".encode()
    written = escape(text, {"\r": "&#13;"})
    return (
        f'<{own} t="inlineStr"><{inline}><{t} xml:space="preserve">{written}</{t}></{inline}>'
        f"</{spans.prefix}c>"
    ).encode()
