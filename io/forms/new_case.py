"""Cases to start from: a blank one with hints, or a copy of an example."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from contextlib import suppress
from dataclasses import replace
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path

from oretally.flowsheet import Fault, InputError, Place
from oretally.flowsheet.faults import did_you_mean
from oretally.io.case import CIRCUIT_FILE, MEASUREMENTS_FILE
from oretally.io.definition import STOCKS_FILE
from oretally.io.files import create_file, is_folder, is_there, refused_name
from oretally.io.forms.answers import WantedCase
from oretally.io.forms.case_workbook import case_workbook
from oretally.io.forms.kind_texts import case_texts
from oretally.io.kinetics import KINETICS_FILE
from oretally.io.laboratory import LAB_FILE
from oretally.io.sizes import SIZES_FILE

__all__ = ["MANY_SURVEYS", "example_names", "make_case", "refuse_taken"]

_FILES = (CIRCUIT_FILE, MEASUREMENTS_FILE, LAB_FILE, SIZES_FILE, STOCKS_FILE, KINETICS_FILE)
_BLANK = "oretally.io"
_EXAMPLES = "oretally.examples"
_PLANT = "plant.toml"  # circuit of an example of many surveys
MANY_SURVEYS = "surveys.csv"
"""Table of an example of many surveys."""
_ENDING = re.compile(r"\.[A-Za-z][A-Za-z0-9]{0,3}")  # of a file's name; folders may be 'test 1.5'


def example_names(*, campaigns: bool = False) -> list[tuple[str, str]]:
    """Return the names and titles of the examples; of many surveys too, if asked for."""
    found = []
    circuits = (CIRCUIT_FILE, _PLANT) if campaigns else (CIRCUIT_FILE,)
    for folder in sorted(files(_EXAMPLES).iterdir(), key=lambda each: each.name):
        for name in circuits:
            if folder.joinpath(name).is_file():
                text = folder.joinpath(name).read_text("utf-8")
                found.append((folder.name, str(tomllib.loads(text).get("title", ""))))
    return found


def make_case(
    target: Path, example: str | None = None, *, wanted: WantedCase | None = None
) -> list[Path]:
    """Write a case to fill in and return the files written.

    Parameters
    ----------
    target : Path
        A folder, new or empty; or a file ending in .xlsx, new.
    example : str, optional
        Name of the example to copy.
    wanted : WantedCase, optional
        A case of a kind; without it and an example it is a blank one.

    Raises
    ------
    InputError
        If the target exists already, there is no such example, or the names of ``wanted`` make no
        circuit.
    """
    texts = case_texts(wanted) if wanted is not None else _copied(_source(example))
    refuse_taken(target)
    if _is_book(target) and CIRCUIT_FILE not in texts:
        raise _refused(target, f"'{example}' is a table of many surveys, and no case.",
                       "Give a folder.")  # fmt: skip
    try:
        if _is_book(target):
            tables = [texts.get(name, "") for name in _FILES[2:]]
            first = texts[CIRCUIT_FILE], texts[MEASUREMENTS_FILE]
            create_file(target, case_workbook(*first, *tables, example=example))
            return [target]
        _write_folder(target, texts)
    except OSError as error:
        raise _unwritable(target, error) from error
    return [target / name for name in texts]


def _copied(source: Traversable) -> dict[str, str]:
    return {
        name: source.joinpath(name).read_text("utf-8")
        for name in (*_FILES, _PLANT, MANY_SURVEYS)
        if source.joinpath(name).is_file()
    }


def _is_book(target: Path) -> bool:
    return target.suffix.casefold() == ".xlsx"


def _unwritable(target: Path, error: OSError) -> InputError:
    return _refused(target, f"It cannot be written: {error.strerror}.",
                    "Give a folder that exists and may be written to.")  # fmt: skip


def refuse_taken(target: Path) -> None:
    """Refuse a place where something is already, or that a case cannot have.

    Raises
    ------
    InputError
    """
    if (wrong := refused_name(target, "case")) is not None:
        raise InputError([replace(wrong, mend="Choose another name.")])
    book = _is_book(target)
    if not (book or is_folder(target)) and _ENDING.fullmatch(target.suffix):
        raise _refused(target, f"A case is not written as a {target.suffix} file.",
                       "Give a folder, or a file ending in .xlsx.")  # fmt: skip
    try:
        taken = any(target.iterdir()) if is_folder(target) and not book else is_there(target)
    except OSError as error:
        raise _unwritable(target, error) from error
    if taken:
        raise _refused(target, "It exists already, and nothing is ever written over.",
                       "Choose another name.")  # fmt: skip


def _write_folder(target: Path, texts: Mapping[str, str]) -> None:
    """Write a folder with all of the texts, or leave nothing behind.

    The circuit comes last: should the process be killed, what is there is no case.
    """
    folders = [each for each in (target, *target.parents) if not is_there(each)]
    written: list[Path] = []
    try:
        target.mkdir(parents=True, exist_ok=True)
        for name in sorted(texts, key=lambda name: name == CIRCUIT_FILE):
            written.append(target / name)
            create_file(target / name, texts[name])
    except FileExistsError:
        _remove(written[:-1], folders)  # the last one is somebody else's
        raise
    except BaseException:
        _remove(written, folders)
        raise


def _remove(files: Iterable[Path], folders: Iterable[Path]) -> None:
    """Remove what was begun: files, then folders, the inner ones first, as far as empty."""
    with suppress(OSError):
        for file in files:
            file.unlink(missing_ok=True)
        for folder in folders:
            folder.rmdir()


def _refused(target: Path, problem: str, mend: str) -> InputError:
    return InputError([Fault(problem, mend, Place(file=str(target)))])


def _source(example: str | None) -> Traversable:
    if example is None:
        return files(_BLANK).joinpath("templates")
    names = [name for name, _ in example_names(campaigns=True)]
    if example not in names:
        mend = did_you_mean(example, names, "Examples")
        raise InputError([Fault(f"There is no example '{example}'.", mend)])
    return files(_EXAMPLES).joinpath(example)
