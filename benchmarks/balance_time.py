"""How long a balance takes as the circuit grows, and on the examples: ratios from one run.

python benchmarks/balance_time.py [--quick] [--json FILE]
"""

from __future__ import annotations

import argparse
import json
import statistics
import time
from collections.abc import Callable, Sequence
from pathlib import Path

from circuits import plant

from oretally.io import Case, read_case
from oretally.recon import Balance, reconcile
from oretally.recon.reduction import classify
from oretally.recon.solver import propagate, solve

EXAMPLES = Path(__file__).resolve().parents[1] / "examples"
SIZES = [(3, 1), (6, 1), (12, 3), (24, 4), (48, 8), (60, 20)]


def seconds(run: Callable[[], object], repeats: int) -> float:
    """Return the median time of a call."""
    found = []
    for _ in range(repeats):
        start = time.perf_counter()
        run()
        found.append(time.perf_counter() - start)
    return statistics.median(found)


def measure_plant(n_streams: int, n_analytes: int, repeats: int) -> dict[str, float | str]:
    """Time the parts of a balance on a plant."""
    problem = plant(n_streams, n_analytes)
    solution = solve(problem)
    if not solution.converged:
        raise SystemExit(f"{n_streams} x {n_analytes}: {solution.status}")
    times = {
        "classify": seconds(lambda: classify(problem), repeats),
        "solve": seconds(lambda: solve(problem), repeats),
        "sd": seconds(lambda: propagate(problem, solution).grade_sd, repeats),
    }
    size, balance = f"{problem.n_carriers} x {n_analytes}", sum(times.values())
    return {"what": size, "steps": solution.iterations, **times, "all": balance}


def balanced(case: Case) -> Balance:
    """Return the whole balance of a case, names and answers included."""
    return reconcile(case.circuit, case.survey, feed=case.feed, products=case.products)


def measure_example(folder: Path, repeats: int) -> dict[str, float | str]:
    """Time ``reconcile`` on an example."""
    case = read_case(folder)
    balance = balanced(case)
    if not balance.converged:
        raise SystemExit(f"{folder.name}: {balance.status}")
    whole = seconds(lambda: balanced(case), repeats)
    return {"what": folder.name, "steps": balance.iterations, "all": whole}


def shown(rows: Sequence[dict[str, float | str]]) -> str:
    """Return the rows as a table; a ratio is to the first row."""
    base = float(rows[0]["all"])
    head = ("steps", "classify", "solve", "sd", "all", "ratio")
    lines = [f"{'streams x analytes':>18}" + "".join(f"{word:>11}" for word in head)]
    for row in rows:
        times = (
            f"{1e3 * float(row[key]):>9.2f}ms" if key in row else f"{'':>11}"
            for key in ("classify", "solve", "sd", "all")
        )
        ratio = f"{float(row['all']) / base:>11.1f}"
        lines.append(f"{row['what']:>18}{row['steps']:>11}{''.join(times)}{ratio}")
    return "\n".join(lines)


def main() -> None:
    """Measure, print the table, write JSON on request."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="one repeat, small circuits only")
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    sizes, repeats = (SIZES[:3], 1) if asked.quick else (SIZES, 5)
    rows = [measure_plant(*size, repeats) for size in sizes]
    folders = sorted(path.parent for path in EXAMPLES.glob("*/circuit.toml"))
    rows += [measure_example(folder, repeats) for folder in folders]
    print(shown(rows))
    if asked.json:
        asked.json.write_text(json.dumps(rows, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
