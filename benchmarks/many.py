"""Many surveys of one circuit: rates, memory, processes, against one at a time and IPOPT.

python benchmarks/many.py [--surveys N ...] [--only WORD] [--sample N] [--below P] [--markdown]
                          [--json FILE]

The example rougher_cleaner (12 streams, 3 analytes) with all of it measured, drawn about a balance:
complete; with a fifth of the numbers missing in 50 patterns; and with one number in a hundred
surveys wrong by 10 sd, where wrong numbers are looked for in surveys that the tests doubt at the
level ``--below``. Beside it four streams with two analytes, complete. A worker draws a chunk,
balances it and writes it as a Parquet file, which is then deleted: they are never all in memory.

Rates are per second of a core, by the clock of the processes: others work on the machine. What the
second process gains is by the clock on the wall, and by that of the processes: how much less work
a core does beside another one that works. One at a time and IPOPT (one model for each pattern, no
errors of results) take a sample of the same surveys; the objectives are compared.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import resource
import tempfile
import time
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from general_solvers import Ipopt, Scaled

from oretally.flowsheet import (
    Analyte,
    BalanceModel,
    Basis,
    Circuit,
    Measurement,
    Survey,
    parse_unit,
)
from oretally.io import read_case
from oretally.recon import reconcile
from oretally.recon.many import Asked, SurveyTable
from oretally.recon.many_chunk import balance_chunk

EXAMPLES = Path(__file__).resolve().parents[1] / "examples"
PATTERNS = 50
CHUNK = 50_000  # surveys: their arrays and answers take some 200 MiB
ERROR = 0.03  # of its value, where the example measures nothing
WRONG = 10.0  # sd


@dataclass(frozen=True)
class Case:
    """Surveys to draw: of which circuit, how many numbers are missing, how many surveys wrong."""

    name: str
    small: bool = False
    missing: float = 0.0
    wrong: float = 0.0

    @property
    def suspects(self) -> bool:
        return self.wrong > 0.0


CASES = (
    Case("4 x 2, complete", small=True),
    Case("12 x 3, complete"),
    Case("12 x 3, 20 % missing", missing=0.2),
    Case("12 x 3, 1 % wrong", wrong=0.01),
)


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


@cache
def drawn_about(small: bool) -> tuple[Circuit, Survey, np.ndarray[Any, Any]]:
    """Return a circuit, the form of its surveys, and the true values."""
    if small:
        circuit, survey = table_circuit()
    else:
        case = read_case(EXAMPLES / "rougher_cleaner")
        circuit, survey = case.circuit, complete(case.circuit, case.survey)
    balance = reconcile(circuit, survey, suspects=False)
    true = {(v.stream, v.quantity): v.adjusted for v in balance.values}
    return circuit, survey, np.array([true[m.stream, m.quantity] for m in survey.measurements])


def drawn(case: Case, n: int, seed: int) -> tuple[Circuit, SurveyTable]:
    """Return surveys as they could have come out."""
    circuit, survey, centre = drawn_about(case.small)
    rng, same = np.random.default_rng((1, seed)), np.random.default_rng(2)
    holes = same.random((PATTERNS, centre.size)) < case.missing
    sd = np.tile([m.sd for m in survey.measurements], (n, 1))
    error = rng.normal(size=sd.shape)
    bad = np.flatnonzero(rng.random(n) < case.wrong)
    error[bad, rng.integers(centre.size, size=bad.size)] = WRONG
    value = np.abs(centre + sd * error)
    gone = holes[rng.integers(PATTERNS, size=n)]
    value[gone] = sd[gone] = np.nan
    return circuit, SurveyTable(survey, value, sd)


@dataclass(frozen=True)
class Part:
    """What a chunk took: seconds of its process, its memory so far, surveys in some state."""

    surveys: int
    seconds: float
    mib: float
    alone: int
    looked: int


def balanced_part(case: Case, n: int, seed: int, below: float, folder: str) -> Part:
    """Draw a chunk, balance it and write it: what a worker does."""
    import pyarrow
    import pyarrow.parquet

    circuit, table = drawn(case, n, seed)
    start = time.process_time()
    found = balance_chunk(circuit, table, Asked(suspects=case.suspects, below=below))
    columns = pyarrow.table(found.named(suspects=case.suspects))
    path = Path(folder) / f"part-{os.getpid()}-{seed:05d}.parquet"
    pyarrow.parquet.write_table(columns, path, use_dictionary=False)
    spent = time.process_time() - start
    path.unlink()
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
    return Part(n, spent, peak, int(found.alone.sum()), int(found.looked.sum()))


def streamed(case: Case, n: int, workers: int, below: float) -> dict[str, float]:
    """Return what balancing so many surveys in chunks takes."""
    chunk = min(CHUNK, -(-n // 2))
    tasks = [(case, min(chunk, n - i), i // chunk, below) for i in range(0, n, chunk)]
    context = multiprocessing.get_context("spawn")
    with (
        tempfile.TemporaryDirectory() as folder,
        ProcessPoolExecutor(workers, context) as pool,
    ):
        warm = [pool.submit(balanced_part, case, 400, 0, below, folder) for _ in range(workers)]
        _ = [each.result() for each in warm]
        start = time.perf_counter()
        parts = list(pool.map(balanced_part, *zip(*tasks, strict=True), [folder] * len(tasks)))
        wall = time.perf_counter() - start
    seconds = sum(part.seconds for part in parts)
    return {
        "rate": n / seconds, "seconds": seconds, "wall": wall,
        "MiB": max(part.mib for part in parts),
        "alone": sum(part.alone for part in parts) / n,
        "looked": sum(part.looked for part in parts) / n,
    }  # fmt: skip


def one_by_one(case: Case, n: int) -> dict[str, float]:
    """Return the rates of a sample one at a time and by IPOPT, and how far apart minima are."""
    circuit, table = drawn(case, n, 0)
    start = time.process_time()
    ours = [
        reconcile(circuit, table.survey(i), suspects=case.suspects, trials=0).objective
        for i in range(n)
    ]
    alone = n / (time.process_time() - start)
    seconds, apart, lower = 0.0, 0.0, 0
    for _, rows in table.patterns():
        problems = [BalanceModel(circuit, table.survey(int(i))).problem for i in rows]
        start = time.process_time()
        first = Scaled.of(problems[0])
        solver = Ipopt(first)  # stated errors are the same in all
        values = [
            solver(s.start(s.F, s.X), np.concatenate([s.F, s.X.ravel()]))[0] for s in
            (replace(first, F=p.flow / first.unit_F, X=p.grade / first.unit_X) for p in problems)
        ]  # fmt: skip
        seconds += time.process_time() - start
        for i, value in zip(rows, values, strict=True):
            gap = (value - ours[i]) / (1.0 + ours[i])
            apart, lower = max(apart, abs(gap)), lower + bool(gap < -1e-6)
    return {"one at a time": alone, "ipopt": n / seconds, "apart": apart, "ipopt lower": lower}


def measured(case: Case, sizes: Sequence[int], sample: int, below: float) -> dict[str, Any]:
    """Return all figures of a case."""
    found: dict[str, Any] = one_by_one(case, sample) if sample else {}
    for n in sizes:
        one = streamed(case, n, 1, below)
        two = streamed(case, n, 2, below)
        found[f"{n}"] = {
            **one, "two": one["wall"] / two["wall"],
            "two by processes": 2.0 * one["seconds"] / two["seconds"],
        }  # fmt: skip
    return found


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--surveys", type=int, nargs="+", default=[10_000])
    parser.add_argument("--only", default="", help="cases whose name holds this word")
    parser.add_argument("--sample", type=int, default=50)
    parser.add_argument("--below", type=float, default=0.001)
    parser.add_argument("--markdown", action="store_true")
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    heads = ("surveys", "side by side", "one at a time", "IPOPT", "alone", "looked at",
             "two processes", "peak of one")  # fmt: skip
    rows, found = [heads], dict[str, Any]()
    for case in CASES:
        if asked.only not in case.name:
            continue
        one = found[case.name] = measured(case, asked.surveys, asked.sample, asked.below)
        for n in asked.surveys:
            f = one[f"{n}"]
            rows.append((
                f"{case.name}, {n:,}", f"{f['rate']:,.0f}/s",
                f"{one['one at a time']:.0f}/s" if asked.sample else "",
                f"{one['ipopt']:.0f}/s" if asked.sample else "",
                f"{100 * f['alone']:.2g} %", f"{100 * f['looked']:.2g} %",
                f"{f['two']:.2f} x ({f['two by processes']:.2f} x)", f"{f['MiB']:.0f} MiB",
            ))  # fmt: skip
        if asked.sample:
            print(f"{case.name}: objectives {one['apart']:.1e} apart at most; "
                  f"IPOPT is lower in {one['ipopt lower']} of {asked.sample}")  # fmt: skip
    print(f"{os.cpu_count()} cores, load {os.getloadavg()[0]:.0f}")
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
