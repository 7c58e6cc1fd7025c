"""The files of a case as the parts that the page shows, and back: a folder or a workbook.

A part of a folder is the text of circuit.toml or a table's grid of cells; of a workbook each sheet
is a grid. Nothing is kept beside them: what the page shows is what the files say.
"""

from __future__ import annotations

import codecs
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from oretally.flowsheet import Fault, InputError, Place
from oretally.io.case import (
    CIRCUIT_FILE,
    EXPECTED_FILE,
    MEASUREMENTS_FILE,
    PRICES_FILE,
    SHEETS,
)
from oretally.io.definition import STOCKS_FILE
from oretally.io.files import (
    SUFFIXES,
    Meter,
    NotRead,
    digest,
    is_file,
    is_folder,
    is_there,
    read_bytes,
)
from oretally.io.grids import (
    CsvGrid,
    csv_bytes,
    csv_grid,
    fresh_workbook,
    workbook_bytes,
    workbook_grids,
)
from oretally.io.kinetics import KINETICS_FILE
from oretally.io.laboratory import LAB_FILE
from oretally.io.measurements import WEIGHING
from oretally.io.sizes import SIZES_FILE

__all__ = [
    "METALLICS_FILE",
    "TABLES",
    "CaseFiles",
    "CasePart",
    "FolderFiles",
    "Parts",
    "Stored",
    "WorkbookFiles",
    "digests",
    "files_of",
    "lab_file_of",
]  # fmt: skip

CasePart = str | list[list[str]]
Parts = dict[str, CasePart]
METALLICS_FILE = "metallics.csv"
TABLES = (MEASUREMENTS_FILE, KINETICS_FILE, SIZES_FILE, LAB_FILE, STOCKS_FILE, METALLICS_FILE,
          PRICES_FILE, EXPECTED_FILE)  # fmt: skip
"""Tables of a folder, in the order in which the page shows them."""
_SHEETS = {*SHEETS, "kinetics", "sizes", "metallics", "lab", WEIGHING}


@dataclass(frozen=True)
class Stored:
    """A case as it stands on the disk.

    Attributes
    ----------
    files : dict of str to bytes
        Contents by the name of the file.
    parts : dict
        What the page shows of them.
    """

    files: dict[str, bytes]
    parts: Parts


class CaseFiles(Protocol):
    """How one kind of case is read and written."""

    kind: str
    path: Path
    readonly: str | None
    """Why it cannot be saved as it is; None if it can."""

    def read(self) -> Stored:
        """Return what is on the disk; InputError if it cannot be shown."""

    def contents(self) -> dict[str, bytes]:
        """Return the files as they are on the disk."""

    def beside(self, parts: Parts) -> dict[str, bytes]:
        """Return files that belong to the case and are not shown."""

    def written(self, parts: Parts, stored: Stored) -> dict[str, bytes]:
        """Return the files that hold these parts, the same bytes where they are as stored."""

    def copied(self, parts: Parts, stored: Stored, target: Path) -> dict[Path, bytes]:
        """Return the files of a case of another name that holds these parts."""

    def target(self, name: str) -> Path:
        """Return where a file of the case stands, links followed."""


def digests(files: Mapping[str, bytes]) -> dict[str, str]:
    """Return the digest of each file."""
    return {name: digest(data) for name, data in files.items()}


def lab_file_of(text: str) -> str | None:
    """Return the file that the table [lab] of a circuit.toml names; None if it names none."""
    try:
        lab = tomllib.loads(text).get("lab", {})
    except (tomllib.TOMLDecodeError, RecursionError):
        return None
    name = lab.get("file") if isinstance(lab, dict) else None
    return name if isinstance(name, str) and name.strip() else None


class FolderFiles:
    """A case that is a folder."""

    kind = "folder"
    readonly: str | None = None

    def __init__(self, path: Path) -> None:
        self.path = path

    def read(self) -> Stored:
        """Return what is on the disk.

        Raises
        ------
        InputError
            With everything that cannot be shown.
        """
        files, parts, faults = self.contents(), Parts(), list[Fault]()
        for name, data in files.items():
            try:
                if name == CIRCUIT_FILE:
                    parts[name] = _plain_text(data)
                else:
                    parts[name] = [list(row) for row in csv_grid(data, name).rows]
            except InputError as error:
                faults.extend(error.faults)
        if faults:
            raise InputError(faults)
        return Stored(files, parts)

    def contents(self) -> dict[str, bytes]:
        """Return the files as they are on the disk: those of a case, and what [lab] names."""
        circuit = self._content(CIRCUIT_FILE)
        if circuit is None:
            raise InputError([Fault(f"There is no {CIRCUIT_FILE} in the folder.",
                                    "Choose the folder of a case, or start a new one.",
                                    Place(file=self.path.name))])  # fmt: skip
        files = {CIRCUIT_FILE: circuit}
        named = lab_file_of(circuit.decode("utf-8", "replace"))
        for name in dict.fromkeys((*TABLES, *filter(_is_table, [named or ""]))):
            data = self._content(name)
            if data is not None:
                files[name] = data
        return files

    def beside(self, parts: Parts) -> dict[str, bytes]:
        """Return a laboratory's workbook that [lab] names: it is read, and not shown."""
        text = parts.get(CIRCUIT_FILE)
        name = lab_file_of(text) if isinstance(text, str) else None
        if name is None or name in parts or Path(name).name != name:
            return {}
        path = self.path / name
        inside = is_file(path) and path.resolve().is_relative_to(self.path.resolve())
        return {name: _content_of(path)} if inside else {}

    def written(self, parts: Parts, stored: Stored) -> dict[str, bytes]:
        """Return the files that hold these parts.

        Raises
        ------
        InputError
            If a part is of no file of a case, or cannot be written.
        """
        files, faults = dict[str, bytes](), list[Fault]()
        for name, part in parts.items():
            self.target(name)
            if isinstance(part, str) != (name == CIRCUIT_FILE):
                raise InputError([Fault("This is no part of a case.", "Load the page again.",
                                        Place(file=name))])  # fmt: skip
            if stored.parts.get(name) == part:
                files[name] = stored.files[name]
            elif isinstance(part, str):
                files[name] = _text_bytes(part, stored.files.get(name, b""))
            else:
                before = stored.files.get(name)
                grid = CsvGrid(name) if before is None else csv_grid(before, name)
                try:
                    files[name] = csv_bytes(grid, part)
                except InputError as error:
                    faults.extend(error.faults)
        if faults:
            raise InputError(faults)
        return files

    def copied(self, parts: Parts, stored: Stored, target: Path) -> dict[Path, bytes]:
        """Return the files of another folder; InputError if the name is that of a workbook."""
        if target.suffix.casefold() in SUFFIXES:
            raise InputError([Fault("A folder is not saved as a workbook.",
                                    "Give the name of a new folder.",
                                    Place(file=target.name))])  # fmt: skip
        files = self.written(parts, stored) | self.beside(parts)
        return {target / name: data for name, data in files.items()}

    def target(self, name: str) -> Path:
        """Return where a file stands; links are followed, but not out of the folder.

        Raises
        ------
        InputError
            If the file is not in the folder.
        """
        plain = Path(name).name == name and name not in ("", ".", "..") and "\\" not in name
        known = plain and (name == CIRCUIT_FILE or name.casefold().endswith(".csv"))
        target = (self.path / name).resolve() if known else None
        if target is None or not target.is_relative_to(self.path.resolve()):
            mend = "Put the file itself into the folder of the case."
            raise InputError([Fault("This is not a file in the folder of the case.", mend,
                                    Place(file=name))])  # fmt: skip
        return target

    def _content(self, name: str) -> bytes | None:
        return _content_of(self.target(name)) if is_there(self.path / name) else None


class WorkbookFiles:
    """A case that is a workbook."""

    kind = "workbook"

    def __init__(self, path: Path) -> None:
        self.path = path
        self.readonly: str | None = None

    def read(self) -> Stored:
        """Return what is on the disk.

        Raises
        ------
        InputError
            If it is no workbook of a case.
        """
        files = self.contents()
        found = workbook_grids(files[self.path.name], self.path.name, _SHEETS)
        self.readonly = found.readonly
        if not found.grids:
            raise InputError([Fault("The workbook has none of the sheets of a case.",
                                    "Choose the workbook of a case, or start a new one.",
                                    Place(file=self.path.name))])  # fmt: skip
        return Stored(files, dict(found.grids))

    def contents(self) -> dict[str, bytes]:
        """Return the workbook as it is on the disk."""
        return {self.path.name: _content_of(self.path)}

    def written(self, parts: Parts, stored: Stored) -> dict[str, bytes]:
        """Return the workbook that holds these parts; a new one where it cannot be written to."""
        name, data = self.path.name, stored.files[self.path.name]
        grids = {title: part for title, part in parts.items() if not isinstance(part, str)}
        if len(grids) < len(parts):
            raise InputError([Fault("This is no part of a workbook.", "Load the page again.",
                                    Place(file=name))])  # fmt: skip
        if parts == stored.parts:
            return {name: data}
        if self.readonly:
            return {f"{self.path.stem}.xlsx": fresh_workbook(grids)}
        before = {t: part for t, part in stored.parts.items() if not isinstance(part, str)}
        return {name: workbook_bytes(data, name, before, grids)}

    def beside(self, parts: Parts) -> dict[str, bytes]:
        """Return nothing: a workbook has all within."""
        return {}

    def copied(self, parts: Parts, stored: Stored, target: Path) -> dict[Path, bytes]:
        """Return another workbook: a copy where it can be written to, else its values alone."""
        kept = Path(self.path.name).suffix if not self.readonly else ".xlsx"
        if target.suffix.casefold() != kept.casefold():
            raise InputError([Fault(f"A workbook is saved as {kept} here.",
                                    f"Give a name that ends in {kept}.",
                                    Place(file=target.name))])  # fmt: skip
        if self.readonly:
            grids = {title: part for title, part in parts.items() if not isinstance(part, str)}
            return {target: fresh_workbook(grids)}
        return {target: next(iter(self.written(parts, stored).values()))}

    def target(self, name: str) -> Path:
        """Return where the workbook stands."""
        return self.path


def files_of(path: Path) -> CaseFiles:
    """Return how a case is read and written; InputError if it is none."""
    if is_folder(path):
        return FolderFiles(path)
    if is_file(path) and path.suffix.casefold() in SUFFIXES:
        return WorkbookFiles(path)
    kinds = ", ".join(SUFFIXES)
    mend = f"Choose a folder with {CIRCUIT_FILE}, a workbook ({kinds}), or a campaign."
    raise InputError([Fault("This is not a case.", mend, Place(file=path.name))])


def _content_of(path: Path) -> bytes:
    """Return what a file of a case holds; `InputError` if it cannot be read, or is too large."""
    if not is_file(path):
        raise InputError([Fault("This is no plain file.", "Take it out of the case.",
                                Place(file=path.name))])  # fmt: skip
    try:
        return read_bytes(path, Meter())
    except NotRead as refused:
        place = Place(file=path.name)
        raise InputError([Fault(refused.problem, refused.mend, place)]) from refused


def _is_table(name: str) -> bool:
    return Path(name).name == name and name.casefold().endswith(".csv")


def _plain_text(data: bytes) -> str:
    """Return a text as the page has it: its lines end as a page ends them, and no mark begins it.

    Raises
    ------
    InputError
        If it is no text.
    """
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        place = Place(file=CIRCUIT_FILE)
        raise InputError([Fault("It is not text in UTF-8.", "Save it as UTF-8.", place)]) from error
    return text.replace("\r\n", "\n")


def _text_bytes(text: str, before: bytes) -> bytes:
    """Return a text as a file: its mark and the ends of its lines are those that it had."""
    crlf = before.count(b"\r\n") * 2 > before.count(b"\n")
    lines = text.replace("\r\n", "\n")
    lines = lines.replace("\n", "\r\n") if crlf else lines
    try:
        data = lines.encode("utf-8")
    except UnicodeEncodeError as error:
        problem = "The text holds a character that no text can hold."
        place = Place(file=CIRCUIT_FILE)
        raise InputError([Fault(problem, "Type it again.", place)]) from error
    return codecs.BOM_UTF8 + data if before.startswith(codecs.BOM_UTF8) else data
