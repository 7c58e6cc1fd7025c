"""Circuits for the study of slips: true values, and what a mill measures of them.

All numbers are invented. Streams that nobody can reach are not sampled, most flows are not
measured, and the feed of a mill is not sieved, as it is in practice.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from slip_plants import Assay, Reading, SlipPlant, bulk_plant, classes, milled, sized_plant

from oretally.flowsheet import (
    Analyte,
    Basis,
    Circuit,
    Dimension,
    Measurement,
    Node,
    NodeKind,
    Stream,
    Survey,
    Unit,
    parse_unit,
)
from oretally.flowsheet.circuit import Content
from oretally.flowsheet.survey import DETECTION_LIMIT, SizeGrid, in_solution, solution_unit

__all__ = ["CIRCUITS", "SINGLE_SLIPS"]

PERCENT, GRAMS_PER_TONNE = parse_unit("%"), parse_unit("g/t")
SHARE, KG = parse_unit("%", Dimension.SHARE), parse_unit("kg")


def bench() -> SlipPlant:
    """Return a bench flotation test: one node, three streams."""
    return bulk_plant(
        "bench", Basis.BATCH, {},
        {"charge": (None, "cell"), "concentrate": ("cell", None), "tails": ("cell", None)},
        {"Cu": Assay(PERCENT, 3.0, 0.3463), "S": Assay(PERCENT, 4.0),
         "Au": Assay(GRAMS_PER_TONNE, 6.0)},
        {"concentrate": (0.1184, 24.6, 28.9, 18.7), "tails": (1.862, 0.142, 0.87, 0.214)},
        {"charge": ("concentrate", "tails")},
        {"charge": 1.0, "concentrate": 0.5, "tails": 1.0},
        [("charge", "S")],
        {"pan": 0.214, "tray": 0.655},
    )  # fmt: skip


def table() -> SlipPlant:
    """Return a shaking table with four products."""
    return bulk_plant(
        "table", Basis.BATCH, {},
        {"ore": (None, "table"), "concentrate": ("table", None), "middlings": ("table", None),
         "sands": ("table", None), "slimes": ("table", None)},
        {"Sn": Assay(PERCENT, 3.0, 0.7877), "Fe": Assay(PERCENT, 3.0),
         "As": Assay(GRAMS_PER_TONNE, 6.0)},
        {"concentrate": (0.412, 34.1, 12.9, 5210.0), "middlings": (2.61, 2.37, 17.2, 2940.0),
         "sands": (14.93, 0.287, 6.31, 624.0), "slimes": (6.84, 0.516, 8.84, 381.0)},
        {"ore": ("concentrate", "middlings", "sands", "slimes")},
        {"ore": 0.7, "concentrate": 0.5, "middlings": 0.7, "sands": 0.7, "slimes": 1.5},
        [("slimes", "As")],
        {"steel bucket": 1.35, "plastic pail": 0.62},
    )  # fmt: skip


_FLOTATION_ENDS: dict[str, tuple[str | None, str | None]] = {
    "fresh feed": (None, "conditioner"), "rougher feed": ("conditioner", "rougher"),
    "rougher conc": ("rougher", "cleaner"), "rougher tails": ("rougher", "scavenger"),
    "scavenger conc": ("scavenger", "conditioner"), "final tails": ("scavenger", None),
    "final conc": ("cleaner", None), "cleaner tails": ("cleaner", "conditioner"),
}  # fmt: skip


def flotation() -> SlipPlant:
    """Return rougher, cleaner and scavenger: two flows of eight, one stream never sampled."""
    return bulk_plant(
        "flotation", Basis.RATE, {"conditioner": "mixer"}, _FLOTATION_ENDS,
        {"Pb": Assay(PERCENT, 3.0, 0.866), "Zn": Assay(PERCENT, 3.0, 0.671),
         "Ag": Assay(GRAMS_PER_TONNE, 5.0)},
        {"final conc": (1.93, 61.8, 4.15, 1460.0), "cleaner tails": (2.64, 9.4, 6.9, 262.0),
         "scavenger conc": (3.12, 4.36, 5.72, 131.0), "final tails": (40.3, 0.316, 2.84, 12.6)},
        {"rougher conc": ("final conc", "cleaner tails"),
         "rougher tails": ("final tails", "scavenger conc"),
         "rougher feed": ("rougher conc", "rougher tails"),
         "fresh feed": ("final conc", "final tails")},
        {"fresh feed": 2.0, "final conc": 1.0},
        [("rougher feed", "*"), ("scavenger conc", "Ag")],
    )  # fmt: skip


def concentrator() -> SlipPlant:
    """Return a lead circuit with a zinc circuit behind it: fifteen streams, eight nodes."""
    lead = {s: (a, "zn conditioner" if s == "final tails" else b)
            for s, (a, b) in _FLOTATION_ENDS.items()}  # fmt: skip
    names = {"final tails": "lead tails", "final conc": "lead conc"}
    lead = {names.get(s, s): both for s, both in lead.items()}
    return bulk_plant(
        "concentrator", Basis.RATE, {"conditioner": "mixer", "zn conditioner": "mixer"},
        {**lead,
         "zn rougher feed": ("zn conditioner", "zn rougher"),
         "zn rougher conc": ("zn rougher", "zn cleaner"),
         "zn rougher tails": ("zn rougher", "zn scavenger"),
         "zn scavenger conc": ("zn scavenger", "zn conditioner"),
         "plant tails": ("zn scavenger", None),
         "zinc conc": ("zn cleaner", None), "zn cleaner tails": ("zn cleaner", "zn conditioner")},
        {"Pb": Assay(PERCENT, 3.0, 0.866), "Zn": Assay(PERCENT, 3.0, 0.671),
         "Fe": Assay(PERCENT, 4.0), "Ag": Assay(GRAMS_PER_TONNE, 5.0)},
        {"lead conc": (3.86, 61.8, 4.15, 7.9, 1460.0),
         "cleaner tails": (5.28, 9.4, 6.9, 14.1, 262.0),
         "scavenger conc": (6.24, 4.36, 5.72, 13.2, 131.0),
         "zinc conc": (4.61, 1.31, 52.4, 6.4, 88.0),
         "zn cleaner tails": (3.94, 0.92, 11.2, 16.8, 47.0),
         "zn scavenger conc": (6.73, 0.71, 5.31, 15.1, 33.0),
         "plant tails": (75.4, 0.188, 0.412, 8.7, 8.9)},
        {"zn rougher conc": ("zinc conc", "zn cleaner tails"),
         "zn rougher tails": ("plant tails", "zn scavenger conc"),
         "zn rougher feed": ("zn rougher conc", "zn rougher tails"),
         "lead tails": ("zinc conc", "plant tails"),
         "rougher conc": ("lead conc", "cleaner tails"),
         "rougher tails": ("lead tails", "scavenger conc"),
         "rougher feed": ("rougher conc", "rougher tails"),
         "fresh feed": ("lead conc", "lead tails")},
        {"fresh feed": 2.0, "lead conc": 1.0, "zinc conc": 1.0},
        [("rougher feed", "*"), ("zn rougher feed", "*"), ("scavenger conc", "Ag"),
         ("zn scavenger conc", "Ag"), ("zn cleaner tails", "Ag"), ("zn rougher tails", "Fe"),
         ("rougher conc", "Fe")],
    )  # fmt: skip


def grinding() -> SlipPlant:
    """Return a mill in closed circuit; sieved and assayed around the cyclone only."""
    overflow = classes((0.62, 4.21, 10.4, 11.5, 23.3), (0.62, 1.04, 2.41, 4.86, 5.57))
    underflow = classes((37.6, 41.3, 24.2, 10.9, 11.2), (1.21, 2.63, 7.84, 13.1, 9.42))
    feed = classes((21.7, 10.2, 6.13, 4.27, 7.73), (2.6, 3.4, 5.1, 5.7, 5.9))
    feed *= overflow.sum(axis=0) / feed.sum(axis=0)
    sent = overflow + underflow
    circuit = Circuit.build(
        {"fresh feed": (None, "sump"), "cyclone feed": ("sump", "cyclone"),
         "overflow": ("cyclone", None), "underflow": ("cyclone", "mill"),
         "discharge": ("mill", "sump")},
        {"sump": "mixer", "mill": "mill"},
    )  # fmt: skip
    return sized_plant(
        "grinding", circuit, SizeGrid((300.0, 150.0, 75.0, 38.0)),
        {"fresh feed": feed, "cyclone feed": sent, "overflow": overflow, "underflow": underflow,
         "discharge": sent - feed},
        ("fresh feed", "overflow"), ("fresh feed", "overflow"),
        {"cyclone feed": (412.0, 3.0), "overflow": (268.0, 3.0), "underflow": (455.0, 4.0)},
        ("cyclone feed", "overflow", "underflow"), [("overflow", 0)],
    )  # fmt: skip


def two_mills() -> SlipPlant:
    """Return a rod mill, a ball mill and a regrind mill with two cyclones: ten streams, sieved."""
    overflow = classes((3.1, 12.4, 13.2, 21.3), (0.95, 2.15, 4.4, 5.5))
    underflow = classes((76.1, 25.2, 13.1, 11.6), (1.7, 6.9, 11.8, 9.3))
    rod = classes((27.1, 9.6, 5.4, 7.9), (2.5, 4.2, 6.1, 6.3))
    rod *= overflow.sum(axis=0) / rod.sum(axis=0)
    first = overflow + underflow
    fines = classes((0.21, 4.62, 12.97, 32.2), (0.5, 1.2, 3.1, 5.0))
    fines *= overflow.sum(axis=0) / fines.sum(axis=0)
    sands = classes((10.4, 27.3, 14.8, 7.5), (1.1, 3.4, 8.6, 9.1))
    second = fines + sands
    feed = milled(rod, (43.0, 3.6, 1.7, 1.7), (3.5, 4.0, 5.5, 6.0))
    circuit = Circuit.build(
        {"fresh feed": (None, "rod mill"), "rod discharge": ("rod mill", "sump"),
         "cyclone feed": ("sump", "cyclone"), "overflow": ("cyclone", "second sump"),
         "underflow": ("cyclone", "ball mill"), "ball discharge": ("ball mill", "sump"),
         "second feed": ("second sump", "second cyclone"), "fines": ("second cyclone", None),
         "sands": ("second cyclone", "regrind mill"),
         "regrind discharge": ("regrind mill", "second sump")},
        {"rod mill": "mill", "ball mill": "mill", "regrind mill": "mill", "sump": "mixer",
         "second sump": "mixer"},
    )  # fmt: skip
    return sized_plant(
        "two mills", circuit, SizeGrid((150.0, 75.0, 38.0)),
        {"fresh feed": feed, "rod discharge": rod, "cyclone feed": first, "overflow": overflow,
         "underflow": underflow, "ball discharge": first - rod, "second feed": second,
         "fines": fines, "sands": sands, "regrind discharge": second - overflow},
        ("fresh feed", "fines"), ("rod discharge", "overflow", "fines"),
        {"rod discharge": (520.0, 3.0), "cyclone feed": (412.0, 3.0), "overflow": (268.0, 3.0),
         "underflow": (455.0, 4.0), "second feed": (301.0, 3.0), "fines": (244.0, 4.0),
         "sands": (388.0, 4.0), "ball discharge": (476.0, 5.0)},
    )  # fmt: skip


def leach() -> SlipPlant:
    """Return a vat leach with a filter: solids and solution, both assayed."""
    content = {"reagent solution": Content.SOLUTION, "wash water": Content.SOLUTION,
               "pregnant solution": Content.SOLUTION}  # fmt: skip
    ends = {"ore pulp": (None, "vat"), "reagent solution": (None, "vat"),
            "leached pulp": ("vat", "filter"), "wash water": (None, "filter"),
            "tails": ("filter", None), "pregnant solution": ("filter", None)}  # fmt: skip
    circuit = Circuit.from_parts(
        [Stream(s, *both, content=content.get(s, Content.PULP)) for s, both in ends.items()],
        [Node("vat", NodeKind.LEACH)],
    )
    solids, gold_in, gold_left = 52.3, 4.37, 0.472  # kg, g/t, g/t
    water = {"ore pulp": 47.1, "reagent solution": 21.7, "wash water": 63.2, "tails": 14.8}
    water["leached pulp"] = water["ore pulp"] + water["reagent solution"]
    water["pregnant solution"] = water["leached pulp"] + water["wash water"] - water["tails"]
    leached = solids * (gold_in - gold_left) / water["leached pulp"]  # mg/kg
    washed = 0.483
    pregnant = (water["leached pulp"] * leached - water["tails"] * washed) / water[
        "pregnant solution"
    ]
    milligrams = solution_unit("mg/L")
    au, readings = in_solution("Au"), list[Reading]()

    def read(stream: str, quantity: str, true: float, unit: Unit, percent: float,
             largest: float = np.inf) -> None:  # fmt: skip
        readings.append(Reading(stream, quantity, true, unit, percent / 100.0, largest))

    read("ore pulp", "dry mass", solids, KG, 0.7)
    for stream in ("reagent solution", "wash water", "pregnant solution"):
        read(stream, "water", water[stream], KG, 1.0)
    for stream in ("leached pulp", "tails"):
        read(stream, "wet mass", solids + water[stream], KG, 1.0)
    for stream, percent in (("ore pulp", 1.2), ("leached pulp", 1.5), ("tails", 1.0)):
        share = 100.0 * solids / (solids + water[stream])
        read(stream, "% solids", share, SHARE, percent, 100.0)
    for stream, grade in (("ore pulp", gold_in), ("leached pulp", gold_left),
                          ("tails", gold_left)):  # fmt: skip
        read(stream, "Au", grade, GRAMS_PER_TONNE, 5.0, 1e6)
    for stream, grade in (("leached pulp", leached), ("tails", washed),
                          ("pregnant solution", pregnant)):  # fmt: skip
        read(stream, au, grade, milligrams, 3.0, 1e6)
    nothing = tuple(
        Measurement(s, au, 0.005, milligrams, 0.01 / 12.0**0.5, DETECTION_LIMIT)
        for s in ("ore pulp", "reagent solution", "wash water")
    )
    plain = Survey(
        Basis.BATCH, KG, (Analyte("Au", GRAMS_PER_TONNE),), (), water=True,
        dissolved=frozenset({"Au"}), containers={"drum": 17.5, "bucket": 1.35},
    )  # fmt: skip
    return SlipPlant("leach", circuit, plain, tuple(readings), "ore pulp", nothing)


CIRCUITS: Mapping[str, Callable[[], SlipPlant]] = {
    "bench": bench, "table": table, "flotation": flotation, "grinding": grinding, "leach": leach,
    "concentrator": concentrator, "two mills": two_mills,
}  # fmt: skip
SINGLE_SLIPS = ("bench", "table", "flotation", "grinding", "leach")
"""Those on which every single slip is tried."""
