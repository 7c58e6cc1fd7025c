"""In which layer each node of a circuit stands: the longest way to it, without the recycles."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Protocol

from oretally.flowsheet import Node, Stream

__all__ = ["Drawable", "layers", "recycle_streams"]


class Drawable(Protocol):
    """What can be drawn: a circuit, or one that still has faults.

    It has a node, every stream has an end at one, and names are there once.
    """

    @property
    def streams(self) -> Sequence[Stream]:
        """In the order in which they were written."""

    @property
    def nodes(self) -> Sequence[Node]:
        """Every node that a stream meets."""


def recycle_streams(circuit: Drawable) -> frozenset[str]:
    """Return streams without which no way comes back to where it was.

    They are those that lead back to a node on the way there, when each way from the feeds is
    followed to its end, outlets in the order in which they are written.
    """
    outlets: dict[str, list[Stream]] = {node.name: [] for node in circuit.nodes}
    for s in circuit.streams:
        if s.source is not None:
            outlets[s.source].append(s)
    fed = [s.target for s in circuit.streams if s.source is None and s.target is not None]
    seen: set[str] = set()
    on_way: set[str] = set()
    found: set[str] = set()
    for start in (*fed, *outlets):
        if start in seen:
            continue
        way = [(start, iter(outlets[start]))]
        seen.add(start)
        on_way.add(start)
        while way:
            node, left = way[-1]
            stream = next(left, None)
            if stream is None:
                on_way.discard(node)
                way.pop()
            elif stream.target in on_way:
                found.add(stream.name)
            elif stream.target is not None and stream.target not in seen:
                seen.add(stream.target)
                on_way.add(stream.target)
                way.append((stream.target, iter(outlets[stream.target])))
    return frozenset(found)


def layers(circuit: Drawable) -> Mapping[str, int]:
    """Return the layer of each node, the first being 0.

    Every stream but the `recycle_streams` leads to a later layer.
    """
    back = recycle_streams(circuit)
    waits = dict.fromkeys((node.name for node in circuit.nodes), 0)
    onward: dict[str, list[str]] = {name: [] for name in waits}
    for s in circuit.streams:
        if s.source is not None and s.target is not None and s.name not in back:
            onward[s.source].append(s.target)
            waits[s.target] += 1
    layer = dict.fromkeys(waits, 0)
    ready = [name for name, count in waits.items() if count == 0]
    for node in ready:  # grows as nodes have all their inlets
        for target in onward[node]:
            layer[target] = max(layer[target], layer[node] + 1)
            waits[target] -= 1
            if waits[target] == 0:
                ready.append(target)
    return layer
