"""Cases to start from: a blank one with hints, or a copy of an example."""

from __future__ import annotations

import tomllib
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from oretally.flowsheet import Fault, InputError, Place
from oretally.flowsheet.faults import did_you_mean
from oretally.io.case import CIRCUIT_FILE, MEASUREMENTS_FILE
from oretally.io.definition import STOCKS_FILE
from oretally.io.forms.case_workbook import case_workbook
from oretally.io.laboratory import LAB_FILE
from oretally.io.sizes import SIZES_FILE

__all__ = ["example_names", "make_case"]

_BLANK = "oretally.io"
_EXAMPLES = "oretally.examples"
_OTHER_FILES = {".ods", ".xls", ".xlsm", ".csv", ".toml"}


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
    texts = {
        name: source.joinpath(name).read_text("utf-8")
        for name in (CIRCUIT_FILE, MEASUREMENTS_FILE, LAB_FILE, SIZES_FILE, STOCKS_FILE)
        if source.joinpath(name).is_file()
    }
    suffix = target.suffix.casefold()
    if suffix in _OTHER_FILES:
        raise _refused(target, f"A case is not written as a {suffix} file.",
                       "Give a folder, or a file ending in .xlsx.")  # fmt: skip
    taken = target.is_dir() and any(target.iterdir())
    if taken or (target.exists() and (suffix == ".xlsx" or not target.is_dir())):
        raise _refused(target, "It exists already, and nothing is ever written over.",
                       "Choose another name.")  # fmt: skip
    try:
        if suffix == ".xlsx":
            tables = [texts.get(name, "") for name in (LAB_FILE, SIZES_FILE, STOCKS_FILE)]
            first = texts[CIRCUIT_FILE], texts[MEASUREMENTS_FILE]
            book = case_workbook(*first, *tables, example=example)
            with target.open("xb") as file:
                file.write(book)
            return [target]
        target.mkdir(parents=True, exist_ok=True)
        for name, text in texts.items():
            (target / name).write_text(text, encoding="utf-8")
    except OSError as error:
        raise _refused(target, f"It cannot be written: {error.strerror}.",
                       "Give a folder that exists and may be written to.") from error  # fmt: skip
    return [target / name for name in texts]


def _refused(target: Path, problem: str, mend: str) -> InputError:
    return InputError([Fault(problem, mend, Place(file=str(target)))])


def _source(example: str | None) -> Traversable:
    if example is None:
        return files(_BLANK).joinpath("templates")
    names = [name for name, _ in example_names()]
    if example not in names:
        mend = did_you_mean(example, names, "Examples")
        raise InputError([Fault(f"There is no example '{example}'.", mend)])
    return files(_EXAMPLES).joinpath(example)
