"""The streams that a report names: feeds and products, among which nothing may count twice."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from oretally.flowsheet.circuit.circuit import Circuit
from oretally.flowsheet.faults import Fault, Place

__all__ = ["feed_faults", "product_faults"]


def feed_faults(circuit: Circuit, feeds: Sequence[str]) -> Iterator[Fault]:
    """Yield what is no feed, and what would count twice in several together.

    The place of each fault names the stream that it is about.
    """
    ends = {s.name: (s.source, s.target) for s in circuit.streams}
    for i, name in enumerate(feeds):
        place = Place(stream=name)
        if name in feeds[:i]:
            yield Fault(f"'{name}' is named as feed twice.", "Name it once.", place)
        inside = any(ends[name][0] in circuit.nodes_behind([o]) for o in feeds if o != name)
        if ends[name][1] is None and not inside:
            yield Fault(f"The feed '{name}' leaves the circuit: nothing is made of it.",
                        "Name the stream that everything is made of.", place)  # fmt: skip
        behind = circuit.nodes_behind([name])
        for other in feeds:
            if other != name and ends[other][0] in behind:
                yield Fault(f"'{name}' and '{other}' cannot both be feeds: what the first brings "
                            "goes to the second, and would count twice.",
                            "Leave one of them out.", Place(stream=other))  # fmt: skip


def product_faults(
    circuit: Circuit, feeds: Sequence[str], products: Sequence[str]
) -> Iterator[Fault]:
    """Yield what is no product of the feeds, and what would count twice in all products together.

    By what can flow where, not by what was measured. The place of each fault names the stream.
    """
    source = {s.name: s.source for s in circuit.streams}
    made, of = circuit.nodes_behind(feeds), " and ".join(f"'{name}'" for name in feeds)
    for i, name in enumerate(products):
        place = Place(stream=name)
        if name in feeds:
            yield Fault(f"'{name}' is named as feed and as product.",
                        "Leave it out of the products.", place)  # fmt: skip
            continue
        if name in products[:i]:
            yield Fault(f"'{name}' is named as product twice.", "Name it once.", place)
        elif source[name] not in made:
            yield Fault(f"The product '{name}' has nothing of the feed in it: nothing flows from "
                        f"{of} to it.", "Name another feed, or only products that are made of "
                        "it.", place)  # fmt: skip
        behind = circuit.nodes_behind([name])
        if source[name] in behind:
            yield Fault(f"The product '{name}' comes by again: it goes round in the circuit, and "
                        "would count each time.", "Name what leaves the round.", place)  # fmt: skip
            continue
        for other in dict.fromkeys(products):
            if other != name and source[other] in behind:
                yield Fault(f"The products '{name}' and '{other}' overlap: what is in the first "
                            "goes to the second, and would count twice.",
                            "Leave one of them out.", place)  # fmt: skip
