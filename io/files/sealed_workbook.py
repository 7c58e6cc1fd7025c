"""Workbooks that we write, sealed: whether anything was typed into one since can be told."""

from __future__ import annotations

import hashlib
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING

from oretally.io.files.written_cells import book_bytes, storable

if TYPE_CHECKING:
    from openpyxl import Workbook

__all__ = ["is_as_sealed", "sealed"]

_CORE = "docProps/core.xml"
_SEAL = "oretally:"


def sealed(book: Workbook, title: str) -> bytes:
    """Return a workbook as a file that names its maker, its title and a seal of its contents.

    The seal is the document's identifier: a digest of the checksums of all other parts. A
    spreadsheet program that saves the workbook writes other parts, so the seal no longer fits.
    """
    book.properties.creator, book.properties.title = "oretally", storable(title)
    return book_bytes(book, _seal)


def is_as_sealed(path: Path) -> bool:
    """Tell whether a file is a workbook that `sealed` gave, with nothing changed since."""
    try:
        with zipfile.ZipFile(path) as archive:
            return _seal(archive).encode() in archive.read(_CORE)
    except (OSError, KeyError, ValueError, NotImplementedError, RuntimeError, zipfile.BadZipFile):
        return False


def _seal(archive: zipfile.ZipFile) -> str:
    """Return the seal that fits the parts of a workbook."""
    parts = sorted(f"{p.filename} {p.CRC:08x}" for p in archive.infolist() if p.filename != _CORE)
    return _SEAL + hashlib.sha256("\n".join(parts).encode()).hexdigest()
