"""What is wrong with an input: where, what was found, how to mend it.

Exceptions::

    OretallyError
    ├── InputError       the input is wrong; carries every fault found, not only the first
    └── NotBalanceable   the input is right as far as it goes, but no balance follows from it
        └── ContradictoryValues   ... because exact values contradict each other
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import Literal

from oretally.flowsheet.foreign_text import shown

__all__ = [
    "ContradictoryValues",
    "Fault",
    "InputError",
    "Missing",
    "NotBalanceable",
    "OretallyError",
    "Place",
    "did_you_mean",
    "nearest_name",
]


@dataclass(frozen=True, slots=True)
class Place:
    """Where something was written, as far as it is known.

    Attributes
    ----------
    file, sheet, cell : str
        File name, workbook sheet, cell address such as ``'E14'``; empty when not known.
    line : int or None
        Line number in a text file, counted from 1.
    stream, quantity : str
        Stream and quantity that the entry speaks of; empty when it speaks of none.
    """

    file: str = ""
    sheet: str = ""
    cell: str = ""
    line: int | None = None
    stream: str = ""
    quantity: str = ""

    def about(self, *, stream: str = "", quantity: str = "") -> Place:
        """Return this place with the stream and quantity filled in."""
        return Place(  # not dataclasses.replace: a large table asks a million times
            self.file, self.sheet, self.cell, self.line, stream or self.stream,
            quantity or self.quantity,
        )  # fmt: skip

    def __str__(self) -> str:
        parts = [
            self.file,
            f"sheet '{self.sheet}'" if self.sheet else "",
            f"line {self.line}" if self.line is not None else "",
            self.cell if " " in self.cell or not self.cell else f"cell {self.cell}",
            f"stream '{self.stream}'" if self.stream else "",
            self.quantity,
        ]
        return ", ".join(part for part in parts if part)


@dataclass(frozen=True, slots=True)
class Missing:
    """What is not there and would mend a fault: a form can offer it.

    Attributes
    ----------
    what : {'error', 'stream', 'number'}
        A stated error, a stream of the circuit, any number at all.
    name : str
        Of the quantity whose error could be stated by a rule, or of the stream; empty of a number.
    """

    what: Literal["error", "stream", "number"]
    name: str = ""


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing wrong with an input.

    Attributes
    ----------
    problem : str
        What was found and what is allowed: full sentences.
    mend : str
        How to put it right; several ways stand on lines of their own, most likely first.
    place : Place
        Where it was found.
    missing : Missing, optional
        What would mend it by being there.
    """

    problem: str
    mend: str
    place: Place = Place()
    missing: Missing | None = None

    def __str__(self) -> str:
        where = f"{self.place}: " if str(self.place) else ""
        return shown(f"{where}{self.problem}\n{self.mend}")


class OretallyError(Exception):
    """Base of every error that this package raises on purpose."""


class InputError(OretallyError):
    """The input is wrong; ``faults`` holds everything found, in reading order."""

    def __init__(self, faults: Iterable[Fault]) -> None:
        self.faults: tuple[Fault, ...] = tuple(faults)
        super().__init__("\n\n".join(str(fault) for fault in self.faults))


class NotBalanceable(OretallyError):
    """The data cannot be balanced; ``reason`` says why and ``mend`` what would settle it."""

    def __init__(self, reason: str, mend: str) -> None:
        self.reason = reason
        self.mend = mend
        super().__init__(shown(f"{reason}\n{mend}"))


class ContradictoryValues(NotBalanceable):
    """Exact values contradict each other.

    Attributes
    ----------
    flows : tuple of int
        Carriers whose exact flows take part.
    grades : tuple of (int, int)
        Analyte and carrier of the exact grades that take part.
    """

    def __init__(self, flows: Sequence[int], grades: Sequence[tuple[int, int]]) -> None:
        self.flows, self.grades = tuple(flows), tuple(grades)
        super().__init__(
            "Exact values contradict each other: no balance satisfies them all.",
            "Give one of them an error above 0.",
        )


def nearest_name(name: str, known: Sequence[str]) -> str | None:
    """Return the known name that a misspelt ``name`` most resembles, or None.

    Examples
    --------
    >>> nearest_name("tabel", ["table", "jig"])
    'table'
    >>> nearest_name("thickener", ["table", "jig"]) is None
    True
    """
    folded = {" ".join(k.split()).casefold(): k for k in known}
    found = difflib.get_close_matches(
        " ".join(name.split()).casefold(), list(folded), n=1, cutoff=0.6
    )
    return folded[found[0]] if found else None


def did_you_mean(
    name: str, known: Sequence[str], listed: str = "Known here", *, otherwise: str = ""
) -> str:
    """Return how to mend a name that is not known: the nearest known one, else all of them.

    Parameters
    ----------
    name : str
        As written.
    known : sequence of str
    listed : str
        What the known ones are called.
    otherwise : str
        What to say in place of a list.

    Examples
    --------
    >>> did_you_mean("tabel", ["table", "jig"], "Nodes")
    "Did you mean 'table'?"
    >>> did_you_mean("thickener", ["table", "jig"], "Nodes")
    'Nodes: table, jig.'
    """
    near = nearest_name(name, known)
    if near is not None:
        return f"Did you mean '{near}'?"
    return otherwise or f"{listed}: {', '.join(known)}."
