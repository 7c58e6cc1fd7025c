"""Workbooks that we write, sealed: whether anything was typed into one since can be told."""

from __future__ import annotations

import hashlib
import io
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING

from oretally.io.files.written_cells import storable

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
    from openpyxl.xml.functions import tostring

    book.properties.creator, book.properties.title = "oretally", storable(title)
    plain, out = io.BytesIO(), io.BytesIO()
    book.save(plain)
    with (
        zipfile.ZipFile(plain) as source,
        zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as target,
    ):
        book.properties.identifier = _seal(source)
        core = tostring(book.properties.to_tree())
        for name in source.namelist():
            target.writestr(name, core if name == _CORE else source.read(name))
    return out.getvalue()


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
