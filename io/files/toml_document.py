"""TOML files: read within the budget of all readers, or refused; names and texts written."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any

from oretally.io.files.budget import BUDGET, Meter, NotRead, read_bytes

__all__ = ["NotToml", "read_toml", "toml_document", "toml_key", "toml_text"]

# a key of so many parts: each part costs the parser as many steps as there are before it
_PART = r"""(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+"""
_LEVELS = re.compile(rf"""(?<![\w"'.-])(?:{_PART}){{{BUDGET.levels}}}""")
_TWICE = re.compile(r"(?:overwrite a value|twice).*at line (\d+)")
_DIGITS = re.compile(r"\d{400}")
_BARE = re.compile(r"[A-Za-z0-9_-]+")


class NotToml(NotRead):
    """The file is text, but no TOML; the mend is for who knows what should stand in it."""


def read_toml(path: Path) -> tuple[dict[str, Any], str]:
    """Return what a TOML file says, and its text.

    Raises
    ------
    NotToml, NotRead
        If it is none, or too large.
    """
    try:
        text = read_bytes(path, Meter(), definition=True).decode("utf-8-sig")
    except UnicodeDecodeError:
        raise NotRead("The file is not text in UTF-8.", "Save it as UTF-8.") from None
    return toml_document(text), text


def toml_document(text: str) -> dict[str, Any]:
    """Return what a text in TOML says.

    Raises
    ------
    NotToml, NotRead
        If it is none.
    """
    deep = _LEVELS.search(text)
    if deep is not None:
        line = text.count("\n", 0, deep.start()) + 1
        raise NotRead(
            f"Line {line} has a name of more than {BUDGET.levels} parts with points between them.",
            "Write plain tables, and names in quotes.",
        )
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        twice = _stated_twice(text, str(error))
        if twice is not None:
            raise twice from None
        raise NotToml(f"This is not TOML: {error}.", "") from None
    except RecursionError:
        raise NotRead("Tables are nested too deeply.", "Write plain tables.") from None
    except ValueError:  # Python refuses to read an integer of so many digits, or a date
        found = _DIGITS.search(text)
        where = f"Line {text.count(chr(10), 0, found.start()) + 1}" if found else "The file"
        raise NotRead(f"{where} has a number that cannot be read.", "Correct it.") from None


def _stated_twice(text: str, error: str) -> NotRead | None:
    """Return the refusal of a key or table that stands in the file twice, with both lines."""
    found = _TWICE.search(error)
    if found is None:
        return None
    lines = text.split("\n")
    last = int(found[1]) - 1
    name = _name_in(lines[last])
    table = name.startswith("[")
    for first in range(last - 1, -1, -1):
        other = _name_in(lines[first])
        if other == name:
            return NotRead(
                f"{name} stands in line {first + 1} and again in line {last + 1}.",
                "Keep one of them.",
            )
        if other.startswith("[") and not table:
            break
    return None


def _name_in(line: str) -> str:
    """Return the table that a line opens, in its brackets, or the key that it states."""
    line = line.strip()
    return line.partition("]")[0] + "]" if line.startswith("[") else line.partition("=")[0].strip()


def toml_text(text: str) -> str:
    r"""Return a text as TOML writes it: a basic string is one of JSON, but for one character.

    Examples
    --------
    >>> print(toml_text('5" sieve'))
    "5\" sieve"
    """
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def toml_key(name: str) -> str:
    """Return a name as it is written as a key of TOML, in quotes where it needs them.

    Examples
    --------
    >>> print(toml_key("Sn"), toml_key("Au in solution"), toml_key("Ca(OH)2"))
    Sn "Au in solution" "Ca(OH)2"
    """
    return name if _BARE.fullmatch(name) else toml_text(name)
