"""Streams as a case writes them: ends, what is carried, whose grades it has."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from oretally.flowsheet import Fault, Place, Stream, UnitError
from oretally.flowsheet.circuit import Content, fold_name
from oretally.flowsheet.faults import did_you_mean
from oretally.flowsheet.units import Elapsed, time_unit
from oretally.io.cells import read_amount, read_definition_number

__all__ = ["stream_of", "with_likes_spelt"]

_TAKES_UP = ("carbon", "resin", "precipitate")
"""What takes analytes out of the solution: dry solids that were never ore."""
_CARRIES = {
    "pulp": Content.PULP, "dry": Content.DRY, "water": Content.SOLUTION,
    "solution": Content.SOLUTION, **dict.fromkeys(_TAKES_UP, Content.DRY),
}  # fmt: skip


def stream_of(
    name: str, ends: tuple[str | None, str | None], carries: object, like: object, place: Place,
    faults: list[Fault], *, time: object = None, unit: str = "",
) -> Stream:  # fmt: skip
    """Return a stream; what is wrong with its content, likeness or time is added to ``faults``.

    Parameters
    ----------
    name : str
    ends : pair of str or None
        Nodes that it leaves and enters.
    carries : object
        'pulp', 'dry', 'water' or 'solution', or 'carbon', 'resin' or 'precipitate', as written;
        pulp if it is None or empty.
    like : object
        Name of the stream whose grades it has, as written; None or empty if of none.
    place : Place
    faults : list of Fault
    time : object
        Since the start of the test, such as '0.5 min', as written; None or empty if it has none.
    unit : str
        Of times that are written without one.
    """
    content, word = Content.PULP, ""
    if carries not in (None, ""):
        word = str(carries).strip().casefold()
        if word not in _CARRIES:
            mend = did_you_mean(word, list(_CARRIES), "Write one of")
            faults.append(Fault(f"The stream '{name}' is said to carry '{carries}'.", mend, place))
        content = _CARRIES.get(word, Content.PULP)
    whose = None
    if like not in (None, ""):
        if isinstance(like, str) and like.strip():
            whose = " ".join(like.split())
        else:
            faults.append(
                Fault(f"'like' of the stream '{name}' must be the name of a stream.",
                      "Name the stream whose grades it has, or leave it out.", place)
            )  # fmt: skip
    return Stream(name, *ends, place, content=content, like=whose,
                  takes_up=word if word in _TAKES_UP else "",
                  time=_read_time(name, time, unit, place, faults))  # fmt: skip


def _read_time(
    name: str, written: object, unit: str, place: Place, faults: list[Fault]
) -> Elapsed | None:
    """Return a time as written; None, with a fault if something is written, if it is none."""
    if written is None or (isinstance(written, str) and not written.strip()):
        return None
    example = 'Write it with its unit, counted from the start: "0.5 min".'
    bare = read_definition_number(written)
    amount = (bare, unit) if bare is not None else read_amount(written)
    if amount is None or amount[0] is None:
        found = f"The time of '{name}' is '{written}': that is no number with a unit."
        faults.append(Fault(found, example, place))
        return None
    if not amount[1]:
        faults.append(Fault(f"The time of '{name}', {bare:g}, has no unit.", example, place))
        return None
    try:
        return Elapsed(amount[0], time_unit(amount[1]))
    except UnitError as error:
        faults.append(Fault(f"The time of '{name}': {error.problem}", error.mend, place))
        return None


def with_likes_spelt(streams: Sequence[Stream]) -> list[Stream]:
    """Return the streams, those that they are like spelt as they are themselves."""
    spelling = {fold_name(s.name): s.name for s in reversed(streams)}
    return [
        s if s.like is None else replace(s, like=spelling.get(fold_name(s.like), s.like))
        for s in streams
    ]
