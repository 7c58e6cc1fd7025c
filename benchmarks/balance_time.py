"""How long a balance takes as the circuit grows: ratios from one run.

python benchmarks/balance_time.py [--quick] [--json FILE]
"""

from __future__ import annotations

import argparse
import json
import statistics
import time
from pathlib import Path

import numpy as np

from oretally.flowsheet import BalanceProblem
from oretally.recon.covariance import propagate
from oretally.recon.observability import classify
from oretally.recon.solver import solve

SIZES = [(3, 1), (6, 1), (12, 3), (24, 4), (48, 8), (60, 20)]


def chain(n_streams: int, n_analytes: int, seed: int = 1) -> BalanceProblem:
    """Return a line of separators, each with one product, everything measured within 2 %."""
    rng = np.random.default_rng(seed)
    n_nodes = (n_streams - 1) // 2
    n = 2 * n_nodes + 1
    A = np.zeros((n_nodes, n))
    flow, grade = np.zeros(n), np.zeros((n_analytes, n))
    flow[0], grade[:, 0] = 100.0, rng.uniform(0.01, 0.05, n_analytes)
    for i in range(n_nodes):
        inlet, product, rest = 2 * i, 2 * i + 1, 2 * i + 2
        A[i, [inlet, product, rest]] = 1.0, -1.0, -1.0
        share = rng.uniform(0.05, 0.3)
        flow[product], flow[rest] = share * flow[inlet], (1.0 - share) * flow[inlet]
        pull = np.minimum(share * rng.uniform(0.5, 3.0, n_analytes), 0.95)
        grade[:, product] = pull * grade[:, inlet] / share
        grade[:, rest] = (1.0 - pull) * grade[:, inlet] / (1.0 - share)
    noise = 0.02
    return BalanceProblem(
        flow_balance=A,
        flow_source=np.zeros(n_nodes),
        analyte_balance=(A,) * n_analytes,
        analyte_source=(np.zeros(n_nodes),) * n_analytes,
        tie=np.arange(n),
        flow=flow * (1.0 + noise * rng.standard_normal(n)),
        flow_sd=noise * flow,
        flow_lower=np.zeros(n),
        grade=grade * (1.0 + noise * rng.standard_normal(grade.shape)),
        grade_sd=noise * grade,
        grade_lower=np.zeros_like(grade),
        grade_upper=np.ones_like(grade),
    )


def seconds(run: object, repeats: int) -> float:
    """Return the median time of a call."""
    if not callable(run):
        raise TypeError("run must be callable")
    found = []
    for _ in range(repeats):
        start = time.perf_counter()
        run()
        found.append(time.perf_counter() - start)
    return statistics.median(found)


def main() -> None:
    """Measure, print the table, write JSON on request."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="one repeat, small circuits only")
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    sizes, repeats = (SIZES[:3], 1) if asked.quick else (SIZES, 5)
    rows = []
    for n_streams, n_analytes in sizes:
        problem = chain(n_streams, n_analytes)
        solution = solve(problem)
        if not solution.converged:
            raise SystemExit(f"{n_streams} x {n_analytes}: {solution.status}")
        rows.append(
            {
                "streams": n_streams,
                "analytes": n_analytes,
                "iterations": solution.iterations,
                "classify": seconds(lambda p=problem: classify(p), repeats),
                "solve": seconds(lambda p=problem: solve(p), repeats),
                "sd": seconds(lambda p=problem, s=solution: propagate(p, s).grade_sd, repeats),
            }
        )
    base = rows[0]["solve"]
    head = ("steps", "classify", "solve", "sd", "ratio")
    print(f"{'streams x analytes':>18}", *(f"{word:>9}" for word in head))
    for row in rows:
        times = (f"{1e3 * row[key]:>7.1f}ms" for key in ("classify", "solve", "sd"))
        size = f"{row['streams']:>9} x {row['analytes']:<6}"
        print(size, f"{row['iterations']:>9}", *times, f"{row['solve'] / base:>9.1f}")
    if asked.json:
        asked.json.write_text(json.dumps(rows, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
