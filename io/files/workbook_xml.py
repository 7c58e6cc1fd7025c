"""Reading the XML inside a workbook piece by piece: no tree in memory, no entities, no DTD."""

from __future__ import annotations

import io
import zipfile
from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass, field
from xml.parsers import expat

from oretally.flowsheet import Place
from oretally.io.files.budget import Meter, NotRead
from oretally.io.files.table import Cell

__all__ = ["MemberReader", "SheetXml", "local_name", "opened", "parse_member", "shown_percent"]

_PIECE = 2**20


@dataclass(slots=True)
class SheetXml:
    """One sheet: its name, whether it is hidden, and the filled cells of every row with any.

    Beside them the first filled row that is hidden, counted from 0, and all columns that are.
    """

    title: str
    hidden: bool
    rows: list[list[Cell]]
    hidden_row: int = -1
    hidden_columns: list[range] = field(default_factory=list)

    def unseen(self) -> Place | None:
        """Return the place of a filled cell in a row or column that is hidden."""
        if self.hidden_row >= 0:
            return next(row[0].place for row in self.rows if row[0].row == self.hidden_row)
        filled = {cell.column: cell for row in reversed(self.rows) for cell in row}
        columns = sorted(filled)
        for hidden in self.hidden_columns:
            at = bisect_left(columns, hidden.start)
            if at < len(columns) and columns[at] in hidden:
                return filled[columns[at]].place
        return None


def local_name(tag: str) -> str:
    """Return the name of an element without its prefix: which one a file uses does not matter."""
    return tag.rpartition(":")[2]


class MemberReader:
    """Handlers of one member of an archive.

    Attributes
    ----------
    depth : int
        Elements that are open: `start` and `end` count it, also where they are overridden.
    parts : list of str
        Text as the parser finds it: where it is wanted it is taken at the end tag, everywhere else
        the next start tag clears it.
    """

    def __init__(
        self,
        at_start: Callable[[str, dict[str, str]], None],
        at_end: Callable[[str], None] = lambda _: None,
    ) -> None:
        self.at_start, self.at_end = at_start, at_end
        self.depth, self.parts, self.names = 0, list[str](), dict[str, str]()

    def named(self, tag: str) -> str:
        """Return the name of an element without its prefix, and keep it."""
        return self.names.setdefault(tag, local_name(tag))

    def start(self, tag: str, attributes: dict[str, str]) -> None:
        """Take a start tag."""
        self.depth += 1
        self.parts.clear()
        self.at_start(local_name(tag), attributes)

    def end(self, tag: str) -> None:
        """Take an end tag."""
        self.depth -= 1
        self.at_end(local_name(tag))


def parse_member(archive: zipfile.ZipFile, member: str, meter: Meter, reader: MemberReader) -> None:
    """Run the handlers over one member of the archive.

    Raises
    ------
    NotRead
        If it costs too much, or declares a document type: workbooks have none, attacks by
        entities do.
    expat.ExpatError
        If it is not well-formed.
    """
    names: dict[str, str] = {}
    parser = expat.ParserCreate(intern=names)
    parser.buffer_text = True
    parser.StartElementHandler = reader.start
    parser.EndElementHandler = reader.end
    parser.CharacterDataHandler = reader.parts.append
    parser.StartDoctypeDeclHandler = _refuse_document_type
    fed = 0
    with archive.open(member) as file:
        for piece in iter(lambda: file.read(_PIECE), b""):
            text = sum(map(len, reader.parts))
            tag = fed - max(parser.CurrentByteIndex, 0)
            meter.charge_piece(piece, names=len(names), nested=reader.depth, pending=max(text, tag))
            parser.Parse(piece, False)
            fed += len(piece)
    parser.Parse(b"", True)


def _refuse_document_type(*_: object) -> None:
    raise NotRead(
        "The workbook declares XML entities, which no spreadsheet program writes; it is not "
        "opened.",
        "Take it from its source anew.",
    )


def shown_percent(value: float) -> str:
    """Return a cell that is formatted as percent as it is seen: the number is 100 times smaller.

    It is a text with its own unit, so that it can only be taken where a percentage can.

    Examples
    --------
    >>> shown_percent(0.0082)
    '0.82 %'
    """
    return f"{value * 100.0:.15g} %"


def opened(data: bytes) -> zipfile.ZipFile:
    """Return the archive of a workbook."""
    return zipfile.ZipFile(io.BytesIO(data))
