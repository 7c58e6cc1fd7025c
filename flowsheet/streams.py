"""Streams and nodes: the parts of which a circuit is made."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import StrEnum

from oretally.flowsheet.faults import Place

__all__ = ["Node", "NodeKind", "Stream", "fold_name"]


def fold_name(name: str) -> str:
    """Return the form in which two spellings of one name are equal: trimmed, one case.

    Examples
    --------
    >>> fold_name("  Mill   Feed ") == fold_name("mill feed")
    True
    """
    return " ".join(name.split()).casefold()


class NodeKind(StrEnum):
    """What a node does to the material that meets in it.

    separator
        Products differ in grade: a cell bank, a table, a jig, a cyclone.
    mixer
        Several inlets, one outlet: a sump, a conditioner.
    splitter
        Products do not differ in grade: a distributor, a pulp divider.
    """

    SEPARATOR = "separator"
    MIXER = "mixer"
    SPLITTER = "splitter"


@dataclass(frozen=True, slots=True)
class Stream:
    """Material on its way; an end that is None is the outside (a feed or a product).

    Attributes
    ----------
    name : str
    source, target : str or None
        Names of the nodes that the stream leaves and enters.
    place : Place
        Where the stream was written; takes no part in comparisons.
    """

    name: str
    source: str | None
    target: str | None
    place: Place = field(default=Place(), compare=False)


@dataclass(frozen=True, slots=True)
class Node:
    """A place where streams meet."""

    name: str
    kind: NodeKind = NodeKind.SEPARATOR
    place: Place = field(default=Place(), compare=False)
