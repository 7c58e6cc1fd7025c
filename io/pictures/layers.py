"""In which layer each node of a circuit stands: the longest way to it, without the recycles."""

from __future__ import annotations

from collections.abc import Mapping

from oretally.flowsheet import Circuit

__all__ = ["layers", "recycle_streams"]


def recycle_streams(circuit: Circuit) -> frozenset[str]:
    """Return streams without which no way comes back to where it was.

    They are those that lead back to a node on the way there, when each way from the feeds is
    followed to its end, outlets in the order in which they are written.
    """
    outlets = {node.name: [s for s in circuit.streams if s.source == node.name]
               for node in circuit.nodes}  # fmt: skip
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


def layers(circuit: Circuit) -> Mapping[str, int]:
    """Return the layer of each node, the first being 0.

    Every stream but the `recycle_streams` leads to a later layer.
    """
    back = recycle_streams(circuit)
    onward = [
        (s.source, s.target)
        for s in circuit.streams
        if s.source is not None and s.target is not None and s.name not in back
    ]
    waits = dict.fromkeys((node.name for node in circuit.nodes), 0)
    for _, target in onward:
        waits[target] += 1
    layer = dict.fromkeys(waits, 0)
    ready = [name for name, count in waits.items() if count == 0]
    for node in ready:  # grows as nodes have all their inlets
        for source, target in onward:
            if source == node:
                layer[target] = max(layer[target], layer[node] + 1)
                waits[target] -= 1
                if waits[target] == 0:
                    ready.append(target)
    return layer
