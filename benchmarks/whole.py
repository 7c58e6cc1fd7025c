"""The whole answer: where the time of a balance goes, and what a command takes from its start.

    python benchmarks/whole.py [--quick] [--against PYTHON] [--repeats N] [--json FILE]

In the library, the parts of `reconcile`: the solve with its certificate, the covariance, the
classes, the suspects, the budgets, and the rest. For commands, wall time of a process of its own,
byte-compiled, least of the repeats. ``--against`` names the interpreter of another checkout: both
are measured in turns, so that a busy machine slows both.
"""

from __future__ import annotations

import argparse
import functools
import importlib
import json
import os
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
from circuits import Plant
from detail import line, survey_of

EXAMPLES = Path(__file__).resolve().parents[1] / "examples"
PARTS = {
    "solve": ("solve_certified",),
    "covariance": ("propagate",),
    "classes": ("classes_of",),
    "suspects": ("gross_errors",),
    "budgets": ("recovery_budgets",),
}
BULK = {"4 x 1": (4, 1), "12 x 3": (12, 3), "60 x 20": (60, 20), "300 x 100": (300, 100)}
SIZED = {"21 x 8 x 4": (2, 8, 4), "61 x 16 x 8": (6, 16, 8)}  # lines, classes, analytes
COMMANDS = {
    "--help": ["--help"],
    "balance tin_table": ["balance", "tin_table"],
    "balance wrong_assay": ["balance", "wrong_assay"],
    "page of rougher_cleaner": ["balance", "rougher_cleaner", "--html", "page.html"],
    "compare grind": ["compare", "grind_coarse", "grind_fine"],
    "plan rougher_cleaner": ["plan", "rougher_cleaner"],
}
QUICK = {"4 x 1", "12 x 3", "--help", "balance tin_table"}


def named(n_streams: int, n_analytes: int, seed: int = 1) -> tuple[Any, Any, str]:
    """Return a plant as a circuit, a survey of everything with 2 % errors, and its first feed."""
    from oretally.flowsheet import Analyte, Basis, Circuit, Measurement, Survey, parse_unit

    rng = np.random.default_rng(seed)
    true = Plant.drawn(n_streams, n_analytes, rng)
    ends = true.incidence.toarray()
    nodes = [f"n{i}" for i in range(len(ends))]

    def end(column: np.ndarray, sign: float) -> str | None:
        at = np.flatnonzero(column == sign)
        return nodes[at[0]] if at.size else None

    names = [f"s{j}" for j in range(n_streams)]
    circuit = Circuit.build({s: (end(ends[:, j], -1.0), end(ends[:, j], 1.0))
                             for j, s in enumerate(names)})  # fmt: skip
    kg, percent = parse_unit("kg"), parse_unit("%")
    rows = [(s, "dry mass", true.flow[j], kg) for j, s in enumerate(names)]
    rows += [(s, f"E{k}", 100.0 * true.grade[k, j], percent)
             for k in range(n_analytes) for j, s in enumerate(names)]  # fmt: skip
    analytes = tuple(Analyte(f"E{k}", percent) for k in range(n_analytes))
    measured = tuple(
        Measurement(s, q, float(v * (1.0 + 0.02 * e)), u, float(0.02 * v))
        for (s, q, v, u), e in zip(rows, rng.standard_normal(len(rows)), strict=True)
    )
    return circuit, Survey(Basis.BATCH, kg, analytes, measured), names[int(true.feeds[0])]


def timed_parts(circuit: Any, survey: Any, feed: str, repeats: int) -> dict[str, float]:
    """Return the medians of the parts of `reconcile`, and of all of it, in seconds."""
    main = importlib.import_module("oretally.recon.reconciliation")
    spent: dict[str, float] = {}

    def watched(name: str, run: Callable[..., Any]) -> Callable[..., Any]:
        @functools.wraps(run)
        def wrapper(*given: Any, **named: Any) -> Any:
            start = time.perf_counter()
            try:
                return run(*given, **named)
            finally:
                spent[name] = spent.get(name, 0.0) + time.perf_counter() - start

        return wrapper

    originals = {f: getattr(main, f) for functions in PARTS.values() for f in functions}
    for part, functions in PARTS.items():
        for f in functions:
            setattr(main, f, watched(part, originals[f]))
    found: list[dict[str, float]] = []
    try:
        for _ in range(repeats):
            spent.clear()
            start = time.perf_counter()
            balance = main.reconcile(circuit, survey, feed=feed)
            whole = time.perf_counter() - start
            if not balance.converged:
                raise SystemExit(f"{len(circuit.streams)} streams: {balance.status}")
            rest = whole - sum(spent.values())
            found.append({**spent, "rest": rest, "whole": whole})
    finally:
        for f, run in originals.items():
            setattr(main, f, run)
    return {key: statistics.median(one[key] for one in found) for key in found[0]}


def library(repeats: int, wanted: set[str] | None) -> dict[str, dict[str, float]]:
    """Return the parts of each size."""
    found = {}
    for name, (n, k) in BULK.items():
        if wanted is None or name in wanted:
            case = named(n, k)
            timed_parts(*case, 1)
            found[name] = timed_parts(*case, repeats)
    for name, (lines, classes, analytes) in SIZED.items():
        if wanted is None or name in wanted:
            circuit = line(lines)
            survey = survey_of(circuit, classes, analytes)
            found[name] = timed_parts(circuit, survey, "feed", 1 if lines > 2 else repeats)
    return found


def command_times(python: str, repeats: int, wanted: set[str] | None) -> dict[str, float]:
    """Return the least wall time of each command, in seconds."""
    settings = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    found: dict[str, float] = {}
    with tempfile.TemporaryDirectory() as folder:
        for name, words in COMMANDS.items():
            if wanted is not None and name not in wanted:
                continue
            given = [str(EXAMPLES / w) if (EXAMPLES / w).is_dir() else w for w in words]
            call = [python, "-c", "from oretally.io.cli import main; main()", *given]
            for i in range(1 + (repeats if "plan" not in name else 1)):  # the first one compiles
                start = time.perf_counter()
                done = subprocess.run(call, cwd=folder, env=settings, capture_output=True)
                taken = time.perf_counter() - start
                if done.returncode:
                    raise SystemExit(f"{name}: {done.stderr.decode()}")
                if i:
                    found[name] = min(taken, found.get(name, taken))
    return found


def in_turns(pythons: list[str], repeats: int, quick: bool) -> Iterator[dict[str, Any]]:
    """Yield what each interpreter's checkout takes, measured in turns."""
    wanted = QUICK if quick else None
    part = [__file__, "--part", "--repeats", str(repeats), *(["--quick"] if quick else [])]
    for python in pythons:
        done = subprocess.run([python, *part], capture_output=True, text=True, check=True)
        yield {
            "library": json.loads(done.stdout),
            "commands": command_times(python, repeats, wanted),
        }


def table(before: dict[str, Any] | None, now: dict[str, Any]) -> str:
    """Return the figures as Markdown: milliseconds, shares of the whole, ratios."""
    parts = [*PARTS, "rest"]
    lines = ["| streams x analytes | checkout | whole, ms | of a solve | "
             + " | ".join(f"{p}, %" for p in parts) + " |",
             "| --- | --- | ---: | ---: |" + " ---: |" * len(parts)]  # fmt: skip
    checkouts = [("before", before), ("now", now)] if before else [("now", now)]
    for name in now["library"]:
        for checkout, found in checkouts:
            t = found["library"][name]
            shares = " | ".join(f"{100.0 * t.get(p, 0.0) / t['whole']:.0f}" for p in parts)
            lines.append(f"| {name} | {checkout} | {1e3 * t['whole']:.4g} | "
                         f"{t['whole'] / t['solve']:.1f} | {shares} |")  # fmt: skip
    lines += ["", "| command | " + " | ".join(f"{c}, s" for c, _ in checkouts) + " |",
              "| --- |" + " ---: |" * len(checkouts)]  # fmt: skip
    for name in now["commands"]:
        times = " | ".join(f"{found['commands'][name]:.3f}" for _, found in checkouts)
        lines.append(f"| {name} | {times} |")
    return "\n".join(lines)


def main() -> None:
    """Measure and print the tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--part", action="store_true", help=argparse.SUPPRESS)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--against", help="interpreter of another checkout")
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    if asked.part:
        print(json.dumps(library(asked.repeats, QUICK if asked.quick else None)))
        return
    pythons = [*([asked.against] if asked.against else []), sys.executable]
    found = list(in_turns(pythons, asked.repeats, asked.quick))
    print(table(found[0] if asked.against else None, found[-1]))
    if asked.json:
        asked.json.write_text(json.dumps(found, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
