"""The circuit: a directed graph of nodes and streams, checked when it is made."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet.circuit_checks import circuit_faults
from oretally.flowsheet.faults import InputError
from oretally.flowsheet.streams import Node, NodeKind, Stream, fold_name

__all__ = ["Circuit"]


@dataclass(frozen=True, slots=True)
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
        drawn = [Stream(name, source, target) for name, (source, target) in streams.items()]
        named = [Node(name, NodeKind(kind)) for name, kind in (kinds or {}).items()]
        return cls.from_parts(drawn, named)

    @classmethod
    def from_parts(cls, streams: Iterable[Stream], nodes: Iterable[Node] = ()) -> Circuit:
        """Make a circuit; nodes that only streams mention are plain separators."""
        streams = tuple(streams)
        return cls(streams, nodes_met(streams, tuple(nodes)))

    @property
    def stream_names(self) -> tuple[str, ...]:
        """Names of the streams, in order."""
        return tuple(stream.name for stream in self.streams)

    @property
    def feeds(self) -> tuple[str, ...]:
        """Names of the streams that come from outside."""
        return tuple(stream.name for stream in self.streams if stream.source is None)

    @property
    def products(self) -> tuple[str, ...]:
        """Names of the streams that leave to the outside."""
        return tuple(stream.name for stream in self.streams if stream.target is None)

    def inlets(self, node: str) -> tuple[str, ...]:
        """Names of the streams that enter ``node``."""
        return tuple(s.name for s in self.streams if s.target == node)

    def outlets(self, node: str) -> tuple[str, ...]:
        """Names of the streams that leave ``node``."""
        return tuple(s.name for s in self.streams if s.source == node)

    def incidence(self) -> NDArray[np.float64]:
        """Return the incidence matrix, shape (n_nodes, n_streams): +1 enters, -1 leaves."""
        row = {node.name: i for i, node in enumerate(self.nodes)}
        matrix = np.zeros((len(self.nodes), len(self.streams)))
        for j, stream in enumerate(self.streams):
            if stream.target is not None:
                matrix[row[stream.target], j] += 1.0
            if stream.source is not None:
                matrix[row[stream.source], j] -= 1.0
        return matrix


def nodes_met(streams: tuple[Stream, ...], named: tuple[Node, ...]) -> tuple[Node, ...]:
    """Return every node: those ``named`` first, then those that only streams mention."""
    seen = {fold_name(node.name) for node in named}
    found = list(named)
    for stream in streams:
        for end in (stream.source, stream.target):
            if end is not None and fold_name(end) not in seen:
                seen.add(fold_name(end))
                found.append(Node(end, place=stream.place))
    return tuple(found)
