"""How an answer is named where a user asks for one: the same spellings in every command."""

from __future__ import annotations

from collections.abc import Sequence

from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.faults import nearest_name

__all__ = [
    "ANSWER_FORMS",
    "asked_answer",
    "curve_names",
    "grade_names",
    "pull_names",
    "recovery_names",
    "unknown_answer",
    "value_names",
]

ANSWER_FORMS = (
    "Write 'recovery of ANALYTE to STREAM', 'mass pull to STREAM' (or 'yield of STREAM') or "
    "'QUANTITY of STREAM' (or 'grade of ANALYTE in STREAM')."
)


def recovery_names(analyte: str, stream: str) -> tuple[str, ...]:
    """Return the spellings of a recovery."""
    return (
        f"recovery of {analyte} to {stream}",
        f"{analyte} recovery to {stream}",
        f"recovery of {analyte} in {stream}",
        f"{analyte} recovery in {stream}",
    )


def pull_names(stream: str) -> tuple[str, ...]:
    """Return the spellings of the mass of a stream as a share of the feed's."""
    return tuple(f"{what} {to} {stream}" for what in ("mass pull", "yield") for to in ("to", "of"))


def grade_names(analyte: str, stream: str) -> tuple[str, ...]:
    """Return the spellings of a grade."""
    whats = (f"grade of {analyte}", f"{analyte} grade", analyte)
    return tuple(f"{what} {of} {stream}" for what in whats for of in ("in", "of"))


def curve_names(kind: str, analyte: str, *, alone: bool = False) -> tuple[str, ...]:
    """Return the spellings of the plateau, or the rate, of an analyte in a test over time.

    ``alone``: no other analyte has any, so that it need not be named.
    """
    return f"{kind} of {analyte}", f"{analyte} {kind}", *((kind,) if alone else ())


def value_names(quantity: str, stream: str) -> tuple[str, ...]:
    """Return the spellings of a value that is no grade, such as a dry mass."""
    return f"{quantity} of {stream}", f"{quantity} in {stream}"


def asked_answer(text: str, known: Sequence[Sequence[str]]) -> int | None:
    """Return which answer a text names; None if it names none.

    Case, blanks and quotation marks do not count.

    Parameters
    ----------
    text : str
    known : sequence of sequence of str
        The spellings of each answer.

    Examples
    --------
    >>> known = [recovery_names("Cu", "conc"), pull_names("conc"), grade_names("Cu", "conc")]
    >>> [asked_answer(t, known) for t in ("cu recovery to conc", "Yield of 'conc'", "Cu in conc")]
    [0, 1, 2]
    >>> asked_answer("the best", known) is None
    True
    """
    meant = {_folded(name): i for i, names in reversed([*enumerate(known)]) for name in names}
    return meant.get(_folded(text))


def unknown_answer(text: str, names: Sequence[str]) -> str:
    """Return how to mend a text that names no answer.

    Parameters
    ----------
    text : str
    names : sequence of str
        The answers there are, as they are shown.

    Examples
    --------
    >>> unknown_answer("recovery of Cu to con", ["recovery of Cu to conc"])
    "Did you mean 'recovery of Cu to conc'?"
    """
    near = nearest_name(text, names)
    if near is not None:
        return f"Did you mean '{near}'?"
    return f"{ANSWER_FORMS} Here for example '{names[0]}'." if names else ANSWER_FORMS


def _folded(text: str) -> str:
    return fold_name(text.replace("'", "").replace('"', ""))
