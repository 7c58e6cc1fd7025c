"""The circuit: a directed graph of nodes and streams, checked when it is made."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.flowsheet.circuit.checks import circuit_faults
from oretally.flowsheet.circuit.streams import Content, Node, NodeKind, Stream, fold_name
from oretally.flowsheet.faults import Fault, InputError, Place, did_you_mean

__all__ = ["Circuit", "kind_fault", "with_all_nodes"]


@dataclass(frozen=True)
class Circuit:
    """Nodes and streams, in the order in which the user wrote them.

    Attributes
    ----------
    streams : tuple of Stream
    nodes : tuple of Node
        Every node that a stream meets.

    Raises
    ------
    InputError
        If the parts do not make a circuit; all faults at once.

    Examples
    --------
    >>> circuit = Circuit.build(
    ...     {"feed": (None, "table"), "conc": ("table", None), "tails": ("table", None)})
    >>> circuit.feeds, circuit.products
    (('feed',), ('conc', 'tails'))
    """

    streams: tuple[Stream, ...]
    nodes: tuple[Node, ...]

    def __post_init__(self) -> None:
        faults = circuit_faults(self.streams, self.nodes)
        if faults:
            raise InputError(faults)

    @classmethod
    def build(
        cls,
        streams: Mapping[str, tuple[str | None, str | None]],
        kinds: Mapping[str, str] | None = None,
    ) -> Circuit:
        """Make a circuit from ``{stream: (from, to)}``; None is the outside.

        Parameters
        ----------
        streams : mapping of str to pair
            The ends of each stream.
        kinds : mapping of str to str, optional
            ``{node: kind}`` where a node is not a plain separator.

        Raises
        ------
        InputError
            If the parts do not make a circuit, or a kind is unknown.
        """
        faults = [fault for kind in (kinds or {}).values() if (fault := kind_fault(kind))]
        if faults:
            raise InputError(faults)
        drawn = [Stream(name, source, target) for name, (source, target) in streams.items()]
        named = [Node(name, NodeKind(kind)) for name, kind in (kinds or {}).items()]
        return cls.from_parts(drawn, named)

    @classmethod
    def from_parts(cls, streams: Iterable[Stream], nodes: Iterable[Node] = ()) -> Circuit:
        """Make a circuit; nodes that only streams mention are plain separators.

        Ends that differ only in case or spaces are one node, spelt as where it is named first.
        """
        return cls(*with_all_nodes(streams, nodes))

    @cached_property
    def stream_names(self) -> tuple[str, ...]:
        """Names of the streams, in order."""
        return tuple(stream.name for stream in self.streams)

    @cached_property
    def feeds(self) -> tuple[str, ...]:
        """Names of the streams that come from outside."""
        return tuple(s.name for s in self.streams if s.source is None and not s.stock)

    @cached_property
    def products(self) -> tuple[str, ...]:
        """Names of the streams that leave to the outside; what dissolved is in the solution."""
        return tuple(
            s.name
            for s in self.streams
            if s.target is None and not s.stock and s.content is not Content.DISSOLVED
        )

    @cached_property
    def ore_feeds(self) -> tuple[str, ...]:
        """Names of the feeds to which recoveries refer unless others are named.

        Those that bring solids, but for what takes analytes out of the solution. Where there are
        none, those that bring solution; else all.
        """
        outside = [s for s in self.streams if s.name in self.feeds]
        ore = [s for s in outside if not s.takes_up] or outside
        return tuple(s.name for s in [s for s in ore if s.content.has_solids] or ore)

    def feeds_beside(self, named: Collection[str]) -> tuple[str, ...]:
        """Return which of several `ore_feeds` come to a product but by way of streams named."""
        ends = {s.name: s.source for s in self.streams if s.name not in named}
        sources = {ends.get(product) for product in self.products}
        return tuple(
            name for name in self.ore_feeds
            if len(self.ore_feeds) > 1 and name not in named
            and sources & self.nodes_behind([name], around=named)
        )  # fmt: skip

    def nodes_behind(
        self, streams: Collection[str], *, around: Collection[str] = ()
    ) -> frozenset[str]:
        """Return the nodes to which what some streams carry can come, but by way of ``around``."""
        open_to = [(s.source, s.target) for s in self.streams if s.name not in around and s.target]
        reached = {s.target for s in self.streams if s.name in streams and s.target}
        while more := {to for of, to in open_to if of in reached} - reached:
            reached |= more
        return frozenset(reached)

    def inlets(self, node: str) -> tuple[str, ...]:
        """Names of the streams that enter ``node``."""
        return self._ends[0].get(node, ())

    def outlets(self, node: str) -> tuple[str, ...]:
        """Names of the streams that leave ``node``."""
        return self._ends[1].get(node, ())

    @cached_property
    def _ends(self) -> tuple[Mapping[str, tuple[str, ...]], Mapping[str, tuple[str, ...]]]:
        """Streams that enter, and that leave, each node."""
        found: tuple[dict[str, tuple[str, ...]], dict[str, tuple[str, ...]]] = {}, {}
        for s in self.streams:
            for node, ends in zip((s.target, s.source), found, strict=True):
                if node is not None:
                    ends[node] = (*ends.get(node, ()), s.name)
        return found

    def incidence(self) -> Floats:
        """Return the incidence matrix, shape (n_nodes, n_streams): +1 enters, -1 leaves."""
        row = {node.name: i for i, node in enumerate(self.nodes)}
        matrix = np.zeros((len(self.nodes), len(self.streams)))
        for j, stream in enumerate(self.streams):
            if stream.target is not None:
                matrix[row[stream.target], j] += 1.0
            if stream.source is not None:
                matrix[row[stream.source], j] -= 1.0
        return matrix


def with_all_nodes(
    streams: Iterable[Stream], named: Iterable[Node] = ()
) -> tuple[tuple[Stream, ...], tuple[Node, ...]]:
    """Return the streams with one spelling for each end, and every node: the ``named`` first."""
    nodes = list(named)
    spelling = {fold_name(node.name): node.name for node in reversed(nodes)}
    spelt = []
    for stream in streams:
        ends: list[str | None] = []
        for end in (stream.source, stream.target):
            if end is not None and fold_name(end) not in spelling:
                spelling[fold_name(end)] = end
                nodes.append(Node(end, place=stream.place))
            ends.append(None if end is None else spelling[fold_name(end)])
        spelt.append(replace(stream, source=ends[0], target=ends[1]))
    return tuple(spelt), tuple(nodes)


def kind_fault(kind: str, place: Place | None = None) -> Fault | None:
    """Return what is wrong with the word for a node kind, or None."""
    known = [k.value for k in NodeKind]
    place = place or Place()
    if kind in known:
        return None
    mend = did_you_mean(kind, known, "Kinds")
    return Fault(f"'{kind}' is not a kind of node.", mend, place)
