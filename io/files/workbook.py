"""Sheets of .xlsx and .ods workbooks, as tables of located cells; the file is only read.

Read is what a person sees: saved values of formulas, percentages as percentages. Refused is what
nobody sees or what can be seen in two ways: hidden sheets, rows and columns; two sheets of one
name.
"""

from __future__ import annotations

import difflib
import zipfile
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from oretally.flowsheet import Fault, Place
from oretally.flowsheet.circuit import fold_name
from oretally.io.files.budget import BUDGET, Meter, NotRead, read_bytes
from oretally.io.files.ods_cells import ods_sheets
from oretally.io.files.table import Table, collection_paused, filled_columns, key_of, make_table
from oretally.io.files.workbook_xml import SheetXml, opened
from oretally.io.files.xlsx_cells import xlsx_sheets

__all__ = [
    "SUFFIXES", "Sheets", "Workbook", "archive_of", "open_workbook", "read_workbook",
    "workbook_sheets",
]  # fmt: skip

SUFFIXES = (".xlsx", ".xlsm", ".ods")
_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"  # compound file: old .xls, or an encrypted workbook
_ENCRYPTED = "EncryptedPackage".encode("utf-16-le")  # names of its streams, [MS-OFFCRYPTO]
_OLD = ("Workbook".encode("utf-16-le"), "Book".encode("utf-16-le"))  # [MS-XLS]
_ALMOST = 0.85  # how alike a misspelt sheet name is

# sheets that say nothing with a header alone, as a case to fill in has them
_MAY_STAY_BLANK = {"nodes", "analytes", "errors", "sources", "report", "containers", "doubts"}

Sheets = dict[str, Table]


@dataclass(frozen=True, slots=True)
class Workbook:
    """A workbook that was read once, to be taken as tables as often as needed.

    Attributes
    ----------
    path : Path
    name : str
        How the user knows it.
    sheets : tuple of SheetXml
        All of them; only those that were wanted have their cells.
    wanted : frozenset of str
        Folded titles.
    refused : Fault or None
        Why it could not be read.
    """

    path: Path
    name: str
    sheets: tuple[SheetXml, ...]
    wanted: frozenset[str]
    refused: Fault | None = None

    @collection_paused()
    def tables(
        self, wanted: Sequence[str], *, key: str | None = None
    ) -> tuple[Sheets, list[Fault]]:
        """Return some of the sheets that were read, as `read_workbook`."""
        if self.refused is not None:
            return {}, [self.refused]
        faults = list(_misspelt(self.sheets, wanted, self.name))
        sheets: Sheets = {}
        first: dict[str, str] = {}
        for sheet in self.sheets:
            title, where = fold_name(sheet.title), Place(file=self.name, sheet=sheet.title)
            if title not in wanted or not sheet.rows:
                continue
            if title in first:
                faults.append(
                    Fault(
                        f"The sheets '{first[title]}' and '{sheet.title}' have one name but for "
                        "spaces and capitals.",
                        "Keep one of them; rename or delete the other.",
                        where,
                    )
                )
                continue
            first[title] = sheet.title
            faults.extend(_hidden(sheet, where))
            lines = filled_columns(where, sheet.rows)
            if isinstance(lines, Fault):
                faults.append(lines)
                continue
            table, wrong = make_table(where, lines, key=key_of(title) if key is None else key)
            if table is not None and not table.rows and title in _MAY_STAY_BLANK:
                continue
            faults.extend(wrong)
            if table is not None:
                sheets[title] = table
        return sheets, faults

    def only(self, wanted: Collection[str]) -> Workbook:
        """Return it with the cells of some sheets alone."""
        sheets = [s if fold_name(s.title) in wanted else replace(s, rows=[]) for s in self.sheets]
        return replace(self, sheets=tuple(sheets), wanted=self.wanted & frozenset(wanted))


def _hidden(sheet: SheetXml, where: Place) -> Iterable[Fault]:
    """Refuse what nobody sees."""
    if sheet.hidden:
        yield Fault(
            "The sheet is hidden: nobody sees what would be read from it.",
            "Show it (right click on the tabs of the sheets), or rename or delete it.",
            where,
        )
    unseen = sheet.unseen()
    if unseen is not None:
        yield Fault(
            "The row or column is hidden: nobody sees what would be read from it.",
            "Show it (clear the filter, if there is one), or delete it.",
            unseen,
        )


@collection_paused()
def open_workbook(path: Path, name: str, wanted: Collection[str]) -> Workbook:
    """Read the wanted sheets; their names may be spelt in any case."""
    place, titles = Place(file=name), frozenset(wanted)
    try:
        found = workbook_sheets(read_bytes(path, meter := Meter()), name, titles, meter)
    except NotRead as refused:
        return Workbook(path, name, (), titles, Fault(refused.problem, refused.mend, place))
    except Exception as error:  # a broken file can provoke whatever there is
        kind = type(error).__name__
        damaged = Fault(
            f"The workbook is damaged and cannot be read ({kind}).",
            "Open it in a spreadsheet program and save it anew.",
            place,
        )
        return Workbook(path, name, (), titles, damaged)
    return Workbook(path, name, tuple(found), titles)


def read_workbook(
    path: Path, name: str, wanted: Sequence[str], *, key: str | None = None
) -> tuple[Sheets, list[Fault]]:
    """Read the wanted sheets; their names may be spelt in any case.

    ``key`` is the column that tells their header, see `make_table`; by their names if not given.

    Returns
    -------
    sheets : dict of str to Table
        Empty sheets are left out.
    faults : list of Fault
    """
    return open_workbook(path, name, wanted).tables(wanted, key=key)


def workbook_sheets(
    data: bytes, name: str, wanted: Collection[str], meter: Meter
) -> list[SheetXml]:
    """Return the sheets of a workbook by what is in it, whatever its name ends in.

    ``wanted`` are folded titles; the cells of other sheets are not read. NotRead if it is refused.
    """
    with archive_of(data) as archive:
        members = set(archive.namelist())

        def is_wanted(title: str) -> bool:
            return fold_name(title) in wanted

        if "content.xml" in members:
            manifest = "META-INF/manifest.xml"
            if manifest in members:
                with archive.open(manifest) as file:
                    if b"encryption-data" in file.read(BUDGET.piece):
                        raise _locked()
            return ods_sheets(archive, name, is_wanted, meter)
        if any(member.endswith(".bin") and "workbook" in member for member in members):
            raise NotRead("The workbook is in the binary format .xlsb.", "Save it as .xlsx.")
        if "_rels/.rels" not in members and "xl/workbook.xml" not in members:
            raise NotRead(
                "The file is a zip archive, but no workbook.",
                "Save it as .xlsx or .ods from a spreadsheet program.",
            )
        return xlsx_sheets(archive, name, is_wanted, meter)


def _locked() -> NotRead:
    return NotRead("The workbook is protected by a password.", "Save it without a password.")


def archive_of(data: bytes) -> zipfile.ZipFile:
    """Return the archive of a workbook; refuse what is none."""
    if not data:
        raise NotRead("The file is empty.", "Save it anew, or take it from its source.")
    if data.startswith(_OLE):
        if _ENCRYPTED in data:
            raise _locked()
        if any(stream in data for stream in _OLD):
            raise NotRead("The workbook is in the old .xls format.", "Save it as .xlsx.")
        raise NotRead(
            "The workbook is protected by a password, or in the old .xls format.",
            "Save it as .xlsx without a password.",
        )
    try:
        archive = opened(data)
    except (zipfile.BadZipFile, NotImplementedError, ValueError, OSError):
        mend = "Save it as .xlsx or .ods from a spreadsheet program."
        raise NotRead("The file is not a workbook, or it is cut off.", mend) from None
    if any(member.flag_bits & 1 for member in archive.infolist()):
        raise _locked()
    return archive


def _misspelt(found: Iterable[SheetXml], wanted: Sequence[str], name: str) -> Iterable[Fault]:
    """Refuse sheets that are not read, but are called almost like one that is missing."""
    titles = [fold_name(sheet.title) for sheet in found]
    missing = [key for key in wanted if key not in titles]
    for sheet, title in zip(found, titles, strict=True):
        near = difflib.get_close_matches(title, missing, n=1, cutoff=_ALMOST)
        if near and title not in wanted:
            yield Fault(
                f"No sheet '{sheet.title}' is known.",
                f"Did you mean '{near[0]}'? Otherwise give it another name.",
                Place(file=name, sheet=sheet.title),
            )
