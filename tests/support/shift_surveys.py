"""Invented shifts of a small mill: ore over a stockpile to a separator; errors drawn as stated."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, field
from datetime import datetime, timedelta

import numpy as np

from oretally.flowsheet import (
    Analyte,
    Basis,
    Circuit,
    Measurement,
    Node,
    NodeKind,
    Stream,
    Survey,
    parse_unit,
)
from oretally.flowsheet.survey import DatedSurvey, SharedSource

__all__ = ["CLOSING", "OPENING", "STOCKS", "Mill", "mill_circuit"]

OPENING, CLOSING = "opening stock of pile", "closing stock of pile"
STOCKS = (OPENING, CLOSING)
_T, _PERCENT = parse_unit("t"), parse_unit("%")


def mill_circuit() -> Circuit:
    """Return ore -> pile -> feed -> mill -> concentrate, tailings."""
    streams = (
        Stream("ore", None, "pile"),
        Stream("feed", "pile", "mill"),
        Stream("concentrate", "mill", None),
        Stream("tailings", "mill", None),
        Stream(OPENING, None, "pile", stock=True),
        Stream(CLOSING, "pile", None, stock=True),
    )
    return Circuit.from_parts(streams, [Node("pile", NodeKind.STOCKPILE)])


@dataclass(frozen=True)
class Mill:
    """True amounts of some shifts, and how their surveys are drawn.

    Attributes
    ----------
    shifts : int
    analytes : tuple of str
    missing : collection of (int, str, str)
        Shift, stream and quantity that were not measured.
    stocks : collection of int
        Boundaries, 0 to ``shifts``, at which the stock was measured: by the shift before, if there
        is one, and by the shift after.
    own : float
        Stated relative error of one reading.
    over : mapping of str to str
        Over what the belt scale (of feed and ore) and the laboratory (of each analyte) have one
        error; '' for each survey its own. None of them if it is not there.
    size : float
        Relative sd of these.
    """

    shifts: int = 4
    analytes: tuple[str, ...] = ("Pb",)
    missing: Collection[tuple[int, str, str]] = ()
    stocks: Collection[int] | None = None
    own: float = 0.02
    over: Mapping[str, str] = field(default_factory=dict)
    size: float = 0.015
    hours: float = 8.0

    def surveys(self, seed: int) -> list[DatedSurvey]:
        """Return one draw of all surveys."""
        rng = np.random.default_rng(seed)
        stocks = {0, self.shifts} if self.stocks is None else set(self.stocks)
        u: dict[tuple[str, str, object], float] = {}
        found, circuit = [], mill_circuit()
        for t, truth in enumerate(self._truth()):
            time = datetime(2026, 3, 2, 6) + timedelta(hours=self.hours * t)
            rows, loadings = [], dict[tuple[str, str], dict[str, float]]()
            for (stream, quantity), value in truth.items():
                out = (stream == OPENING and t not in stocks) or (
                    stream == CLOSING and t + 1 not in stocks
                )
                sd = self.own * value
                drawn = value + sd * float(rng.standard_normal())
                source = self._source(stream, quantity)
                over = self.over.get(source) if source else None
                if over is not None:
                    span = {"": t, "day": time.date()}.get(over, over)
                    if (source, quantity, span) not in u:
                        u[source, quantity, span] = float(rng.standard_normal())
                    drawn += self.size * value * u[source, quantity, span]
                if out or (t, stream, quantity) in self.missing:
                    continue
                if over is not None:
                    # loadings in proportion to the true value: what the draw was made with
                    loadings.setdefault((source, quantity), {})[stream] = self.size * value
                    sd = float(np.hypot(sd, self.size * value))
                unit = _T if quantity == "dry mass" else _PERCENT
                rows.append(
                    Measurement(stream, quantity, unit.from_base(max(drawn, 0.0)), unit,
                                unit.from_base(sd))
                )  # fmt: skip
            shared = tuple(
                SharedSource(name, quantity, loads, self.over[name])
                for (name, quantity), loads in loadings.items()
            )
            analytes = tuple(Analyte(a, _PERCENT) for a in self.analytes)
            survey = Survey(Basis.BATCH, _T, analytes, tuple(rows), shared=shared)
            found.append(DatedSurvey(f"S{t + 1}", time, circuit, survey))
        return found

    def _source(self, stream: str, quantity: str) -> str:
        if quantity == "dry mass":
            return "belt scale" if stream in ("feed", "ore") else ""
        return "laboratory" if stream not in STOCKS else ""

    def total(self, stream: str, analyte: str) -> float:
        """Return the true amount of an analyte in a stream over all shifts. [kg]"""
        return sum(x[stream, "dry mass"] * x[stream, analyte] for x in self._truth())

    def _truth(self) -> list[dict[tuple[str, str], float]]:
        """Return what was truly there, shift by shift, in base units."""
        rng = np.random.default_rng(7)
        mass, held = 1500e3, {a: 1500e3 * 0.041 for a in self.analytes}
        found = []
        for _ in range(self.shifts):
            ore, feed = rng.normal(330e3, 60e3), rng.normal(310e3, 15e3)
            x: dict[tuple[str, str], float] = {(OPENING, "dry mass"): mass}
            x |= {(OPENING, a): held[a] / mass for a in self.analytes}
            concentrate = 0.055 * feed
            x |= {("ore", "dry mass"): ore, ("feed", "dry mass"): feed,
                  ("concentrate", "dry mass"): concentrate,
                  ("tailings", "dry mass"): feed - concentrate}  # fmt: skip
            mass += ore - feed
            for i, a in enumerate(self.analytes):
                got, fed = rng.normal(0.042, 0.002), rng.normal(0.041, 0.001)
                recovered = 0.9 - 0.05 * i
                x["ore", a], x["feed", a] = got, fed
                x["concentrate", a] = recovered * feed * fed / concentrate
                x["tailings", a] = (1.0 - recovered) * feed * fed / (feed - concentrate)
                held[a] += ore * got - feed * fed
                x[CLOSING, a] = held[a] / mass
            x[CLOSING, "dry mass"] = mass
            found.append(x)
        return found
