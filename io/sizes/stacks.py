"""The stack of sieves of a stream: classes that meet, from above the coarsest sieve to the pan."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from math import inf

from oretally.flowsheet import Fault, Place
from oretally.flowsheet.survey import grid_of
from oretally.flowsheet.units import SIEVES, Series, belongs
from oretally.io.files import Cell

__all__ = ["SieveClass", "class_name", "crossing_stacks", "one_sieve_twice", "stack_of"]

_ALIKE = 1.04  # ratio of openings; neighbours of ASTM E11 differ by 1.055 or more (53 and 50 mm)

_NUMBERS = frozenset(float(s.number) for s in SIEVES if s.number is not None)


@dataclass(frozen=True, slots=True)
class SieveClass:
    """A row of the table.

    Attributes
    ----------
    retained, passing : float
        Openings; 0 and infinity where open. [um]
    row : tuple of Cell
    place : Place
        Of its retaining sieve.
    places : tuple of Place
        Of the openings that were written: retained, then passing.
    """

    retained: float
    passing: float
    row: tuple[Cell, ...]
    place: Place
    places: tuple[Place, ...]

    @property
    def name(self) -> str:
        """The class as it is labelled."""
        return class_name(self.retained, self.passing)

    def with_passing_times(self, ratio: float) -> SieveClass:
        """Return it with the opening that it passed in another unit, to nine digits as retained."""
        return replace(self, passing=float(f"{self.passing * ratio:.9g}"),
                       retained=float(f"{self.retained:.9g}"))  # fmt: skip

    @property
    def written(self) -> list[tuple[float, Place]]:
        """Openings with the places where they were written."""
        both = zip((self.retained, self.passing), self.places, strict=False)
        return [(opening, place) for opening, place in both if 0.0 < opening < inf]


def class_name(retained: float, passing: float) -> str:
    """Return the label of a class.

    Examples
    --------
    >>> class_name(75.0, 150.0), class_name(0.0, 38.0), class_name(0.0, inf)
    ('-150+75 um', '-38 um', 'all sizes')
    """
    if retained == 0.0 and passing == inf:
        return "all sizes"
    grid = grid_of([[(retained, passing)]])
    return grid.label(grid.run(retained, passing))


def one_sieve_twice(
    stacks: Mapping[str, Sequence[SieveClass]], faults: list[Fault]
) -> frozenset[str]:
    """Refuse openings that differ by less than sieves do; return the streams concerned."""
    first: dict[float, tuple[Place, str]] = {}
    streams: dict[float, set[str]] = {}
    for stream, classes in stacks.items():
        for c in classes:
            for opening, place in c.written:
                first.setdefault(opening, (place, stream))
                streams.setdefault(opening, set()).add(stream)
    order = {opening: i for i, opening in enumerate(first)}
    concerned: set[str] = set()
    openings = sorted(first)
    for low, high in zip(openings, openings[1:], strict=False):
        if high > low * _ALIKE:
            continue
        earlier, later = sorted((low, high), key=order.__getitem__)
        (there, other), (here, stream) = first[earlier], first[later]
        known = [o for o in (earlier, later) if belongs([o], Series.ASTM_E11)]
        advice = "the one that stands on the sieve"
        if len(known) == 1:
            advice = f"{known[0]:g} um is a sieve of ASTM E11, the other is not"
        percent = 100.0 * (high / low - 1.0)
        faults.append(
            Fault(f"The opening is {later:g} um here and {earlier:g} um in cell {there.cell} "
                  f"(stream '{other}'). They differ by {percent:.2g} %, less than two sieves do: "
                  "it is likely one sieve, written in two ways.",
                  f"Write the same opening in both: {advice}.", here.about(stream=stream))
        )  # fmt: skip
        concerned |= streams[low] | streams[high]
    return frozenset(concerned)


def crossing_stacks(stacks: Mapping[str, Sequence[SieveClass]], faults: list[Fault]) -> None:
    """Refuse stacks that cross: a class of one overlaps one of another, neither holds the other.

    Of a class inside a larger one the balance knows the rest. Of two that cross, nothing says how
    much lies in what they share. Told of the stack that fewer streams have, else of the later one.
    """
    alike: dict[tuple[float, ...], list[str]] = {}
    for stream, stack in stacks.items():
        alike.setdefault(tuple(c.retained for c in stack), []).append(stream)
    order = sorted(alike.values(), key=lambda streams: -len(streams))
    for i, own in enumerate(order):
        for other in order[:i]:
            for stream in own:
                _crossing(stream, stacks[stream], other[0], stacks[other[0]], faults)


def _crossing(
    stream: str, stack: Sequence[SieveClass], other: str, others: Sequence[SieveClass],
    faults: list[Fault],
) -> None:  # fmt: skip
    crossed = [(a, b) for a in stack for b in others if _cross(a, b)]
    if not crossed:
        return
    common = {c.retained for c in stack} & {c.retained for c in others} - {0.0}
    own, twin = crossed[0]
    problem = (f"The stacks of '{stream}' and '{other}' cross: {own.name} of '{stream}' holds a "
               f"part of {twin.name} of '{other}' (cell {twin.place.cell}), and nothing says how "
               "much.")  # fmt: skip
    mend = ("The two have no sieve in common: sieve one of the two again on sieves of the other"
            f"\nor leave the sizes of '{stream}' out.")  # fmt: skip
    if common:
        merged: dict[tuple[float, float], list[str]] = {}
        for low, high in dict.fromkeys(_between(a, common) for a, _ in crossed):
            merged[low, high] = [c.name for c in stack if low <= c.retained and c.passing <= high]
        sums = "; ".join(f"{', '.join(names[:-1])} and {names[-1]} to {class_name(*ends)}"
                         for ends, names in merged.items())  # fmt: skip
        sieves = " and ".join(f"{o:g}" for o in sorted(common, reverse=True))
        mend = (f"In '{stream}' add together the classes between the sieves that both have "
                f"({sieves} um): {sums}\nor leave the sizes of '{stream}' out.")  # fmt: skip
    faults.append(Fault(problem, mend, own.place))


def _cross(a: SieveClass, b: SieveClass) -> bool:
    """Return whether two classes overlap and neither holds the other."""
    fine, coarse = sorted((a, b), key=lambda c: c.retained)
    return fine.retained < coarse.retained < fine.passing < coarse.passing


def _between(c: SieveClass, common: Collection[float]) -> tuple[float, float]:
    """Return the openings next to a class, out of those that both stacks have."""
    low = max((o for o in common if o <= c.retained), default=0.0)
    return low, min((o for o in common if o >= c.passing), default=inf)


def stack_of(
    stream: str, classes: Sequence[SieveClass], faults: list[Fault]
) -> list[SieveClass] | None:
    """Return the classes of one stream from coarse to fine; None, with faults, if they do not meet.

    They must cover every size once.
    """
    before = len(faults)
    for c in classes:
        if c.passing <= c.retained:
            faults.append(_reversed(c))
    seen: dict[tuple[float, float], SieveClass] = {}
    for c in classes:
        twin = seen.setdefault((c.retained, c.passing), c)
        if twin is not c:
            faults.append(
                Fault(f"The class {c.name} of '{stream}' is there twice (also cell "
                      f"{twin.place.cell}). Replicates of a screening are not read.",
                      "Give one row a class: the masses added up, or those of one screening.",
                      c.place)
            )  # fmt: skip
    if len(faults) > before:
        return None
    stack = sorted(classes, key=lambda c: (-c.passing, -c.retained))
    if len(stack) == 1:
        faults.append(
            Fault(f"'{stream}' has one class only, {stack[0].name}.",
                  "Give a row for each class of the stack, from what stayed on the coarsest sieve "
                  "to what passed the finest.", stack[0].place)
        )  # fmt: skip
        return None
    top, pan = stack[0], stack[-1]
    if top.passing < inf:
        faults.append(
            Fault(f"Nothing says what is coarser than {top.passing:g} um in '{stream}'.",
                  f"Add the row of what stayed on that sieve: retained {top.passing:g} um, passing "
                  f"blank (mass 0 if nothing did)\nor leave the passing of {top.name} blank: then "
                  f"it is all that stayed on {top.retained:g} um.", top.place)
        )  # fmt: skip
    for upper, lower in zip(stack, stack[1:], strict=False):
        if lower.passing > upper.retained:
            faults.append(
                Fault(f"The classes {upper.name} and {lower.name} of '{stream}' overlap.",
                      f"Each class passes the sieve that retained the one above it: here "
                      f"{upper.retained:g} um.", lower.place)
            )  # fmt: skip
        elif lower.passing < upper.retained:
            faults.append(
                Fault(f"Between {upper.name} and {lower.name} of '{stream}' the class "
                      f"{class_name(lower.passing, upper.retained)} is missing.",
                      "Add its row, or correct the openings.", lower.place)
            )  # fmt: skip
    if min(c.retained for c in stack) > 0.0:
        faults.append(
            Fault(f"The finest class of '{stream}' is {pan.name}: what passed {pan.retained:g} um "
                  "is missing.",
                  f"Add the row of the pan: passing {pan.retained:g} um, retained blank.",
                  pan.place)
        )  # fmt: skip
    return stack if len(faults) == before else None


def _reversed(c: SieveClass) -> Fault:
    if c.passing == c.retained:
        return Fault(f"The class passed {c.passing:g} um and was retained on the same.",
                     "Correct one of the two openings.", c.place)  # fmt: skip
    mend = f"Exchange them: passing {c.retained:g} um, retained {c.passing:g} um."
    if {c.passing, c.retained} <= _NUMBERS:  # which grow as openings shrink
        mend = (f"Name the columns [{Series.ASTM_E11}] if these are numbers of sieves\nor "
                f"e{mend[1:]}")  # fmt: skip
    return Fault(f"The class passed {c.passing:g} um and was retained on {c.retained:g} um, which "
                 "is coarser.", mend, c.place)  # fmt: skip
