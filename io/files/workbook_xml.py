"""Reading the XML inside a workbook piece by piece: no tree in memory, no entities, no DTD."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Callable
from dataclasses import dataclass
from xml.parsers import expat

from oretally.io.files.table import MOST_CELLS, Cell

__all__ = ["LOCAL", "NotRead", "SheetXml", "count_cells", "opened", "parse_member", "shown_percent"]

StartTag = Callable[[str, dict[str, str]], None]
_PIECE = 2**20
_MOST_NAMES = 10_000


class NotRead(Exception):
    """The workbook is refused; problem and mend say why, as in a `Fault`."""

    def __init__(self, problem: str, mend: str) -> None:
        self.problem, self.mend = problem, mend
        super().__init__(problem)


@dataclass(slots=True)
class SheetXml:
    """One sheet: its name, whether it is hidden, and the filled cells of every row with any."""

    title: str
    hidden: bool
    rows: list[list[Cell]]


class _LocalNames(dict[str, str]):
    """Names without their prefix: which one a file uses does not matter."""

    def __missing__(self, name: str) -> str:
        local = name.rpartition(":")[2]
        if len(self) < _MOST_NAMES:  # a broken file may have any number of them
            self[name] = local
        return local


LOCAL = _LocalNames()


def parse_member(
    archive: zipfile.ZipFile,
    member: str,
    start: StartTag,
    end: Callable[[str], None],
    text: Callable[[str], None] | None = None,
) -> None:
    """Run the handlers over one member of the archive; names of elements are in `LOCAL`.

    Raises
    ------
    NotRead
        If it declares a document type: workbooks have none, attacks by entities do.
    expat.ExpatError
        If it is not well-formed.
    """
    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.StartElementHandler = start
    parser.EndElementHandler = end
    parser.CharacterDataHandler = text
    parser.StartDoctypeDeclHandler = _refuse_document_type
    with archive.open(member) as file:
        for piece in iter(lambda: file.read(_PIECE), b""):
            parser.Parse(piece, False)
    parser.Parse(b"", True)


def _refuse_document_type(*_: object) -> None:
    raise NotRead(
        "The workbook declares XML entities, which no spreadsheet program writes; it is not "
        "opened.",
        "Take it from its source anew.",
    )


def count_cells(cells: int) -> None:
    """Refuse more cells than fit into the memory of a small machine."""
    if cells > MOST_CELLS:
        raise NotRead(
            f"A sheet has more than {MOST_CELLS:,} filled cells.",
            "Copy what matters into a table of its own.",
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
