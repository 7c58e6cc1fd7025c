"""Products of a test over time: which they are, in order of time, and what is wrong with them."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from oretally.flowsheet.circuit.streams import Content, Stream
from oretally.flowsheet.faults import Fault

__all__ = ["time_faults", "timed_streams"]

_CUMULATIVE = (
    "Times count from the start of the test, as read off the clock at which each product ended."
)


def timed_streams(streams: Iterable[Stream]) -> tuple[Stream, ...]:
    """Return the streams with a time, in its order."""
    timed = [s for s in streams if s.time is not None]
    return tuple(sorted(timed, key=lambda s: s.time.seconds if s.time else 0.0))


def time_faults(streams: Sequence[Stream]) -> list[Fault]:
    """Return the faults of times, each with the mend; empty if there is none.

    Timed streams are outlets of one node, listed in order of time, and all its outlets but one:
    what is left at the end has no time.
    """
    timed = [(s, s.time) for s in streams if s.time is not None]
    faults = [
        Fault(f"The time of '{s.name}' is {time}: it must be above 0.", _CUMULATIVE, s.place)
        for s, time in timed
        if not (time.value > 0.0 and math.isfinite(time.seconds))
    ]
    faults += [
        Fault(f"'{s.name}' has a time, but {_why_not(s)}.",
              "Times are for products that one cell, or another node, gave one after the other; "
              "take it out here.", s.place)
        for s, _ in timed if _why_not(s)
    ]  # fmt: skip
    if not timed or faults:
        return faults
    first = timed[0][0]
    faults += [
        Fault(f"'{s.name}' has a time and comes from '{s.source}', but '{first.name}' comes from "
              f"'{first.source}'.",
              "Give times to the products of one node; others are a case of their own.", s.place)
        for s, _ in timed if s.source != first.source
    ]  # fmt: skip
    for (before, earlier), (s, time) in zip(timed, timed[1:], strict=False):
        if time.seconds <= earlier.seconds:
            how = "the same as" if time.seconds == earlier.seconds else "before"
            faults.append(
                Fault(f"The time of '{s.name}', {time}, is {how} that of '{before.name}' above it, "
                      f"{earlier}.", f"{_CUMULATIVE} List the products in that order.", s.place)
            )  # fmt: skip
    outlets = [s for s in streams if s.source == first.source and not s.declared]
    if not faults and len(outlets) == len(timed):
        faults.append(
            Fault(f"Every product of '{first.source}' has a time, and nothing is what was left in "
                  "it at the end.",
                  f'Add it without a time: "tails" = {{ from = "{first.source}" }}.', first.place)
        )  # fmt: skip
    left = [s.name for s in outlets if s.time is None]
    if not faults and len(left) > 1:
        faults.append(
            Fault(f"{len(left)} products of '{first.source}' have no time: "
                  f"{', '.join(map(repr, left))}. Only what was left in it at the end has none.",
                  "Give the others their times.", first.place)
        )  # fmt: skip
    return faults


def _why_not(stream: Stream) -> str:
    """Return why a stream can have no time; empty if it can."""
    if stream.source is None:
        return "comes from outside"
    if stream.stock:
        return "is a stock"
    return "" if stream.content in (Content.PULP, Content.DRY) else "carries no solids"
