"""Time of a balance with size classes and water against classes and analytes.

    python benchmarks/detail.py [--quick] [--json FILE]

Grinding and flotation lines side by side, all measured: shares of all classes, grades of all
classes, % solids everywhere. Medians of a few repeats in one run, each size after the other;
exponents of a power of the size fitted to the logarithms. ``solve`` is the balance alone,
``reconcile`` with its classes, covariances, sizes and suspects.
"""

from __future__ import annotations

import argparse
import json
import statistics
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
from growth import exponent
from scipy import sparse
from scipy.sparse.linalg import spsolve

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
    balance_problem,
    parse_unit,
)
from oretally.flowsheet.circuit import Content
from oretally.flowsheet.survey import SizeGrid, class_grade, class_share
from oretally.recon.reconciliation import reconcile
from oretally.recon.solver import solve

__all__ = ["Point", "line", "survey_of"]

CLASSES, ANALYTES, LINES = (4, 8, 16), (1, 4, 8), (2, 6)
QUICK = ((4, 8), (1, 2), (1,))
RATE, SHARE, PERCENT = parse_unit("t/h"), parse_unit("%", Dimension.SHARE), parse_unit("%")


@dataclass(frozen=True)
class Point:
    """One size and its times, in seconds; None where it was not tried."""

    streams: int
    classes: int
    analytes: int
    measurements: int
    carriers: int
    solve: float
    reconcile: float | None
    converged: bool


def line(n: int) -> Circuit:
    """Return n lines in parallel behind one divider-free feed box: 10 streams each, 1 feed."""
    streams = [Stream("feed", None, "box")]
    nodes = [Node("box")]
    for i in range(n):
        at = f" {i}"
        streams += [
            Stream("fresh" + at, "box", "sump" + at),
            Stream("water" + at, None, "sump" + at, content=Content.SOLUTION),
            Stream("cyclone feed" + at, "sump" + at, "cyclone" + at),
            Stream("overflow" + at, "cyclone" + at, "cell" + at),
            Stream("underflow" + at, "cyclone" + at, "mill" + at),
            Stream("discharge" + at, "mill" + at, "sump" + at),
            Stream("rougher conc" + at, "cell" + at, "cleaner" + at),
            Stream("tails" + at, "cell" + at, None),
            Stream("conc" + at, "cleaner" + at, None),
            Stream("cleaner tails" + at, "cleaner" + at, "sump" + at),
        ]
        nodes += [Node("sump" + at, NodeKind.MIXER), Node("mill" + at, NodeKind.MILL)]
    return Circuit.from_parts(streams, nodes)


def survey_of(circuit: Circuit, n_classes: int, n_analytes: int, seed: int = 1) -> Survey:
    """Return a survey with 2 % errors, drawn from a balance that closes in every class."""
    rng = np.random.default_rng(seed)
    names = circuit.stream_names
    grid = SizeGrid(tuple(600.0 / 2.0 ** (i / 2.0) for i in range(n_classes - 1)))
    analytes = [f"A{k}" for k in range(n_analytes)]
    size = n_classes * (1 + n_analytes) + 1  # masses, metals of the classes, water
    system = sparse.lil_array(sparse.eye_array(size * len(names)))
    right = np.zeros(size * len(names))
    for node in circuit.nodes:
        out = circuit.outlets(node.name)
        pull = rng.dirichlet(np.full(len(out), 6.0), n_classes).T
        shares = np.vstack([pull.T] * (1 + n_analytes) + [rng.dirichlet(np.full(len(out), 6.0))]).T
        shares[:, n_classes:-1] *= rng.lognormal(0.0, 0.2, (len(out), size - n_classes - 1))
        shares = shares / shares.sum(axis=0)
        inner = np.eye(size)
        if node.kind is NodeKind.MILL:
            for b in range(1 + n_analytes):
                at = slice(b * n_classes, (b + 1) * n_classes)
                finer = [np.r_[np.zeros(c), rng.dirichlet(np.full(n_classes - c, 3.0))]
                         for c in range(n_classes)]  # fmt: skip
                inner[at, at] = np.array(finer).T
        for name, share in zip(out, shares, strict=True):
            i = size * names.index(name)
            for inlet in circuit.inlets(node.name):
                j = size * names.index(inlet)
                system[i : i + size, j : j + size] -= share[:, None] * inner
    for name in circuit.feeds:
        i = size * names.index(name)
        right[i + size - 1] = 100.0
        if name == "feed":
            mass = 100.0 * rng.dirichlet(np.full(n_classes, 8.0))
            metal = [mass * rng.uniform(0.005, 0.03, n_classes) for _ in analytes]
            right[i : i + size - 1] = np.concatenate([mass, *metal])
    amounts = spsolve(system.tocsc(), right).reshape(len(names), size)
    found: list[Measurement] = []

    def add(stream: str, quantity: str, value: float, unit: Unit, sd: float = 0.02) -> None:
        drawn = float(value * (1.0 + sd * rng.standard_normal()))
        found.append(Measurement(stream, quantity, drawn, unit, float(sd * value)))

    for stream, x in zip(circuit.streams, amounts, strict=True):
        if stream.content is Content.SOLUTION:
            add(stream.name, "water", x[-1], RATE)
            continue
        mass = x[:n_classes]
        add(stream.name, "% solids", 100.0 * mass.sum() / (mass.sum() + x[-1]), SHARE)
        if stream.source is None or stream.target is None:
            add(stream.name, "dry rate", mass.sum(), RATE)
        for c in range(n_classes):
            label = grid.label((c, c))
            add(stream.name, class_share(label), 100.0 * mass[c] / mass.sum(), SHARE)
            for k, a in enumerate(analytes):
                metal = x[n_classes * (1 + k) + c]
                add(stream.name, class_grade(a, label), 100.0 * metal / mass[c], PERCENT, 0.03)
        for k, a in enumerate(analytes):
            metal = x[n_classes * (1 + k) : n_classes * (2 + k)].sum()
            add(stream.name, a, 100.0 * metal / mass.sum(), PERCENT)
    return Survey(
        Basis.RATE, RATE, tuple(Analyte(a, PERCENT) for a in analytes), tuple(found),
        sizes=grid, water=True,
    )  # fmt: skip


def _median(run: Callable[[], object], repeats: int, limit: float) -> float:
    """Return the median of the repeats in seconds; one is enough beyond the limit."""
    taken: list[float] = []
    while len(taken) < repeats and sum(taken) < limit:
        start = time.perf_counter()
        run()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def measured(n: int, classes: int, analytes: int, repeats: int, limit: float) -> Point:
    """Return the times of one size; ``reconcile`` only where the balance takes below a twentieth.

    The limit is in seconds, for all repeats of one size.
    """
    circuit = line(n)
    survey = survey_of(circuit, classes, analytes)
    problem = balance_problem(circuit, survey)
    start = time.perf_counter()
    converged = solve(problem).converged  # warms up
    alone = time.perf_counter() - start
    if alone < limit:
        alone = _median(lambda: solve(problem), repeats, limit)
    whole = None
    if alone < limit / 20.0:
        whole = _median(lambda: reconcile(circuit, survey, feed="feed"), repeats, limit)
    return Point(len(circuit.streams), classes, analytes, len(survey.measurements),
                 problem.n_carriers, alone, whole, converged)  # fmt: skip


def table(points: list[Point]) -> str:
    """Return the figures as a Markdown table."""
    lines = ["| streams | classes | analytes | numbers | carriers | solve [s] | reconcile [s] |",
             "| ---: | ---: | ---: | ---: | ---: | ---: | ---: |"]  # fmt: skip
    for p in points:
        whole = "not tried" if p.reconcile is None else f"{p.reconcile:.3g}"
        alone = f"{p.solve:.3g}" if p.converged else f"{p.solve:.3g}, not converged"
        lines.append(f"| {p.streams} | {p.classes} | {p.analytes} | {p.measurements} | "
                     f"{p.carriers} | {alone} | {whole} |")  # fmt: skip
    return "\n".join(lines)


def exponents(points: list[Point]) -> list[str]:
    """Return the exponents of each series in which one size grows."""
    told = []
    for by, held in (("classes", "analytes"), ("analytes", "classes")):
        for what in ("solve", "reconcile"):
            groups: dict[tuple[int, int], list[tuple[int, float]]] = {}
            for p in points:
                seconds = getattr(p, what)
                if seconds is not None:
                    key = p.streams, getattr(p, held)
                    groups.setdefault(key, []).append((getattr(p, by), seconds))
            for (streams, fixed), series in groups.items():
                if len(series) > 1:
                    power = exponent(*zip(*series, strict=True))
                    told.append(f"{what}, {streams} streams, {fixed} {held}: time grows as "
                                f"{by} to the power {power:.2f}")  # fmt: skip
    return told


def main() -> None:
    """Measure, print the table, write JSON on request."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="small sizes, one repeat")
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--limit", type=float, default=20.0, help="seconds for one size")
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    classes, analytes, lines = QUICK if asked.quick else (CLASSES, ANALYTES, LINES)
    repeats = 1 if asked.quick else asked.repeats
    points = []
    for n, c, k in ((n, c, k) for n in lines for c in classes for k in analytes):
        points.append(measured(n, c, k, repeats, asked.limit))
        print(table(points[-1:]).splitlines()[-1], flush=True)
    print()
    print(table(points))
    print()
    print("\n".join(exponents(points)))
    if asked.json:
        asked.json.write_text(json.dumps([asdict(p) for p in points], indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
