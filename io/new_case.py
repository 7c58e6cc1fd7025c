"""Cases to start from: a blank one with hints, or a copy of an example."""

from __future__ import annotations

import io
import tomllib
from collections.abc import Sequence
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from oretally.flowsheet import Fault, InputError, Place
from oretally.flowsheet.faults import nearest_name
from oretally.io.case import CIRCUIT_FILE, MEASUREMENTS_FILE

__all__ = ["case_workbook", "example_names", "make_case"]

_BLANK = "oretally.io"
_EXAMPLES = "oretally.examples"


def example_names() -> list[tuple[str, str]]:
    """Return the names and titles of the examples."""
    found = []
    for folder in sorted(files(_EXAMPLES).iterdir(), key=lambda each: each.name):
        if folder.joinpath(CIRCUIT_FILE).is_file():
            text = folder.joinpath(CIRCUIT_FILE).read_text("utf-8")
            found.append((folder.name, str(tomllib.loads(text).get("title", ""))))
    return found


def make_case(target: Path, example: str | None = None) -> list[Path]:
    """Write a case to fill in and return the files written.

    Parameters
    ----------
    target : Path
        A folder, new or empty; or a file ending in .xlsx, new.
    example : str, optional
        Name of the example to copy.

    Raises
    ------
    InputError
        If the target exists already, or there is no such example.
    """
    source = _source(example)
    circuit = source.joinpath(CIRCUIT_FILE).read_text("utf-8")
    measurements = source.joinpath(MEASUREMENTS_FILE).read_text("utf-8")
    taken = target.is_dir() and any(target.iterdir())
    if taken or (target.exists() and not target.is_dir()):
        raise InputError(
            [
                Fault(
                    "It exists already, and nothing is ever written over.",
                    "Choose another name.",
                    Place(file=str(target)),
                )
            ]
        )
    try:
        if target.suffix.casefold() == ".xlsx":
            target.write_bytes(case_workbook(circuit, measurements))
            return [target]
        target.mkdir(parents=True, exist_ok=True)
        written = [target / CIRCUIT_FILE, target / MEASUREMENTS_FILE]
        for path, text in zip(written, (circuit, measurements), strict=True):
            path.write_text(text, encoding="utf-8")
    except OSError as error:
        problem = f"It cannot be written: {error.strerror}."
        mend = "Give a folder that exists and may be written to."
        raise InputError([Fault(problem, mend, Place(file=str(target)))]) from error
    return written


def _source(example: str | None) -> Traversable:
    if example is None:
        return files(_BLANK).joinpath("templates")
    names = [name for name, _ in example_names()]
    if example not in names:
        near = nearest_name(example, names)
        mend = f"Did you mean '{near}'?" if near else f"Examples: {', '.join(names)}."
        raise InputError([Fault(f"There is no example '{example}'.", mend)])
    return files(_EXAMPLES).joinpath(example)


def case_workbook(circuit: str, measurements: str) -> bytes:
    """Return the same case as a workbook.

    Parameters
    ----------
    circuit, measurements : str
        Texts of circuit.toml and measurements.csv.
    """
    import csv

    document = tomllib.loads(circuit)
    report = document.get("report", {})
    errors = [["", q, *_rule(rule)] for q, rule in document.get("errors", {}).items()]
    for name, entry in document["streams"].items():
        errors += [[name, q, *_rule(rule)] for q, rule in entry.get("errors", {}).items()]
    sheets: dict[str, list[Sequence[object]]] = {
        "circuit": [("stream", "from", "to")]
        + [(name, e.get("from", ""), e.get("to", "")) for name, e in document["streams"].items()],
        "nodes": [("node", "kind")]
        + [(name, e["kind"]) for name, e in document.get("nodes", {}).items()],
        "analytes": [("analyte", "unit", "max", "detection")]
        + [(n, e["unit"], e.get("max", ""), e.get("detection", ""))
           for n, e in document.get("analytes", {}).items()],
        "errors": [("stream", "quantity", "relative", "absolute", "coverage"), *errors],
        "report": [("key", "value"), ("title", document.get("title", "")),
                   ("basis", document.get("basis", ""))]
        + ([("feed", report["feed"])] if "feed" in report else [])
        + [("product", p) for p in report.get("products", [])],
        "containers": [("container", "mass"), *document.get("containers", {}).items()],
        "doubts": [("quantity", "percent"), *document.get("doubts", {}).items()],
        "measurements": list(csv.reader(io.StringIO(measurements))),
    }  # fmt: skip
    return _written(sheets)


def _rule(rule: dict[str, object]) -> list[object]:
    return [rule.get(key, "") for key in ("relative", "absolute", "coverage")]


def _written(sheets: dict[str, list[Sequence[object]]]) -> bytes:
    import openpyxl

    from oretally.io.sheet_cells import put

    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for title, lines in sheets.items():
        if len(lines) == 1:
            continue
        sheet = book.create_sheet(title)
        for i, line in enumerate(lines, start=1):
            for j, value in enumerate(line, start=1):
                put(sheet, i, j, _typed(value) if i > 1 else value, header=i == 1)
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def _typed(value: object) -> object:
    """Return text that is a number as that number."""
    if not isinstance(value, str):
        return value
    try:
        return float(value)
    except ValueError:
        return value
