"""How the time of a balance grows with streams, with analytes and with surveys.

    python benchmarks/growth.py [--quick] [--json FILE]

The best of a few repeats; the exponent of a power of the size, fitted to the logarithms. A series
ends early where a balance takes longer than the limit.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np
from circuits import plant, surveys

__all__ = ["SERIES", "Growth", "exponent"]

Timed = Callable[[], tuple[bool, int]]  # whether it converged, iterations
Sized = tuple[int, int, int]  # streams, analytes, surveys; 0 for a single solve


@dataclass(frozen=True)
class Growth:
    """A series of sizes, one of them growing."""

    by: str
    sizes: tuple[Sized, ...]
    quick: tuple[Sized, ...]


SERIES = [
    Growth(
        "streams",
        tuple((n, 20, 0) for n in (125, 250, 500, 1000, 2000)),
        tuple((n, 5, 0) for n in (12, 24, 48)),
    ),
    Growth(
        "analytes",
        tuple((100, k, 0) for k in (25, 50, 100, 200, 400)),
        tuple((24, k, 0) for k in (5, 10, 20)),
    ),
    Growth(
        "surveys",
        tuple((12, 3, s) for s in (1000, 2000, 4000, 8000, 16_000, 32_000, 64_000)),
        tuple((12, 3, s) for s in (100, 200, 400)),
    ),
]


@dataclass(frozen=True)
class Point:
    """One measurement."""

    by: str
    streams: int
    analytes: int
    surveys: int
    seconds: float
    iterations: int | None
    converged: bool


def single(size: Sized) -> Timed:
    from oretally.recon.solver import solve

    problem = plant(size[0], size[1])

    def run() -> tuple[bool, int]:
        found = solve(problem)
        return found.converged, found.iterations

    return run


def batch(size: Sized) -> Timed:
    from oretally.recon.solver import prepare

    problem, flows, grades = surveys(*size)
    ready = prepare(problem)

    def run() -> tuple[bool, int]:
        found = ready.solve_many(flows, grades, workers=1)
        return bool(np.all(found.converged)), 0

    return run


def exponent(sizes: Any, seconds: Any) -> float:
    """Return the slope of the seconds over the sizes, both as logarithms."""
    return float(np.polyfit(np.log(sizes), np.log(seconds), 1)[0])


def points(series: Growth, sizes: tuple[Sized, ...], repeats: int, limit: float) -> Iterator[Point]:
    """Measure a series, up to the first size that takes longer than the limit."""
    for size in sizes:
        run = (batch if size[2] else single)(size)
        best, spent = np.inf, 0.0
        for _ in range(repeats + 1):  # the first one warms up
            start = time.perf_counter()
            converged, steps = run()
            taken = time.perf_counter() - start
            best, spent = min(best, taken), spent + taken
            if spent > limit / 2.0:
                break
        yield Point(series.by, *size, best, steps or None, converged)
        if best > limit:
            return


def shown(series: Growth, found: list[Point]) -> str:
    """Return a series as a table, with the exponent it grows by."""
    first = found[0]
    fixed = {"streams": first.streams, "analytes": first.analytes}
    at = ", ".join(f"{size} {name}" for name, size in fixed.items() if name != series.by)
    lines = [f"{series.by:>10}{'seconds':>12}{'per one':>12}{'steps':>7}   {at}"]
    for point in found:
        grown = getattr(point, series.by)
        steps = "-" if point.iterations is None else point.iterations
        said = "" if point.converged else "   not converged"
        lines.append(
            f"{grown:>10,}{point.seconds:>12.4g}{point.seconds / grown:>12.3g}{steps:>7}{said}"
        )
    if len(found) > 1:
        sizes, seconds = zip(*((getattr(p, series.by), p.seconds) for p in found), strict=True)
        lines.append(f"time grows as {series.by} to the power {exponent(sizes, seconds):.2f}\n")
    return "\n".join(lines)


def main() -> None:
    """Measure, print the tables, write JSON on request."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--quick", action="store_true", help="small sizes, one repeat")
    parser.add_argument("--only", choices=[s.by for s in SERIES], action="append")
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--limit", type=float, default=60.0, help="seconds for one balance")
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    kept = []
    for series in SERIES:
        if asked.only and series.by not in asked.only:
            continue
        sizes, repeats = (series.quick, 1) if asked.quick else (series.sizes, asked.repeats)
        try:
            found = list(points(series, sizes, repeats, asked.limit))
        except ImportError as error:
            print(f"{series.by:>10}   not available: {error}\n", flush=True)
            continue
        print(shown(series, found), flush=True)
        fitted = [(getattr(p, series.by), p.seconds) for p in found]
        kept.append(
            {
                "by": series.by,
                "exponent": exponent(*zip(*fitted, strict=True)) if len(fitted) > 1 else None,
                "points": [asdict(p) for p in found],
            }
        )
    if asked.json:
        asked.json.write_text(json.dumps(kept, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
