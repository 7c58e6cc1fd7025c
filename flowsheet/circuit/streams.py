"""Streams and nodes: the parts of which a circuit is made."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from enum import StrEnum

from oretally.flowsheet.faults import Place
from oretally.flowsheet.units import Elapsed

__all__ = ["Content", "Node", "NodeKind", "Stream", "dissolved_solids", "fold_name",
           "reference_name"]  # fmt: skip


def fold_name(name: str) -> str:
    """Return the form in which two spellings of one name are equal: trimmed, one case.

    Examples
    --------
    >>> fold_name("  Mill   Feed ") == fold_name("mill feed")
    True
    """
    return " ".join(name.split()).casefold()


def reference_name(feeds: Sequence[str]) -> str:
    """Return what the streams to which recoveries refer are called together.

    Examples
    --------
    >>> reference_name(["ore"]), reference_name(["ore", "scrap"])
    ('ore', 'ore + scrap')
    """
    return " + ".join(feeds)


class NodeKind(StrEnum):
    """What a node does to the material that meets in it.

    separator
        Products differ in grade: a cell bank, a table, a jig, a cyclone.
    mixer
        Several inlets, one outlet: a sump, a conditioner.
    splitter
        Products do not differ in grade: a distributor, a pulp divider.
    mill
        Solids and analytes pass, sizes do not: what is coarse becomes fine.
    thickener
        Water parts from the solids; the water of all products has one grade.
    leach
        Analytes pass from the solids to the solution, or back; solids may dissolve, see
        `dissolved_solids`.
    stockpile
        Keeps an opening and a closing stock.
    """

    SEPARATOR = "separator"
    MIXER = "mixer"
    SPLITTER = "splitter"
    MILL = "mill"
    THICKENER = "thickener"
    LEACH = "leach"
    STOCKPILE = "stockpile"

    @property
    def keeps_sizes(self) -> bool:
        """Whether each size class that enters also leaves."""
        return self not in (NodeKind.MILL, NodeKind.LEACH)

    @property
    def separates(self) -> bool:
        """Whether its products may differ in sizes."""
        return self in (NodeKind.SEPARATOR, NodeKind.THICKENER)


class Content(StrEnum):
    """What a stream carries.

    pulp
        Solids, and water where water is balanced.
    dry
        Solids without water.
    solution
        Water or solution without solids.
    dissolved
        Solids that dissolve at a leach: a mass of its own, without analytes, sizes or water.
    """

    PULP = "pulp"
    DRY = "dry"
    SOLUTION = "solution"
    DISSOLVED = "dissolved solids"

    @property
    def has_solids(self) -> bool:
        """Whether there are solids that can be sampled."""
        return self in (Content.PULP, Content.DRY)

    @property
    def has_water(self) -> bool:
        """Whether there is water, where water is balanced."""
        return self in (Content.PULP, Content.SOLUTION)


@dataclass(frozen=True, slots=True)
class Stream:
    """Material on its way; an end that is None is the outside (a feed or a product).

    Attributes
    ----------
    name : str
    source, target : str or None
        Names of the nodes that the stream leaves and enters.
    content : Content
    like : str or None
        Name of the stream whose grades it has, if that is so.
    stock : bool
        Whether it is no material on its way, but the opening or closing stock of a node.
    takes_up : str
        What takes analytes out of the solution and leaves with them, as solids that were never
        ore: 'carbon', 'resin' or 'precipitate'. Empty for all other streams.
    declared : bool
        Whether it is a loss that nobody saw and the case declares.
    place : Place
        Where the stream was written; takes no part in comparisons.
    time : Elapsed or None
        Since the start of a test: what came out of its node up to then, and after the stream before
        it, is this one.
    """

    name: str
    source: str | None
    target: str | None
    place: Place = field(default=Place(), compare=False)
    content: Content = Content.PULP
    like: str | None = None
    stock: bool = False
    takes_up: str = ""
    declared: bool = False
    time: Elapsed | None = None

    @property
    def carries(self) -> str:
        """What it carries, in the word that a case has for it."""
        return self.takes_up or self.content.value


@dataclass(frozen=True, slots=True)
class Node:
    """A place where streams meet."""

    name: str
    kind: NodeKind = NodeKind.SEPARATOR
    place: Place = field(default=Place(), compare=False)


def dissolved_solids(leach: str, place: Place | None = None) -> Stream:
    """Return the stream of the solids that dissolve at a leach.

    Their mass leaves the solids and is told by itself: it does not count in the mass of the water
    or solution. What analytes they held is balanced between solids and solution as ever.

    Examples
    --------
    >>> dissolved_solids("vat").name
    'solids dissolved in vat'
    """
    return Stream(f"solids dissolved in {leach}", leach, None, place or Place(),
                  content=Content.DISSOLVED)  # fmt: skip
