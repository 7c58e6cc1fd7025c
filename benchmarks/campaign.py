"""Surveys a second: one at a time, side by side, and over two processes; ratios from one run.

python benchmarks/campaign.py [--surveys N] [--workers N] [--markdown] [--json FILE]

Surveys of two circuits, drawn about a balance: four streams with two analytes, all measured; and
the example rougher_cleaner (12 streams, 3 analytes) with all of it measured, with a twentieth of
that missing in 50 patterns, and with what the example measures. One at a time is `reconcile`
without suspects on some of the same surveys. Rates are per second of a core, by its own clock, so
that other work on the machine counts little; what processes gain is by the clock on the wall.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from oretally.flowsheet import Analyte, Basis, Circuit, Measurement, Survey, parse_unit
from oretally.io import read_case
from oretally.recon import reconcile, reconcile_many
from oretally.recon.many import SurveyTable

EXAMPLES = Path(__file__).resolve().parents[1] / "examples"
ALONE = 40  # surveys balanced one at a time
PATTERNS = 50
ERROR = 0.03  # of its value, where the example measures nothing


def table_circuit() -> tuple[Circuit, Survey]:
    """Return a table with three products, all of it measured."""
    kg, percent = parse_unit("kg"), parse_unit("%")
    made = {"concentrate": (4.0, 40.0, 12.0), "middlings": (16.0, 2.0, 20.0),
            "tailings": (80.0, 0.1, 5.0)}  # fmt: skip
    mass, tin, iron = (np.array(column) for column in zip(*made.values(), strict=True))
    feed = (mass.sum(), mass @ tin / mass.sum(), mass @ iron / mass.sum())
    circuit = Circuit.build({"feed": (None, "table")} | {name: ("table", None) for name in made})
    measured = tuple(
        Measurement(stream, quantity, value, unit, ERROR * value)
        for stream, values in ({"feed": feed} | made).items()
        for quantity, value, unit in zip(
            ("dry mass", "Sn", "Fe"), values, (kg, percent, percent), strict=True
        )
    )
    analytes = Analyte("Sn", percent), Analyte("Fe", percent)
    return circuit, Survey(Basis.BATCH, kg, analytes, measured)


def complete(circuit: Circuit, survey: Survey) -> Survey:
    """Return the survey with a measurement of all that is balanced."""
    known = {(m.stream, m.quantity) for m in survey.measurements}
    balance = reconcile(circuit, survey, suspects=False)
    more = [
        Measurement(v.stream, v.quantity, v.adjusted, parse_unit(v.unit), ERROR * v.adjusted)
        for v in balance.values
        if (v.stream, v.quantity) not in known and v.adjusted
    ]
    return replace(survey, measurements=(*survey.measurements, *more))


def drawn(circuit: Circuit, survey: Survey, n: int, missing: float) -> SurveyTable:
    """Return surveys as they could have come out, in at most so many patterns of missing values."""
    rng = np.random.default_rng(1)
    balance = reconcile(circuit, survey, suspects=False)
    true = {(v.stream, v.quantity): v.adjusted for v in balance.values}
    measured = survey.measurements
    sd = np.tile([m.sd for m in measured], (n, 1))
    centre = np.array([true[m.stream, m.quantity] for m in measured])
    value = np.abs(centre + sd * rng.normal(size=sd.shape))
    holes = rng.random((PATTERNS, len(measured))) < missing
    gone = holes[rng.integers(PATTERNS, size=n)]
    value[gone] = sd[gone] = np.nan
    return SurveyTable(survey, value, sd)


def cases() -> Iterator[tuple[str, Circuit, Survey, float]]:
    """Yield a name, a circuit, a survey to draw about, and the share that is missing."""
    yield "4 x 2, complete", *table_circuit(), 0.0
    case = read_case(EXAMPLES / "rougher_cleaner")
    whole = complete(case.circuit, case.survey)
    yield "12 x 3, complete", case.circuit, whole, 0.0
    yield "12 x 3, 5 % missing", case.circuit, whole, 0.05
    yield "12 x 3, half measured", case.circuit, case.survey, 0.0


def measured(circuit: Circuit, table: SurveyTable, workers: int) -> dict[str, float]:
    """Return rates per second of a core, and what processes gain."""
    reconcile_many(circuit, table.rows(slice(0, 64)))  # all is loaded
    few = min(ALONE, len(table))
    start = time.process_time()
    for i in range(few):
        reconcile(circuit, table.survey(i), suspects=False, trials=0)
    alone = few / (time.process_time() - start)
    start, wall = time.process_time(), time.perf_counter()
    found = reconcile_many(circuit, table)
    together = len(table) / (time.process_time() - start)
    wall = time.perf_counter() - wall
    start = time.perf_counter()
    reconcile_many(circuit, table, workers=workers)
    gain = wall / (time.perf_counter() - start)
    return {
        "alone": alone, "together": together, "care": float(found.alone.mean()), "gain": gain,
        "MiB": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0,
    }  # fmt: skip


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--surveys", type=int, default=10_000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--markdown", action="store_true")
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    heads = ("streams x analytes", "one at a time", "side by side", "times", "needed care",
             f"{asked.workers} processes", "peak memory")  # fmt: skip
    rows, found = [heads], dict[str, dict[str, float]]()
    for name, circuit, survey, missing in cases():
        one = found[name] = measured(
            circuit, drawn(circuit, survey, asked.surveys, missing), asked.workers
        )
        rows.append((
            name, f"{one['alone']:.0f}/s", f"{one['together']:,.0f}/s",
            f"{one['together'] / one['alone']:.0f} x", f"{100 * one['care']:.2g} %",
            f"{one['gain']:.2f} x", f"{one['MiB']:.0f} MiB",
        ))  # fmt: skip
    load = os.getloadavg()[0]
    print(f"{asked.surveys:,} surveys, {os.cpu_count()} cores, load {load:.0f}")
    if asked.markdown:
        rows.insert(1, ("---", *("---:",) * (len(heads) - 1)))
        print("\n".join(f"| {' | '.join(row)} |" for row in rows))
    else:
        wide = [max(map(len, column)) for column in zip(*rows, strict=True)]
        for row in rows:
            print("  ".join(cell.rjust(n) for cell, n in zip(row, wide, strict=True)))
    if asked.json is not None:
        asked.json.write_text(json.dumps(found))


if __name__ == "__main__":
    main()
