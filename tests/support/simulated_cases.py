"""Surveys to simulate, and quantiles in closed form."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import (
    Analyte,
    Basis,
    Circuit,
    Measurement,
    SharedSource,
    Survey,
    parse_unit,
)
from oretally.recon.draws import end_scatter
from oretally.recon.result import Interval, SimulatedAnswer, Simulation

Floats = NDArray[np.float64]


Readings = dict[str, tuple[float, float]]


KG, PERCENT = parse_unit("kg"), parse_unit("%")


TABLE = Circuit.build(
    {"feed": (None, "table"), "conc": ("table", None), "tails": ("table", None)}
)  # fmt: skip


def simulated_survey(
    flows: Readings, grades: dict[str, Readings], shared: tuple[SharedSource, ...] = ()
) -> Survey:
    found = [Measurement(s, "dry mass", v, KG, sd) for s, (v, sd) in flows.items()]
    for name, by_stream in grades.items():
        found += [Measurement(s, name, v, PERCENT, sd) for s, (v, sd) in by_stream.items()]
    analytes = tuple(Analyte(name, PERCENT) for name in grades)
    return Survey(Basis.BATCH, KG, analytes, tuple(found), shared=shared)


def answer_row(found: Simulation, name: str) -> SimulatedAnswer:
    return next(r for r in found.rows if r.answer.name == name)


def answer_column(found: Simulation, name: str) -> Floats:
    return found.values[:, [row.answer.name for row in found.rows].index(name)]


def assert_near(
    found: Interval | None, exact: tuple[float, float], y: Floats, sds: float = 5.0
) -> None:
    """Check limits of draws within what they scatter."""
    assert found is not None
    for ours, theirs, sd in zip(found, exact, end_scatter(y), strict=True):
        assert abs(ours - theirs) <= sds * sd, (ours, theirs, sd)


GRADES = {
    "Sn": {"feed": (1.00, 0.03), "conc": (1.62, 0.05), "tails": (0.91, 0.03)},
    "Fe": {"feed": (8.1, 0.2), "conc": (11.9, 0.3), "tails": (7.5, 0.2)},
    "As": {"feed": (0.21, 0.01), "conc": (0.40, 0.02)},  # tails not assayed: says nothing of mass
}


FLOWS = {"feed": (25.0, 0.05), "conc": (4.6, 0.9)}  # the concentrate was wet
