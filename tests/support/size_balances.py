"""Grinding circuits by size, measured."""

from __future__ import annotations

import numpy as np
from pulp_plant import Plant

from oretally.flowsheet import (
    Measurement,
    Node,
    NodeKind,
    Stream,
)

OPENINGS = (300.0, 150.0, 75.0, 38.0, 20.0)


Parts = tuple[list[Stream], list[Node]]


def grinding_sizes(
    *, divider: bool, flotation: bool, direct: bool, kind: NodeKind = NodeKind.SPLITTER
) -> Parts:
    """A mill and a cyclone in closed circuit; the feed goes to the mill or to the sump.

    With a divider a part of the underflow passes by the mill.
    """
    streams = [
        Stream("feed", None, "mill" if direct else "sump"),
        Stream("cyclone feed", "sump", "cyclone"),
        Stream("overflow", "cyclone", "cell" if flotation else None),
        Stream("discharge", "mill", "sump"),
    ]
    nodes = [Node("sump", NodeKind.MIXER), Node("mill", NodeKind.MILL)]
    if divider:
        streams += [Stream("underflow", "cyclone", "divider"), Stream("to mill", "divider", "mill"),
                    Stream("bypass", "divider", "sump")]  # fmt: skip
        nodes.append(Node("divider", kind))
    else:
        streams.append(Stream("underflow", "cyclone", "mill"))
    if flotation:
        streams += [Stream("conc", "cell", None), Stream("tails", "cell", None)]
    return streams, nodes


def random_plant(seed: int, *, divider: bool | None = None, n_classes: int | None = None) -> Plant:
    """A random grinding circuit, all by the seed."""
    rng = np.random.default_rng(seed)
    split = seed % 2 == 0 if divider is None else divider
    streams, nodes = grinding_sizes(divider=split, flotation=seed % 3 > 0, direct=seed % 5 == 0)
    n = 3 + seed % 4 if n_classes is None else n_classes
    return Plant(rng, streams, nodes, OPENINGS[: n - 1], ("Pb", "Zn")[: 1 + seed % 2])


def measured_sizes(
    plant: Plant, chances: tuple[float, float, float, float], sd: float = 0.02
) -> list[Measurement]:
    """Measurements at random: chance of a rate, of a share, of a class grade, of a bulk grade."""
    found = []
    rate, share, by_class, bulk = chances
    for stream in plant.circuit.stream_names:
        for quantity in plant.quantities(stream):
            chance = {"dry rate": rate, "Pb": bulk, "Zn": bulk}.get(
                quantity, share if quantity.startswith("mass in") else by_class
            )
            if (stream, quantity) == ("feed", "dry rate") or plant.rng.random() < chance:
                found.append(plant.measure(stream, quantity, sd))
    return found
