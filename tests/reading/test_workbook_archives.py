"""Files that only look like a workbook, and archives that would fill the memory."""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from often import NIGHTLY
from workbook_files import (
    SHEET,
    assert_refused,
    ods,
    packed,
    saved,
    shared,
    with_part,
)

from oretally.io.case import SHEETS
from oretally.io.files import read_workbook

STEP = 1 if NIGHTLY else 4
_ANEW = "Open it in a spreadsheet program and save it anew."


_AS_XLSX = "Save it as .xlsx or .ods from a spreadsheet program."


_OLE = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(504)


_LAUGHS = b"""<?xml version="1.0"?><!DOCTYPE x [<!ENTITY a "aaaaaaaaaa"><!ENTITY b \
"&a;&a;&a;&a;&a;&a;&a;&a;&a;&a;"><!ENTITY c "&b;&b;&b;&b;&b;&b;&b;&b;&b;&b;">]>"""


_ENTITIES = (
    "The workbook declares XML entities, which no spreadsheet program writes; it is not opened.\n"
    "Take it from its source anew."
)


def _laughing(data: bytes) -> bytes:
    return _LAUGHS + data[data.index(b"?>") + 2 if data.startswith(b"<?xml") else 0 :]


def _locked_members(path: Path) -> None:
    data = bytearray(path.read_bytes())
    at = data.index(b"PK\x01\x02")
    data[at + 8] |= 1
    path.write_bytes(bytes(data))


FAKES: dict[str, tuple[Callable[[Path], object], str]] = {
    "empty": (lambda p: p.write_bytes(b""),
              "The file is empty.\nSave it anew, or take it from its source."),
    "password": (lambda p: p.write_bytes(_OLE + "EncryptedPackage".encode("utf-16-le")),
                 "The workbook is protected by a password.\nSave it without a password."),
    "old format": (lambda p: p.write_bytes(_OLE + "Workbook".encode("utf-16-le")),
                   "The workbook is in the old .xls format.\nSave it as .xlsx."),
    "password of the archive": (_locked_members,
        "The workbook is protected by a password.\nSave it without a password."),
    "text": (lambda p: p.write_text("stream,dry mass [kg]\n"),
             f"The file is not a workbook, or it is cut off.\n{_AS_XLSX}"),
    "cut off": (lambda p: p.write_bytes(p.read_bytes()[:-400]),
                f"The file is not a workbook, or it is cut off.\n{_AS_XLSX}"),
    "binary format": (lambda p: packed(p, {"xl/workbook.bin": b"", "_rels/.rels": b""}),
                      "The workbook is in the binary format .xlsb.\nSave it as .xlsx."),
    "another archive": (lambda p: packed(p, {"readme.txt": b"hello"}),
                        f"The file is a zip archive, but no workbook.\n{_AS_XLSX}"),
    "entities in a sheet": (lambda p: with_part(p, SHEET, _laughing),
                            _ENTITIES),
    "entities in the texts": (lambda p: with_part(p, "xl/sharedStrings.xml", _laughing),
                              _ENTITIES),
    "a sheet that is cut off": (
        lambda p: with_part(p, SHEET, lambda d: d[:-40]),
        f"The workbook is damaged and cannot be read (ExpatError).\n{_ANEW}"),
    "a text that is not there": (
        lambda p: with_part(p, "xl/sharedStrings.xml", lambda d: b"<sst></sst>"),
        f"The workbook is damaged and cannot be read (IndexError).\n{_ANEW}"),
    "a sheet that is nowhere": (
        lambda p: with_part(p, "xl/_rels/workbook.xml.rels",
                            lambda d: d.replace(b'Id="rId2"', b'Id="other"')),
        f"The workbook is damaged and cannot be read (KeyError).\n{_ANEW}"),
}  # fmt: skip


@pytest.mark.parametrize("name", list(FAKES))
def test_what_only_looks_like_a_workbook(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    spoil, text = FAKES[name]
    path = shared(saved(tmp_path / "plant.xlsx"))
    spoil(path)
    assert assert_refused(path, capsys) == f"plant.xlsx: {text}"


def test_ods_that_only_looks_like_one(tmp_path: Path) -> None:
    path = ods(tmp_path / "plant.ods")
    with_part(path, "META-INF/manifest.xml", lambda d: d + b"<manifest:encryption-data/>")
    assert assert_refused(path) == (
        "plant.ods: The workbook is protected by a password.\nSave it without a password."
    )
    with_part(ods(path), "content.xml", _laughing)
    assert assert_refused(path) == f"plant.ods: {_ENTITIES}"


def test_a_folder_called_like_a_workbook(tmp_path: Path) -> None:
    (tmp_path / "plant.xlsx").mkdir()
    folder = tmp_path / "plant.xlsx"
    assert assert_refused(folder) == (
        f"{folder}: There is no circuit.toml in the folder.\n"
        "Write it, or start from 'oretally new'.\n\n"
        f"{folder}: There is no measurements.csv in the folder.\n"
        "Write it: one row a stream, one column a quantity."
    )


def test_a_million_formatted_rows_that_are_blank(tmp_path: Path) -> None:
    """To the last row that a sheet can have, formatted: only what is filled counts."""
    path = saved(tmp_path / "plant.xlsx")

    def format_all(data: bytes) -> bytes:
        blank = b"".join(
            b'<row r="%d" s="1" customFormat="1" ht="15">%s</row>'
            % (i, b"" if i % 8 else b'<c r="A%d" s="1"/><c r="C%d" s="1"/>' % (i, i))
            for i in range(8, 1_048_577, STEP)
        )
        return data.replace(b"</sheetData>", blank + b"</sheetData>")

    with_part(path, SHEET, format_all)
    with zipfile.ZipFile(path) as archive:
        assert archive.getinfo(SHEET).file_size > 50 * 10**6 / STEP
    sheets, faults = read_workbook(path, "plant.xlsx", SHEETS)
    assert not faults
    assert len(sheets["measurements"].rows) == 3
