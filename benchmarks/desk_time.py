"""The page's server: from its start to a page, and from a changed cell to the answer.

    python benchmarks/desk_time.py [--quick] [--changes N] [--json FILE]

Wall times in seconds, without a browser. "answer" is the median of answers to a changed number,
"typing" the time from the last of ten changes that come every 0.1 s, each before the answer to the
last, to its answer.
"""

from __future__ import annotations

import argparse
import json
import statistics
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

from whole import named

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "tests" / "support"))
from desk_client import DeskWindow, running_desk

SIZES = {"4 x 1": (4, 1), "12 x 3": (12, 3), "30 x 5": (30, 5), "60 x 20": (60, 20),
         "200 x 20": (200, 20)}  # fmt: skip
QUICK = {"4 x 1", "30 x 5"}
KEYS, BETWEEN = 10, 0.1


def written(folder: Path, n_streams: int, n_analytes: int) -> Path:
    """Write a plant of that size as a case."""
    circuit, survey, _ = named(n_streams, n_analytes)
    case = folder / f"plant {n_streams} x {n_analytes}"
    case.mkdir()
    lines = ['title = "A plant"', 'basis = "batch"', "", "[streams]"]
    for s in circuit.streams:
        ends = [f'{key} = "{end}"' for key, end in (("from", s.source), ("to", s.target)) if end]
        lines.append(f'"{s.name}" = {{ {", ".join(ends)} }}')
    lines += ["", "[errors]"]
    columns = list(dict.fromkeys((m.quantity, str(m.unit)) for m in survey.measurements))
    lines += [f'"{quantity}" = {{ relative = 2 }}' for quantity, _ in columns]
    (case / "circuit.toml").write_text("\n".join(lines) + "\n", "utf-8")
    values = {(m.stream, m.quantity): m.value for m in survey.measurements}
    rows = [["stream", *(f"{quantity} [{unit}]" for quantity, unit in columns)]]
    rows += [
        [s.name, *(f"{values[s.name, q]:.5g}" if (s.name, q) in values else "" for q, _ in columns)]
        for s in circuit.streams
    ]
    text = "\n".join(",".join(row) for row in rows) + "\n"
    (case / "measurements.csv").write_text(text, "utf-8")
    return case


def changed(document: dict[str, Any], number: int) -> dict[str, Any]:
    """Return a document with another number in one of its cells."""
    grid = [list(row) for row in document["parts"]["measurements.csv"]]
    grid[2][1] = f"{float(grid[2][1]) * (1.0 + 1e-4 * number):.6g}"
    return {**document, "parts": {**document["parts"], "measurements.csv": grid}}


def typed(window: DeskWindow, document: dict[str, Any]) -> float:
    """Return the time from the last of several changes to its answer."""
    threads = []
    for k in range(KEYS - 1):
        early = {"case": document["case"], "parts": changed(document, k)["parts"], "number": k}
        thread = threading.Thread(target=window.ask, args=("answer",), kwargs=early)
        thread.start()
        threads.append(thread)
        time.sleep(BETWEEN)
    started = time.perf_counter()
    window.answer(changed(document, KEYS), number=KEYS)
    took = time.perf_counter() - started
    for thread in threads:
        thread.join()
    return took


def measured(case: Path, changes: int) -> dict[str, float]:
    """Return the times of one case."""
    started = time.perf_counter()
    with running_desk(str(case)) as window:
        window.enter()
        document = window.told("start")["case"]
        page = time.perf_counter() - started
        answer = window.answer(document)
        if answer["faults"]:
            raise SystemExit(str(answer["faults"][0]))
        first = time.perf_counter() - started
        took = []
        for k in range(changes):
            before = time.perf_counter()
            window.answer(changed(document, k))
            took.append(time.perf_counter() - before)
        typing = [typed(window, document) for _ in range(max(1, changes // 4))]
    return {"page": page, "first answer": first, "answer": statistics.median(took),
            "typing": statistics.median(typing)}  # fmt: skip


def main() -> None:
    """Measure, print, and keep the figures."""
    asked = argparse.ArgumentParser()
    asked.add_argument("--quick", action="store_true")
    asked.add_argument("--changes", type=int, default=12)
    asked.add_argument("--json", type=Path)
    options = asked.parse_args()
    found: dict[str, dict[str, float]] = {}
    print(f"{'streams x analytes':20}{'page':>10}{'first':>10}{'answer':>10}{'typing':>10}")
    with tempfile.TemporaryDirectory() as name:
        for size, (n, k) in SIZES.items():
            if options.quick and size not in QUICK:
                continue
            found[size] = measured(written(Path(name), n, k), options.changes)
            told = "".join(f"{value:10.3f}" for value in found[size].values())
            print(f"{size:20}{told}", flush=True)
    if options.json:
        options.json.write_text(json.dumps(found, indent=1) + "\n", "utf-8")


if __name__ == "__main__":
    main()
