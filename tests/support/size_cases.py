"""Grinding circuits and screens of which the sizes are known."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
from balance_cases import only_balanced
from numpy.typing import NDArray

from oretally.flowsheet import (
    Analyte,
    Basis,
    Circuit,
    Dimension,
    Measurement,
    Survey,
    parse_unit,
)
from oretally.flowsheet.survey import SizeGrid, class_grade, class_share
from oretally.recon import Balance

Floats = NDArray[np.float64]


KG, TPH, PERCENT = parse_unit("kg"), parse_unit("t/h"), parse_unit("%")


SHARE = parse_unit("%", Dimension.SHARE)


ROOT = Path(__file__).resolve().parents[2]


def sized_classes(
    grid: SizeGrid, stream: str, flows: Floats, metal: Floats | None, relative: float = 0.02
) -> list[Measurement]:
    """Return shares, and grades if metal is given, as measured without error."""
    found = []
    for c in range(grid.n_classes):
        label, share = grid.label((c, c)), float(100.0 * flows[c] / flows.sum())
        sd = relative * share + 0.1
        found.append(Measurement(stream, class_share(label), share, SHARE, sd))
        if metal is not None:
            x = float(100.0 * metal[c] / flows[c])
            found.append(Measurement(stream, class_grade("Pb", label), x, PERCENT, 0.04 * x))
    return found


SCREEN = Circuit.build(
    {"feed": (None, "screen"), "over": ("screen", None), "under": ("screen", None)}
)


SCREEN_GRID = SizeGrid((400.0, 200.0, 100.0))


OVER, UNDER = np.array([9.0, 24.0, 8.0, 1.0]), np.array([1.0, 6.0, 32.0, 19.0])


OVER_PB, UNDER_PB = np.array([0.09, 0.48, 0.32, 0.05]), np.array([0.01, 0.09, 0.8, 0.76])


def screen(title: str = "Invented: a screen") -> Balance:
    streams = {"feed": (OVER + UNDER, OVER_PB + UNDER_PB), "over": (OVER, OVER_PB),
               "under": (UNDER, UNDER_PB)}  # fmt: skip
    found = []
    for name, (flows, metal) in streams.items():
        whole = float(flows.sum())
        lead = 100.0 * float(metal.sum()) / whole
        found.append(Measurement(name, "dry mass", whole, KG, 0.01 * whole))
        found.append(Measurement(name, "Pb", lead, PERCENT, 0.05))
        found += sized_classes(SCREEN_GRID, name, flows, metal)
    survey = Survey(Basis.BATCH, KG, (Analyte("Pb", PERCENT),), tuple(found), title,
                    sizes=SCREEN_GRID)  # fmt: skip
    return only_balanced(SCREEN, survey)


GRINDING = Circuit.build(
    {"feed": (None, "sump"), "cyclone feed": ("sump", "cyclone"), "overflow": ("cyclone", None),
     "underflow": ("cyclone", "mill"), "discharge": ("mill", "sump")},
    {"mill": "mill", "sump": "mixer"},
)  # fmt: skip


GRINDING_GRID = SizeGrid((300.0, 150.0, 75.0))


def true_values() -> dict[str, tuple[Floats, Floats]]:
    """Return flows [t/h] and metal of the classes of each stream: the mill halves, by classes."""
    C = GRINDING_GRID.n_classes
    breakage = np.zeros((C, C))
    for c in range(C):
        breakage[c:, c] = 0.6 / (C - c)
        breakage[c, c] += 0.4
    fresh = np.array([45.0, 25.0, 15.0, 15.0])
    found: dict[str, tuple[Floats, ...]] = {}
    for share, into in (
        (np.array([0.97, 0.85, 0.40, 0.20]), fresh),
        (np.array([0.98, 0.88, 0.46, 0.23]), fresh * np.array([0.5, 0.9, 1.6, 2.2]) / 100.0),
    ):
        feed = np.linalg.solve(np.eye(C) - breakage @ np.diag(share), into)
        streams = (into, feed, (1.0 - share) * feed, share * feed, breakage @ (share * feed))
        for name, flow in zip(GRINDING.stream_names, streams, strict=True):
            found[name] = (*found.get(name, ()), flow)
    return {name: (pair[0], pair[1]) for name, pair in found.items()}


def grinding(seed: int | None = None) -> Survey:
    """Return a survey of the circuit: without errors, or with errors drawn by a seed."""
    found = []
    for name, (flows, metal) in true_values().items():
        whole = float(flows.sum())
        if name in ("feed", "overflow"):
            found.append(Measurement(name, "dry rate", whole, TPH, 0.01 * whole))
        x = float(100.0 * metal.sum() / whole)
        found.append(Measurement(name, "Pb", x, PERCENT, 0.02 * x))
        assayed = name in ("cyclone feed", "overflow", "underflow")
        found += sized_classes(GRINDING_GRID, name, flows, metal if assayed else None)
    if seed is not None:
        rng = np.random.default_rng(seed)
        found = [replace(m, value=m.value + m.sd * float(rng.standard_normal())) for m in found]
    return Survey(Basis.RATE, TPH, (Analyte("Pb", PERCENT),), tuple(found),
                  "Invented: closed grinding circuit", sizes=GRINDING_GRID)  # fmt: skip


@cache
def ground(seed: int | None = None) -> Balance:
    return only_balanced(GRINDING, grinding(seed), feed="feed")
