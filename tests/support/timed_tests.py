"""Batch flotation tests drawn along a known curve, with slips where asked for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import Analyte, Basis, Circuit, Measurement, Stream, Survey, parse_unit
from oretally.flowsheet.units import Elapsed
from oretally.recon.kinetics import curve
from oretally.recon.result import RateModel

__all__ = ["HEAD", "MASSES", "TIMES", "TRUTH", "drawn_test", "timed_circuit", "true_shares"]

Floats = NDArray[np.float64]

TIMES = (0.5, 1.0, 2.0, 4.0, 8.0)
MASSES = (0.028, 0.020, 0.025, 0.026, 0.031)
FEED, HEAD = 1.0, {"Cu": 0.011, "Zn": 0.02}
TRUTH = {"Cu": np.array([0.92, 0.9]), "Zn": np.array([0.6, 0.3])}
"""Plateau and rate per minute."""


def timed_circuit(times: Sequence[float] = TIMES) -> Circuit:
    """Return a cell with timed products and tails."""
    timed = [
        Stream(f"conc {i}", "cell", None, time=Elapsed(t, "min"))
        for i, t in enumerate(times, start=1)
    ]
    return Circuit.from_parts([Stream("feed", None, "cell"), *timed, Stream("tails", "cell", None)])


def true_shares(analyte: str, times: Sequence[float] = TIMES,
                model: RateModel = RateModel.FIRST_ORDER) -> Floats:  # fmt: skip
    """Return the true cumulative recoveries."""
    return curve(model, TRUTH[analyte], np.array(times))[0]


def drawn_test(
    rng: np.random.Generator | None = None, *, analytes: Sequence[str] = ("Cu", "Zn"),
    relative: float = 0.02, slip: tuple[str, str, float] | None = None, head: bool = False,
    missing: Sequence[tuple[str, str]] = (), times: Sequence[float] = TIMES,
    masses: Sequence[float] = MASSES, model: RateModel = RateModel.FIRST_ORDER,
) -> Survey:  # fmt: skip
    """Return a survey: errors are drawn from ``rng``, none without it.

    ``slip``: stream, quantity and the factor by which it was read; the head is assayed only with
    ``head``, as in most such tests.
    """
    kg, percent = parse_unit("kg"), parse_unit("%")
    names = [f"conc {i}" for i in range(1, len(times) + 1)] + ["tails"]
    mass = np.append(masses, FEED - sum(masses))
    true: Mapping[tuple[str, str], float] = {
        ("feed", "dry mass"): FEED,
        **{(n, "dry mass"): float(m) for n, m in zip(names, mass, strict=True)},
        **({("feed", a): HEAD[a] for a in analytes} if head else {}),
    }
    true = dict(true)
    for a in analytes:
        F = true_shares(a, times, model)
        amount = np.append(np.diff(F, prepend=0.0), 1.0 - F[-1]) * HEAD[a] * FEED
        true |= {(n, a): float(x) for n, x in zip(names, amount / mass, strict=True)}
    rows = []
    for (stream, quantity), value in true.items():
        weighed = quantity == "dry mass"
        sd = 3e-4 if weighed else relative * value
        read = value + (sd * rng.standard_normal() if rng is not None else 0.0)
        if slip is not None and (stream, quantity) == slip[:2]:
            read *= slip[2]
        if (stream, quantity) not in missing:
            factor, unit = (1.0, kg) if weighed else (100.0, percent)
            rows.append(Measurement(stream, quantity, factor * read, unit, factor * sd))
    return Survey(Basis.BATCH, kg, tuple(Analyte(a, percent) for a in analytes), tuple(rows))
