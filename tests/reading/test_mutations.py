"""Two thousand spoilt cases: each ends in a result or in a message, as statuses 0, 1 and 2 do.

The steps are those of the command ``balance``, in process. Reading is tried on every case; of the
cases that can still be read one in eight is balanced, which takes most of the time.
"""

from __future__ import annotations

import io
import random
import string
import traceback
import zipfile
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import datetime
from functools import lru_cache
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from often import often

from oretally.flowsheet import InputError, NotBalanceable
from oretally.io import read_case
from oretally.io.forms.case_workbook import case_workbook
from oretally.recon import reconcile

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
NAMES = ("tin_table", "wet_as_dry", "ounces_as_grams", "wrong_head")
EACH = 50  # cases of one test
BALANCED = 8  # one in so many
JUNK = ["", "0", "-1", "1e999", "nan", "<", "<0", ">1e300", "=1+1", "#REF!", "1,5", "1.234,5", "%",
        "kg", "feed", "±", "[", "]", "[%]", "stream", "\x00", "\u200b", "\N{MINUS SIGN}3", "1 000",
        "n.d.", "-", "trace", "9" * 400, "'", '"', "\ud7ff", "0.82 %", "3 ozt/st", "TRUE", "{",
        "\n", "1.5.2026", "from lab", "\N{INFINITY}", "x" * 5000]  # fmt: skip
VALUES: list[Any] = [None, True, 0, -1, 1e308, 5e-324, 1e22, datetime(2026, 5, 1),
                     datetime(1900, 1, 1)]  # fmt: skip
Mutate = Callable[[random.Random, str], tuple[str, bytes] | dict[str, bytes]]


def _files(name: str) -> dict[str, bytes]:
    folder = EXAMPLES / name
    return {p.name: p.read_bytes() for p in sorted(folder.iterdir())
            if p.suffix in (".toml", ".csv")}  # fmt: skip


@lru_cache
def _book(name: str) -> bytes:
    files = _files(name)
    return case_workbook(files["circuit.toml"].decode(), files["measurements.csv"].decode())


def _spoilt_bytes(rng: random.Random, data: bytes) -> bytes:
    """Cut, insert, exchange or repeat some bytes."""
    out = bytearray(data)
    for _ in range(rng.randint(1, 4)):
        at, many = rng.randrange(len(out) + 1), rng.choice([1, 1, 2, 8, 40])
        kind = rng.randrange(5)
        if kind == 0:
            del out[at : at + many]
        elif kind == 1:
            out[at:at] = rng.choice(JUNK).encode("utf-8", "replace")
        elif kind == 2:
            out[at : at + many] = rng.randbytes(many)
        elif kind == 3:
            out[at:at] = out[at : at + many]
        elif out:
            out[at % len(out)] = rng.choice(string.printable).encode()[0]
    return bytes(out)


def _spoilt_lines(rng: random.Random, data: bytes) -> bytes:
    """Spoil the cells, rows or columns of a CSV file, or the lines of a circuit."""
    lines = [line.split(",") for line in data.decode().splitlines()]
    for _ in range(rng.randint(1, 3)):
        line = rng.choice(lines)
        j, kind = rng.randrange(len(line)), rng.randrange(8)
        if kind <= 2:
            line[j] = rng.choice(JUNK)
        elif kind == 3:
            lines.insert(rng.randrange(len(lines)), list(line))
        elif kind == 4 and len(lines) > 1:
            lines.remove(line)
        elif kind == 5:
            other = rng.choice(lines)
            k = rng.randrange(len(other))
            line[j], other[k] = other[k], line[j]
        elif kind == 6:
            line.insert(j, rng.choice(JUNK))
        elif len(line) > 1:
            del line[j]
    return "\n".join(",".join(line) for line in lines).encode("utf-8", "replace")


def _spoilt_numbers(rng: random.Random, data: bytes) -> bytes:
    """Change numbers only: what can still be read, and must then be balanced or refused."""
    lines = [line.split(",") for line in data.decode().splitlines()]
    for _ in range(rng.randint(1, 5)):
        line = rng.choice(lines[1:])
        j = rng.randrange(1, len(line))
        try:
            number = float(line[j])
        except ValueError:
            continue
        line[j] = rng.choice(["", "0", "1e-300", "1e20", f"{number * 10:g}", f"{number / 1e6:g}",
                              f"{number + 1e9:g}", "<0.001", f"{rng.random():g}"])  # fmt: skip
    return "\n".join(",".join(line) for line in lines).encode()


def _folder(rng: random.Random, name: str) -> dict[str, bytes]:
    files = _files(name)
    file = rng.choice(["circuit.toml", "measurements.csv", "measurements.csv"])
    ways = [_spoilt_bytes, _spoilt_lines]
    ways += [] if file.endswith(".toml") else [_spoilt_numbers] * 2
    spoil = rng.choice(ways)
    files[file] = spoil(rng, files[file])
    if rng.random() < 0.02:
        del files[file]
    return files


def _book_bytes(rng: random.Random, name: str) -> tuple[str, bytes]:
    """Spoil the bytes of a workbook, or of one part of it, packed again."""
    book = _book(name)
    if rng.random() < 0.4:
        return "case.xlsx", _spoilt_bytes(rng, book)
    with zipfile.ZipFile(io.BytesIO(book)) as archive:
        parts = {each: archive.read(each) for each in archive.namelist()}
    part = rng.choice(sorted(parts))
    parts[part] = _spoilt_bytes(rng, parts[part])
    if rng.random() < 0.1:
        del parts[rng.choice(sorted(parts))]
    return "case.xlsx", _packed(parts)


def _packed(parts: dict[str, bytes]) -> bytes:
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w") as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return buffer.getvalue()


def _book_cells(rng: random.Random, name: str) -> tuple[str, bytes]:
    """Spoil cells, headers, formats, rows, columns, sheets of a workbook, or of the same .ods."""
    book = openpyxl.load_workbook(io.BytesIO(_book(name)))
    for _ in range(rng.randint(1, 3)):
        _spoil_sheet(rng, book)
    if rng.random() < 0.4:
        return "case.ods", _as_ods(rng, book)
    buffer = io.BytesIO()
    book.save(buffer)
    return "case.xlsx", buffer.getvalue()


def _spoil_sheet(rng: random.Random, book: openpyxl.Workbook) -> None:
    sheet: Any = rng.choice(book.worksheets)
    row, column = rng.randint(1, sheet.max_row), rng.randint(1, sheet.max_column)
    cell, kind = sheet.cell(row, column), rng.randrange(14)
    if kind <= 4:
        value = rng.choice([*JUNK, *VALUES])
        clean = openpyxl.cell.cell.ILLEGAL_CHARACTERS_RE.sub("", value)[:3000] if isinstance(
            value, str) else value  # fmt: skip
        cell.value = clean
    elif kind == 5:
        sheet.insert_rows(row)
        sheet.cell(row, column).value = rng.choice(["Test 4", 3.2, "", "stream", "25.4 kg"])
    elif kind == 6:
        sheet.delete_rows(row)
    elif kind == 7:
        sheet.insert_cols(column)
    elif kind == 8:
        sheet.delete_cols(column)
    elif kind == 9:
        sheet.append([c.value for c in sheet[row]])
    elif kind == 10:
        cell.number_format = rng.choice(
            ["0.0%", "dd/mm/yyyy", "0.0,", "[>1]0.0%;0.0", "@", "General"]
        )
    elif kind == 11:
        sheet.title = rng.choice([sheet.title[:-1], sheet.title.upper(), "other"])
    elif kind == 12:
        sheet.sheet_state = rng.choice(["hidden", "veryHidden"]) if len(book.worksheets) > 1 else (
            "visible")  # fmt: skip
    elif len(book.worksheets) > 1:
        rng.choice([book.remove, book.copy_worksheet])(sheet)


def _as_ods(rng: random.Random, book: openpyxl.Workbook) -> bytes:
    """Return a workbook as .ods, its types mixed up here and there."""
    from xml.sax.saxutils import escape, quoteattr

    sheets = []
    for sheet in book.worksheets:
        rows = []
        for line in sheet.iter_rows(values_only=True):
            cells = []
            for value in line:
                kind = "float" if isinstance(value, int | float) else "string"
                if rng.random() < 0.03:
                    kind = rng.choice(["float", "percentage", "date", "time", "boolean", "x", ""])
                shown = escape("" if value is None else str(value))
                cells.append(
                    f'<table:table-cell office:value-type="{kind}" office:value={quoteattr(shown)}'
                    f' office:date-value={quoteattr(shown)}><text:p>{shown}</text:p>'
                    "</table:table-cell>" if value is not None else "<table:table-cell/>"
                )  # fmt: skip
            rows.append(f"<table:table-row>{''.join(cells)}</table:table-row>")
        rows_ = "".join(rows)
        sheets.append(f"<table:table table:name={quoteattr(sheet.title)}>{rows_}</table:table>")
    body = f"<x><table:spreadsheet>{''.join(sheets)}</table:spreadsheet></x>".encode()
    return _packed({"content.xml": body if rng.random() < 0.8 else _spoilt_bytes(rng, body)})


def _outcome(path: Path, *, balance: bool) -> str:
    try:
        case = read_case(path)
        if not balance:
            return "read"
        found = reconcile(
            case.circuit, case.survey, feed=case.feed, products=case.products, rates=case.rates
        )
    except InputError as refused:
        assert refused.faults
        assert all(fault.problem and fault.mend for fault in refused.faults)
        assert all(fault.place.file for fault in refused.faults), str(refused)
        return "refused"
    except NotBalanceable as refused:
        assert refused.reason and refused.mend
        return "not balanceable"
    return "balanced" if found.converged else "not converged"


def _tried(mutate: Callable[[random.Random, str], Any], seeds: Sequence[int],
           folder: Path) -> Counter[str]:  # fmt: skip
    outcomes: Counter[str] = Counter()
    wrong = []
    for seed in seeds:
        rng = random.Random(seed)  # noqa: S311
        made = mutate(rng, NAMES[seed % len(NAMES)])
        path = folder / f"case{seed}"
        path.mkdir()
        files = made if isinstance(made, dict) else dict([made])
        for name, data in files.items():
            (path / name).write_bytes(data)
        source = path if isinstance(made, dict) else path / made[0]
        try:
            outcomes[_outcome(source, balance=seed // len(NAMES) % BALANCED == 0)] += 1
        except Exception:  # the point of the test: none is ever raised
            wrong.append(f"seed {seed}: {traceback.format_exc(limit=-3)}")
        assert {p.name: p.read_bytes() for p in path.iterdir()} == files, f"seed {seed} changed"
    assert not wrong, "\n".join(wrong)
    return outcomes


@pytest.mark.parametrize("first", range(0, often(1000), EACH))
def test_spoilt_folders(first: int, tmp_path: Path) -> None:
    outcomes = _tried(_folder, range(first, first + EACH), tmp_path)
    assert outcomes.total() == EACH
    assert outcomes["refused"] and outcomes["read"] + outcomes["balanced"]  # both ends are met


@pytest.mark.parametrize("first", range(1000, 1000 + often(500), EACH))
def test_spoilt_bytes_of_workbooks(first: int, tmp_path: Path) -> None:
    outcomes = _tried(_book_bytes, range(first, first + EACH), tmp_path)
    assert outcomes.total() == EACH
    assert outcomes["refused"]


@pytest.mark.parametrize("first", range(1500, 1500 + often(600), EACH))
def test_spoilt_cells_of_workbooks(first: int, tmp_path: Path) -> None:
    outcomes = _tried(_book_cells, range(first, first + EACH), tmp_path)
    assert outcomes.total() == EACH
    assert outcomes["refused"] and outcomes["read"] + outcomes["balanced"]
