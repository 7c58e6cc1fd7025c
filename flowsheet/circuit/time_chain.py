"""A leach that is sampled over time, drawn as a chain of leaches, one for each interval.

At each time some solution is drawn off, which is what the solution in the vessel is; then some may
be added. So every interval is a leach of its own: what the last one left and what was added goes
in, the pulp of that time and the sample come out. The last interval keeps the name of the leach and
all that leaves it. All balances, tests and errors are then those of any circuit.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace
from typing import NamedTuple

from oretally.flowsheet.circuit.circuit import Circuit
from oretally.flowsheet.circuit.streams import Content, Node, NodeKind, Stream, fold_name
from oretally.flowsheet.faults import Fault, Place

__all__ = ["Drawn", "Instant", "added_at", "chain_faults", "chained", "sample_at",
           "unchained"]  # fmt: skip


class Instant(NamedTuple):
    """A time at which something was drawn off or added.

    ``label`` is the time with its unit; ``added`` tells whether anything was added behind the
    sample, and ``sampled`` whether any solution was kept.
    """

    label: str
    sampled: bool
    added: bool
    place: Place = Place()


class Drawn(NamedTuple):
    """What an instant is in the chain.

    ``node`` is the leach of the interval that ends with it; ``liquid`` a stream whose solution is
    that of this time; ``sample`` and ``added`` are streams, empty if there is none.
    """

    node: str
    liquid: str
    sample: str
    added: str


def sample_at(label: str) -> str:
    """Return the name of the solution drawn off at a time."""
    return f"sample at {label}"


def added_at(label: str) -> str:
    """Return the name of what is added at a time."""
    return f"added at {label}"


def chain_faults(circuit: Circuit, leach: str, instants: Sequence[Instant]) -> list[Fault]:
    """Return why a leach cannot be drawn over time, each with the mend; nothing if it can."""
    faults = []
    into = [s for s in circuit.streams if s.target == leach]
    out = [s for s in circuit.streams if s.source == leach and s.content is not Content.DISSOLVED]
    if not any(s.content is Content.SOLUTION for s in into):
        faults.append(
            Fault(f"No solution goes into '{leach}', so nothing says how much there was.",
                  'Draw it: "solution" = { to = "' + leach + '", carries = "solution" }.')
        )  # fmt: skip
    if sum(s.content.has_solids for s in out) != 1 or not any(s.content.has_water for s in out):
        faults.append(
            Fault(f"From a leach that is sampled over time one stream of solids comes, and the "
                  f"solution with it or beside it; from '{leach}' come "
                  f"{', '.join(repr(s.name) for s in out) or 'none'}.",
                  "Draw what happens to the pulp afterwards as a node of its own.")
        )  # fmt: skip
    if any(s.takes_up for s in (*into, *out)):
        faults.append(
            Fault(f"Carbon, resin or a precipitate takes metal out of the solution of '{leach}': "
                  "its solution alone does not say what was extracted.",
                  "Take the table of times out, and balance the test as a whole.")
        )  # fmt: skip
    taken = {fold_name(s.name) for s in circuit.streams}
    taken |= {fold_name(n.name) for n in circuit.nodes}
    made = {fold_name(x): x for i in instants for x in (sample_at(i.label), added_at(i.label))}
    faults += [
        Fault(f"The circuit has '{name}', which is what the table of times calls its own.",
              "Give the stream or node another name.")
        for folded, name in made.items() if folded in taken
    ]  # fmt: skip
    return faults


def chained(
    circuit: Circuit, leach: str, instants: Sequence[Instant], *, start: Instant | None = None
) -> tuple[Circuit, tuple[Drawn, ...], str]:
    """Return a circuit with one of its leaches as a chain, and where each instant stands in it.

    Parameters
    ----------
    circuit : Circuit
    leach : str
        Name of the node; `chain_faults` has found nothing.
    instants : sequence of Instant
        In order of time; nothing is added behind the last.
    start : Instant, optional
        What is added at the start beside the streams that the circuit has.

    Returns
    -------
    Circuit, tuple of Drawn, str
        And the name of what is added at the start; empty if that is nothing.

    Notes
    -----
    What is added has the grades of the solution that was put in at first, unless it is assayed.
    """
    *before, last = instants
    nodes = [f"{leach} to {i.label}" for i in before] + [leach]
    fresh = next(s for s in circuit.streams if s.target == leach and s.content is Content.SOLUTION)
    final = sample_at(last.label) if last.sampled else ""
    streams, drawn, begun = list[Stream](), list[Drawn](), ""
    for s in circuit.streams:
        if s.target == leach:
            s = replace(s, target=nodes[0])
        if s.source == leach and s.content.has_water and final and s.like is None:
            s = replace(s, like=final)
        streams.append(s)
    if start is not None:
        begun = added_at(start.label)
        streams.append(Stream(begun, None, nodes[0], start.place, Content.SOLUTION, fresh.name))
    for instant, node, then in zip(before, nodes, nodes[1:], strict=False):
        pulp = f"pulp at {instant.label}"
        streams.append(Stream(pulp, node, then, instant.place))
        sample = added = ""
        if instant.sampled:
            sample = sample_at(instant.label)
            streams.append(Stream(sample, node, None, instant.place, Content.SOLUTION, pulp))
        if instant.added:
            added = added_at(instant.label)
            streams.append(
                Stream(added, None, then, instant.place, Content.SOLUTION, fresh.name)
            )  # fmt: skip
        drawn.append(Drawn(node, pulp, sample, added))
    if final:
        streams.append(Stream(final, leach, None, last.place, Content.SOLUTION))
    liquid = final or next(
        s.name for s in circuit.streams if s.source == leach and s.content.has_water
    )
    drawn.append(Drawn(leach, liquid, final, ""))
    kinds = [Node(name, NodeKind.LEACH, last.place) for name in nodes[:-1]]
    at = next(i for i, n in enumerate(circuit.nodes) if n.name == leach)
    made = Circuit(tuple(streams), (*circuit.nodes[:at], *kinds, *circuit.nodes[at:]))
    return made, tuple(drawn), begun


def unchained(circuit: Circuit, nodes: Sequence[str], made: Collection[str]) -> Circuit:
    """Return the circuit of which a chain was made.

    Parameters
    ----------
    circuit : Circuit
    nodes : sequence of str
        The leaches of the chain, in order of time.
    made : collection of str
        Streams that were drawn off or added.

    Examples
    --------
    >>> plain = Circuit.from_parts([
    ...     Stream("ore", None, "vat", content=Content.DRY),
    ...     Stream("liquor", None, "vat", content=Content.SOLUTION), Stream("rest", "vat", None),
    ... ], [Node("vat", NodeKind.LEACH)])
    >>> chain, drawn, _ = chained(plain, "vat", [Instant("2 h", True, True), Instant("6 h", 1, 0)])
    >>> chain.stream_names[3:]
    ('pulp at 2 h', 'sample at 2 h', 'added at 2 h', 'sample at 6 h')
    >>> unchained(chain, [d.node for d in drawn], chain.stream_names[4:]) == plain
    True
    """
    *inner, leach = nodes
    streams = [
        replace(s, target=leach if s.target in nodes else s.target,
                like=None if s.like in made else s.like)
        for s in circuit.streams if s.name not in made and s.source not in inner
    ]  # fmt: skip
    return Circuit(tuple(streams), tuple(n for n in circuit.nodes if n.name not in inner))
