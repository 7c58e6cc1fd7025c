"""Random plants with water: a closed mill with a thickener, two leaches; surveys of them."""

from __future__ import annotations

import numpy as np
from pulp_plant import Plant

from oretally.flowsheet import Measurement, Node, NodeKind, Stream
from oretally.flowsheet.circuit import Content

__all__ = ["leach", "leach_plant", "measured", "mill_and_thickener", "water_plant"]

W, DRY = Content.SOLUTION, Content.DRY
Parts = tuple[list[Stream], list[Node]]


def mill_and_thickener(*, dry_feed: bool, divider: bool) -> Parts:
    """A closed mill with water added in two places, a thickener, perhaps a divided overflow."""
    into = "box" if divider else "thickener"
    streams = [
        Stream("feed", None, "sump", content=DRY if dry_feed else Content.PULP),
        Stream("sump water", None, "sump", content=W),
        Stream("mill water", None, "mill", content=W),
        Stream("cyclone feed", "sump", "cyclone"),
        Stream("overflow", "cyclone", into),
        Stream("underflow", "cyclone", "mill"),
        Stream("discharge", "mill", "sump"),
        Stream("clear", "thickener", None, content=W),
        Stream("thick", "thickener", None),
    ]
    nodes = [Node("sump", NodeKind.MIXER), Node("mill", NodeKind.MILL),
             Node("thickener", NodeKind.THICKENER)]  # fmt: skip
    if divider:
        streams += [Stream("half", "box", "thickener"), Stream("other half", "box", None)]
        nodes.append(Node("box", NodeKind.SPLITTER))
    return streams, nodes


def leach(*, dry_feed: bool, recycle: bool) -> Parts:
    """Two leaches, a thickener and a filter; the filtrate may go back to the first leach."""
    streams = [
        Stream("ore", None, "first", content=DRY if dry_feed else Content.PULP),
        Stream("reagent", None, "first", content=W),
        Stream("pulp", "first", "thickener"),
        Stream("pregnant", "thickener", None, content=W),
        Stream("thick", "thickener", "second"),
        Stream("wash", None, "second", content=W),
        Stream("leached", "second", "filter"),
        Stream("filtrate", "filter", "first" if recycle else None, content=W),
        Stream("cake", "filter", None),
    ]
    nodes = [Node("first", NodeKind.LEACH), Node("second", NodeKind.LEACH),
             Node("thickener", NodeKind.THICKENER), Node("filter", NodeKind.THICKENER)]  # fmt: skip
    return streams, nodes


def water_plant(seed: int) -> Plant:
    """All by the seed: one in three with sizes, half with a divider, half with Au in solution."""
    streams, nodes = mill_and_thickener(dry_feed=seed % 3 == 0, divider=seed % 2 == 0)
    return Plant(
        np.random.default_rng(seed), streams, nodes, (150.0, 38.0) if seed % 3 == 1 else (),
        ("Au", "Cu")[: 1 + seed % 2], water=True, dissolved=("Au",) if seed % 4 < 2 else (),
    )  # fmt: skip


def leach_plant(seed: int, recycle: bool) -> Plant:
    streams, nodes = leach(dry_feed=seed % 2 == 0, recycle=recycle)
    return Plant(
        np.random.default_rng(seed), streams, nodes, (), ("Au", "Cu")[: 1 + seed % 2],
        water=True, dissolved=("Au",),
    )  # fmt: skip


def measured(plant: Plant, share: float = 1.0) -> list[Measurement]:
    """Measurements at random: % solids in most streams, water additions and rates in some."""
    chances = {"dry rate": 0.5, "% solids": 0.85, "water": 0.4, "wet rate": 0.2}
    feed = plant.circuit.feeds[0]
    return [
        plant.measure(stream, quantity, 0.02)
        for stream in plant.circuit.stream_names
        for quantity in plant.quantities(stream)
        if (stream, quantity) == (feed, "dry rate")
        or plant.rng.random() < share * chances.get(quantity, 0.75)
    ]
