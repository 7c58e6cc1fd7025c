"""Doors whose names are imported when they are first used: not every case needs all of them.

Imports are most of what a small case takes from the start of a command to its answer.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any

__all__ = ["late_names"]


def late_names(door: str, homes: Mapping[str, str]) -> Callable[[str], Any]:
    """Return the ``__getattr__`` of a door (PEP 562).

    Type checkers do not read it: beside it the door imports the same names for them. To profit,
    import the door and write ``door.name``; ``from door import name`` imports at once.

    Parameters
    ----------
    door : str
        Its ``__name__``.
    homes : mapping of str to str
        Module or folder below the door, and the names that it holds, separated by blanks. No name
        may be that of a module below the door, which takes its place once it is imported.
    """
    home = {name: below for below, names in homes.items() for name in names.split()}

    def found(name: str) -> Any:
        if name not in home:
            raise AttributeError(f"module {door!r} has no attribute {name!r}")
        value = getattr(import_module(f"{door}.{home[name]}"), name)
        setattr(sys.modules[door], name, value)  # so that it is looked for once
        return value

    return found
