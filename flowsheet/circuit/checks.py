"""Checks of a circuit: what is wrong with its parts, each with the mend."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence

import numpy as np
from scipy import sparse
from scipy.sparse.csgraph import breadth_first_order

from oretally.flowsheet.arrays import Ints
from oretally.flowsheet.circuit.streams import Content, Node, NodeKind, Stream, fold_name
from oretally.flowsheet.circuit.timed import time_faults
from oretally.flowsheet.faults import Fault, did_you_mean, nearest_name
from oretally.flowsheet.foreign_text import shown, unreadable_character

__all__ = ["circuit_faults", "content_faults"]

_Check = Callable[[Sequence[Stream], Sequence[Node]], list[Fault]]


def circuit_faults(streams: Sequence[Stream], nodes: Sequence[Node]) -> list[Fault]:
    """Return every fault of a circuit, in reading order; an empty list if there is none.

    Parameters
    ----------
    streams : sequence of Stream
    nodes : sequence of Node
        All nodes, those that only streams mention included.
    """
    if not streams:
        return [
            Fault(
                "The circuit has no streams.",
                'List each stream with its ends, for example "feed" = { to = "table" }.',
            )
        ]
    checks: tuple[_Check, ...] = (_blank, _unreadable, _repeated, _loose, _own_tail, _idle,
                                _dead_ends, _arms, _likes, _times)  # fmt: skip
    faults = [fault for check in checks for fault in check(streams, nodes)]
    # reachability means something only in a graph whose every node has a way in and out
    return faults or _cut_off(streams, nodes)


def _blank(streams: Sequence[Stream], nodes: Sequence[Node]) -> list[Fault]:
    """Names that are empty."""
    parts: list[tuple[str, Stream | Node]] = [
        *(("stream", s) for s in streams if not s.name.strip()),
        *(("node", n) for n in nodes if not n.name.strip()),
    ]
    return [
        Fault(f"A {what} has a blank name.", "Give it a name.", part.place) for what, part in parts
    ]


def _unreadable(streams: Sequence[Stream], nodes: Sequence[Node]) -> list[Fault]:
    """Names with a character that cannot be seen, or changes what is seen around it.

    What came from a file was judged where it was read.
    """
    parts: list[tuple[str, Stream | Node]] = [
        *(("stream", s) for s in streams), *(("node", n) for n in nodes),
    ]  # fmt: skip
    return [
        Fault(f"The {what} '{shown(part.name)}' has the character {wrong} in its name.",
              "Take it out: it cannot be seen, or changes what is seen.", part.place)
        for what, part in parts
        if not part.place.file and (wrong := unreadable_character(part.name, name=True))
    ]  # fmt: skip


def _repeated(streams: Sequence[Stream], nodes: Sequence[Node]) -> list[Fault]:
    """Names that are equal after trimming and case folding."""
    faults = []
    for what, parts in (("stream", streams), ("node", nodes)):
        first: dict[str, Stream | Node] = {}
        for part in parts:
            earlier = first.setdefault(fold_name(part.name), part)
            if earlier is part or not part.name.strip():
                continue
            spelt = "" if earlier.name == part.name else f" (spelt '{earlier.name}' before)"
            faults.append(
                Fault(
                    f"The {what} '{part.name}' is there twice{spelt}; "
                    "upper and lower case and spaces do not tell names apart.",
                    "Rename one of the two, or take one out.",
                    part.place,
                )
            )
    return faults


def _loose(streams: Sequence[Stream], nodes: Sequence[Node]) -> list[Fault]:
    """Streams that touch no node."""
    return [
        Fault(
            f"Stream '{s.name}' neither leaves nor enters a node.",
            "Give the node it comes from, the node it goes to, or both.",
            s.place,
        )
        for s in streams
        if s.source is None and s.target is None
    ]


def _own_tail(streams: Sequence[Stream], nodes: Sequence[Node]) -> list[Fault]:
    """Streams from a node to itself."""
    return [
        Fault(
            f"Stream '{s.name}' leaves and enters the same node '{s.source}'; "
            "what returns to where it came from changes no balance.",
            "Correct one of its ends, or take the stream out.",
            s.place,
        )
        for s in streams
        if s.source is not None and s.source == s.target
    ]


def _idle(streams: Sequence[Stream], nodes: Sequence[Node]) -> list[Fault]:
    """Nodes that no stream touches: listed, but misspelt in the streams or left over."""
    met = _met(streams)
    faults = []
    for node in nodes:
        if node.name in met:
            continue
        otherwise = "Give it to a stream as an end, or take it out of the nodes."
        mend = did_you_mean(node.name, sorted(met), otherwise=otherwise)
        faults.append(Fault(f"No stream meets the node '{node.name}'.", mend, node.place))
    return faults


def _dead_ends(streams: Sequence[Stream], nodes: Sequence[Node]) -> list[Fault]:
    """Nodes without inlet or without outlet; a near name tells a misspelt end."""
    met = _met(streams)
    faults = []
    for node in nodes:
        into = [s for s in streams if s.target == node.name]
        out = [s for s in streams if s.source == node.name]
        if node.name not in met or (into and out):
            continue
        only, end = (into, "to") if into else (out, "from")
        lacks = "no outlet: nothing leaves it" if into else "no inlet: nothing enters it"
        near = nearest_name(node.name, sorted(met - {node.name}))
        if near:
            mend = f"Is '{node.name}' misspelt? Did you mean '{near}'?"
        elif into:
            mend = "Add the stream that leaves it, or let the stream leave the circuit here."
        else:
            mend = "Add the stream that enters it, or let the stream come from outside."
        faults.append(
            Fault(
                f"Node '{node.name}' ('{end}' of {_listed(s.name for s in only)}) has {lacks}.",
                mend,
                only[0].place,
            )
        )
    return faults


def _arms(streams: Sequence[Stream], nodes: Sequence[Node]) -> list[Fault]:
    """Mixers with several outlets, splitters with one; a declared loss is none."""
    faults = []
    for node in nodes:
        out = [s.name for s in streams if s.source == node.name and not s.declared]
        if node.kind is NodeKind.MIXER and len(out) > 1:
            faults.append(
                Fault(
                    f"The mixer '{node.name}' has {len(out)} outlets ({_listed(out)}); "
                    "a mixer has one.",
                    "Make it a splitter if its outlets have equal grades, else a separator.",
                    node.place,
                )
            )
        if node.kind is NodeKind.SPLITTER and len(out) == 1:
            faults.append(
                Fault(
                    f"The splitter '{node.name}' has one outlet ({_listed(out)}); "
                    "a splitter has at least two.",
                    "Make it a mixer, or add the missing outlet.",
                    node.place,
                )
            )
    return faults


def _likes(streams: Sequence[Stream], nodes: Sequence[Node]) -> list[Fault]:
    """Streams that have the grades of themselves, of none that is there, or of other stuff."""
    known = {s.name: s for s in streams}
    faults = []
    for s in streams:
        if s.like is None:
            continue
        other = known.get(s.like)
        if other is None:
            mend = did_you_mean(s.like, list(known), "Streams")
            problem = f"Stream '{s.name}' is said to be like '{s.like}', which is no stream."
        elif other is s:
            problem = f"Stream '{s.name}' is said to be like itself."
            mend = "Name another stream whose grades it has, or take 'like' out."
        elif Content.DISSOLVED in (s.content, other.content):
            problem = (
                f"Stream '{s.name}' is said to be like '{s.like}', but solids that dissolved have "
                "no grades."
            )
            mend = "Name a stream that is sampled, or take 'like' out."
        elif {s.content, other.content} == {Content.DRY, Content.SOLUTION}:
            problem = (
                f"Stream '{s.name}' is said to be like '{s.like}', but one carries dry solids and "
                "the other no solids: they have no grade in common."
            )
            mend = "Correct what one of them carries, or take 'like' out."
        else:
            continue
        faults.append(Fault(problem, mend, s.place))
    return faults


def _times(streams: Sequence[Stream], nodes: Sequence[Node]) -> list[Fault]:
    """Return the faults of times."""
    return time_faults(streams)


def content_faults(streams: Sequence[Stream], nodes: Sequence[Node], *, water: bool) -> list[Fault]:
    """Return the faults of what streams carry, and of nodes that need water to be balanced.

    Parameters
    ----------
    streams : sequence of Stream
    nodes : sequence of Node
        All nodes.
    water : bool
        Whether water is balanced too.
    """
    on = "Write water = true at the top of the case"
    if not water:
        faults = [
            Fault(f"Stream '{s.name}' carries water or solution, but the water of this case is "
                  "not balanced.", f"{on},\nor take the stream out.", s.place)
            for s in streams
            if s.content is Content.SOLUTION
        ]  # fmt: skip
        faults += [
            Fault(f"At the leach '{n.name}' analytes pass into the solution, but the water of this "
                  "case is not balanced.", f"{on}\nor make the node a separator.", n.place)
            for n in nodes
            if n.kind is NodeKind.LEACH
        ]  # fmt: skip
        return faults
    faults = []
    for node in nodes:
        into = [s for s in streams if s.target == node.name]
        out = [s for s in streams if s.source == node.name]
        for what, at in (("solids", 0), ("water", 1)):
            enter, leave = (
                [s.name for s in side if (s.content.has_solids, s.content.has_water)[at]]
                for side in (into, out)
            )
            if bool(enter) is bool(leave) or not (into and out):
                continue
            way, names = ("leaves", enter) if enter else ("enters", leave)
            done = ("enter" if enter else "leave") + ("s" if what == "water" else "")
            faults.append(
                Fault(f"The {what} of {_listed(names)} {done} the node '{node.name}', but no "
                      f"stream that {way} it carries {what}.",
                      "Correct what its streams carry, or add the stream that is missing.",
                      node.place)
            )  # fmt: skip
        if node.kind is not NodeKind.SPLITTER or len({s.content for s in out}) < 2:
            continue
        faults.append(
            Fault(f"The outlets of the splitter '{node.name}' ({_listed(s.name for s in out)}) "
                  "carry different things; those of a splitter differ in nothing but their flow.",
                  "Let them carry the same, or make the node a separator.", node.place)
        )  # fmt: skip
    return faults


def _cut_off(streams: Sequence[Stream], nodes: Sequence[Node]) -> list[Fault]:
    """Nodes that no feed reaches, or from which no product is reached."""
    outside = len(nodes)
    number = {node.name: i for i, node in enumerate(nodes)} | {None: outside}
    ends = np.array([(number[s.source], number[s.target]) for s in streams], dtype=np.intp)
    fed = _reached(ends[:, 0], ends[:, 1], outside)
    drained = _reached(ends[:, 1], ends[:, 0], outside)
    faults = []
    for lost, text, mend in (
        (
            [n for i, n in enumerate(nodes) if i not in fed],
            "not connected to a feed",
            "Add a stream that comes from outside or from the rest of the circuit.",
        ),
        (
            [n for i, n in enumerate(nodes) if i not in drained],
            "not connected to a product",
            "Add a stream that leaves to the outside or to the rest of the circuit.",
        ),
    ):
        if lost:
            names = _listed(n.name for n in lost)
            faults.append(Fault(f"Part of the circuit ({names}) is {text}.", mend, lost[0].place))
    return faults


def _reached(start: Ints, end: Ints, outside: int) -> set[int]:
    """Return the nodes that a way leads to from outside; edges from ``start`` to ``end``."""
    ways = sparse.csr_array((np.ones(start.size), (start, end)), shape=(outside + 1, outside + 1))
    return {int(i) for i in breadth_first_order(ways, outside, return_predecessors=False)}


def _met(streams: Sequence[Stream]) -> set[str]:
    return {end for s in streams for end in (s.source, s.target) if end is not None}


def _listed(names: Iterable[str]) -> str:
    return ", ".join(f"'{name}'" for name in names)
