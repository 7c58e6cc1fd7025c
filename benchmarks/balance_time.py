"""How long a balance takes as the circuit grows: ratios from one run.

python benchmarks/balance_time.py [--quick] [--json FILE]
"""

from __future__ import annotations

import argparse
import json
import statistics
import time
from pathlib import Path

from circuits import chain

from oretally.recon.covariance import propagate
from oretally.recon.observability import classify
from oretally.recon.solver import solve

SIZES = [(3, 1), (6, 1), (12, 3), (24, 4), (48, 8), (60, 20)]


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
