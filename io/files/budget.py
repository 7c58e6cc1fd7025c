"""What a file may cost its reader: one budget, charged by every reader of files.

Whatever keeps to it is read to cells in 3 to 7 s of a processor, by its speed, and 500 MB, however
it was made: cells and elements are as many as that of the slowest format, .ods. It holds tables of
120,000 rows and eight columns. Beyond it a file is refused: nothing is read in part.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from oretally.io.files.input_files import read_input, size_of

__all__ = ["BUDGET", "Budget", "Meter", "NotRead", "read_bytes"]

_OWN_FILE = "Copy what matters into a file of its own."


class NotRead(Exception):
    """The file is refused; problem and mend say why, as in a `Fault`."""

    def __init__(self, problem: str, mend: str) -> None:
        self.problem, self.mend = problem, mend
        super().__init__(problem)


@dataclass(frozen=True, slots=True)
class Budget:
    """The most that is read of one file.

    Attributes
    ----------
    file : int
        Bytes, as it lies on the disk.
    definition : int
        Bytes of circuit.toml.
    levels : int
        Tables in tables, parts of a key.
    unpacked : int
        Bytes of the parts of a workbook that are read.
    elements, names, nested, piece : int
        Elements of its XML, different names among them, elements in each other, and bytes of one
        tag or text.
    sheets, sheet_name : int
        Sheets, and characters of the name of one.
    styles, format : int
        Styles of cells, and characters of one number format.
    cells : int
        Filled cells, repeated ones as often as they are there; of a table, with the blank ones
        between them.
    columns, rows : int
        As many as a sheet of a spreadsheet has.
    characters, cell : int
        Of the texts of all cells, and of one.
    """

    file: int = 64 * 2**20
    definition: int = 2**20
    levels: int = 32
    unpacked: int = 256 * 2**20
    elements: int = 3_000_000
    names: int = 10_000
    nested: int = 1_000
    piece: int = 2**20
    sheets: int = 1_000
    sheet_name: int = 255
    styles: int = 65_536
    format: int = 1_000
    cells: int = 1_000_000
    columns: int = 16_384
    rows: int = 1_048_576
    characters: int = 64 * 2**20
    cell: int = 32_767


BUDGET = Budget()


class Meter:
    """What has been spent on one file; each charge raises `NotRead` once it is too much."""

    def __init__(self, budget: Budget = BUDGET) -> None:
        self.budget = budget
        self.unpacked = self.elements = self.sheets = self.styles = 0
        self.cells = self.characters = 0

    def charge_file(self, size: int, *, definition: bool = False) -> None:
        """Charge the bytes of the file itself, before it is read."""
        allowed = self.budget.definition if definition else self.budget.file
        if size > allowed:
            raise NotRead(
                f"The file has {size / 2**20:.1f} MiB; no more than {allowed // 2**20} MiB are "
                "read.", "Write it shorter." if definition else _OWN_FILE,
            )  # fmt: skip

    def charge_piece(self, piece: bytes, *, names: int, nested: int, pending: int) -> None:
        """Charge a piece of XML as it is unpacked.

        Parameters
        ----------
        piece : bytes
        names, nested : int
            Different names met so far, and elements that are open.
        pending : int
            Bytes or characters of a tag or text whose end is not in sight.
        """
        most = self.budget
        self.unpacked += len(piece)
        self.elements += piece.count(b"<") - piece.count(b"</")
        if self.unpacked > most.unpacked:
            raise NotRead(
                f"The workbook unpacks to more than {most.unpacked // 2**20} MiB; no more are "
                "read.", "Copy the sheets that matter into a new workbook.",
            )  # fmt: skip
        for found, allowed, what in (
            (self.elements, most.elements, "elements"), (names, most.names, "names of elements"),
            (nested, most.nested, "elements in each other"),
            (pending, most.piece, "characters in one tag or text"),
        ):  # fmt: skip
            if found > allowed:
                raise NotRead(
                    f"The workbook has more than {allowed:,} {what}, blank cells among them; no "
                    "more are read." if what == "elements" else
                    f"The workbook has more than {allowed:,} {what}, which no spreadsheet program "
                    "writes.", "Copy the cells that matter into a new workbook.",
                )  # fmt: skip

    def charge_sheet(self, title: str) -> None:
        """Charge a sheet."""
        self.sheets += 1
        if self.sheets > self.budget.sheets:
            raise NotRead(
                f"The workbook has more than {self.budget.sheets:,} sheets; no more are read.",
                "Copy the sheets that matter into a new workbook.",
            )
        if len(title) > self.budget.sheet_name:
            raise NotRead(
                f"A sheet has a name of {len(title):,} characters; no more than "
                f"{self.budget.sheet_name} are read.", "Rename it.",
            )  # fmt: skip

    def charge_style(self, code: str) -> None:
        """Charge a style of cells by its number format."""
        self.styles += 1
        if self.styles > self.budget.styles or len(code) > self.budget.format:
            raise NotRead(
                f"The workbook has more than {self.budget.styles:,} styles of cells, or a number "
                f"format of more than {self.budget.format:,} characters; no more are read.",
                "Copy the cells that matter into a new workbook, as values.",
            )

    def charge_cells(self, cells: int, characters: int) -> None:
        """Charge filled cells and the characters of their texts, before they are kept."""
        self.cells += cells
        self.characters += characters
        if self.cells <= self.budget.cells and self.characters <= self.budget.characters:
            return
        for found, allowed, what in (
            (self.cells, self.budget.cells, "filled cells"),
            (self.characters, self.budget.characters, "characters in its cells"),
        ):
            if found > allowed:
                raise NotRead(
                    f"The file has {found:,} {what} or more; no more than {allowed:,} are read.",
                    _OWN_FILE,
                )

    def charge_text(self, characters: int) -> None:
        """Charge the text of one cell by its length."""
        if characters > self.budget.cell:
            raise NotRead(
                f"A cell holds {characters:,} characters; no more than {self.budget.cell:,} are "
                "read, as many as a cell of a spreadsheet holds.",
                "Shorten it, or look for a quotation mark that is not closed.",
            )

    def charge_position(self, row: int, column: int) -> None:
        """Refuse a cell outside of what a sheet can have; both are counted from 0."""
        if row >= self.budget.rows or column >= self.budget.columns:
            raise NotRead(
                f"There is a cell in row {row + 1:,}, column {column + 1:,}; no more than "
                f"{self.budget.rows:,} rows and {self.budget.columns:,} columns are read.",
                _OWN_FILE,
            )


def read_bytes(path: Path, meter: Meter, *, definition: bool = False) -> bytes:
    """Return what a file holds, `definition` if it is to be a circuit.toml; charged by its size.

    Raises
    ------
    NotRead
        If it is too large, or cannot be read.
    """
    try:
        meter.charge_file(size_of(path), definition=definition)
        return read_input(path)
    except OSError as error:
        reason = error.strerror or "unreadable"
        raise NotRead(f"The file cannot be read: {reason}.", "Check its name.") from None
