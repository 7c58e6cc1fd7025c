"""Files that are read: looked at, read, and noted, so that no output is ever written over one."""

from __future__ import annotations

import errno
import os
import stat
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass
from pathlib import Path

from oretally.flowsheet import Fault, InputError, Place
from oretally.flowsheet.foreign_text import unreadable_character

__all__ = [
    "Home", "contents_kept",
    "first_bytes", "given_contents", "home_of", "inputs_read", "is_file", "is_folder", "is_there",
    "names_in", "note_inputs", "read_input", "readable_name", "refused_name",
    "size_of",
]  # fmt: skip

_noted: ContextVar[list[Path] | None] = ContextVar("inputs read", default=None)
_kept: ContextVar[dict[Path, bytes] | None] = ContextVar("contents kept", default=None)
_given: ContextVar[Mapping[Path, bytes] | None] = ContextVar("contents given", default=None)
_home: ContextVar[Mapping[str, Home] | None] = ContextVar("homes of what is given", default=None)


@dataclass(frozen=True, slots=True)
class Home:
    """Where the rows of a file that was cut from another stand in that one.

    Attributes
    ----------
    name : str
        How the user knows it.
    rows : tuple of int
        Counted from 1, of the rows below the header of what was cut out.
    """

    name: str
    rows: tuple[int, ...]


def note_inputs() -> None:
    """From here on note every file that is read; forget what was noted before."""
    _noted.set([])


def inputs_read() -> tuple[Path, ...]:
    """Return the files read since `note_inputs`; none where it was not called."""
    return tuple(_noted.get() or ())


def read_input(path: Path) -> bytes:
    """Return the content of a file of the user.

    Raises
    ------
    OSError
        If it cannot be read.
    """
    given = _given.get()
    if given is not None:
        if path not in given:
            raise FileNotFoundError(errno.ENOENT, os.strerror(errno.ENOENT), str(path))
        return given[path]
    noted, kept = _noted.get(), _kept.get()
    if noted is not None and path not in noted:
        noted.append(path)
    content = path.read_bytes()
    if kept is not None:
        kept[path] = content
    return content


def first_bytes(path: Path, most: int) -> bytes:
    """Return how a file of the user begins; an `OSError` where it cannot be read.

    It is looked at, not taken in: it is not noted, and of what is given nothing is looked at.
    """
    with path.open("rb") as file:
        return file.read(most)


def size_of(path: Path) -> int:
    """Return how many bytes a file of the user has; an `OSError` where that cannot be told."""
    given = _given.get()
    if given is None:
        return os.stat(path).st_size
    return len(read_input(path))


@contextmanager
def contents_kept() -> Iterator[Mapping[Path, bytes]]:
    """Give what is read inside, by path, byte for byte: of what was read nothing else is kept."""
    kept: dict[Path, bytes] = {}
    token = _kept.set(kept)
    try:
        yield kept
    finally:
        _kept.reset(token)


@contextmanager
def given_contents(
    files: Mapping[Path, bytes], homes: Mapping[str, Home] | None = None
) -> Iterator[None]:
    """Read files from memory inside: these are there, in their folders, and no others.

    ``homes`` by the names of files: of which other file the rows of one are told.
    """
    token, at_home = _given.set(files), _home.set(homes)
    try:
        yield
    finally:
        _home.reset(at_home)
        _given.reset(token)


def home_of(name: str) -> Home | None:
    """Return of which other file the rows of one are told; None if they are its own."""
    return (_home.get() or {}).get(name)


def names_in(path: Path) -> tuple[str, ...]:
    """Return the names in a folder, in their order, without hidden ones.

    Raises
    ------
    InputError
        If it cannot be looked through.
    """
    try:
        return tuple(sorted(name for name in os.listdir(path) if not name.startswith(".")))
    except OSError as error:
        problem = f"The folder cannot be looked through: {error.strerror}."
        mend = "Check its name, and that you may read it."
        raise InputError([Fault(problem, mend, Place(file=str(path)))]) from error


def is_folder(path: Path) -> bool:
    """Tell whether there is a folder of that name; an `InputError` where that cannot be told."""
    return stat.S_ISDIR(_mode(path))


def is_file(path: Path) -> bool:
    """Tell whether there is a plain file of that name; an `InputError` where it cannot be told."""
    return stat.S_ISREG(_mode(path))


def is_there(path: Path) -> bool:
    """Tell whether there is anything of that name; an `InputError` where that cannot be told."""
    return _mode(path) != 0


def _mode(path: Path) -> int:
    """Return what kind of thing a name leads to; 0 if to nothing."""
    given = _given.get()
    if given is not None:
        if path in given:
            return stat.S_IFREG
        return stat.S_IFDIR if any(path in file.parents for file in given) else 0
    try:
        return os.stat(path).st_mode
    except (FileNotFoundError, NotADirectoryError, ValueError):  # the last: no name at all
        return 0
    except OSError as error:
        mend = "Check its name, and that you may enter the folder that it is in."
        problem = f"It cannot be looked at: {error.strerror}."
        raise InputError([Fault(problem, mend, Place(file=str(path)))]) from error


def readable_name(name: str) -> str:
    r"""Return a file's name with the bytes that are no text written out, as in ``caf\xe9``."""
    return os.fsencode(name).decode(sys.getfilesystemencoding(), "backslashreplace")


def refused_name(path: Path, what: str) -> Fault | None:
    """Return the fault of a file or folder whose name cannot be read as it stands; None if it can.

    Bytes that are no text are not judged here. ``what`` it is, as in 'case'.
    """
    wrong = unreadable_character(path.name.encode("utf-8", "ignore").decode(), name=True)
    if not wrong:
        return None
    problem = f"The name of the {what} has the character {wrong}."
    return Fault(problem, "Rename it.", Place(file=str(path)))
