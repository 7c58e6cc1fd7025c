"""How long a plan takes: the example rougher_cleaner, and chains of separators.

    python benchmarks/plan_time.py [--large]

In a chain each separator gets what the last one rejects. All that a chain has is measured once, and
the recoveries of all analytes to all products are planned for, at the cost of that, and at four
other budgets. One run each, first the time that loading the solvers takes.
"""

from __future__ import annotations

import argparse
import importlib
import tempfile
import time
from pathlib import Path

import numpy as np

from oretally.io.commands.plan import planned

EXAMPLE = Path(__file__).resolve().parents[1] / "examples" / "rougher_cleaner"


def chain(folder: Path, n_separators: int, n_analytes: int) -> Path:
    """Write a case of a chain of separators; values and their errors are drawn."""
    rng = np.random.default_rng(1)
    names = [f"A{k}" for k in range(n_analytes)]
    streams = ['"feed" = { to = "s1" }']
    flow, metal = 100.0, rng.uniform(0.5, 5.0, n_analytes)
    rows = [("feed", flow, metal.copy())]
    for i in range(1, n_separators + 1):
        on = f', to = "s{i + 1}"' if i < n_separators else ""
        streams += [f'"c{i}" = {{ from = "s{i}" }}', f'"t{i}" = {{ from = "s{i}"{on} }}']
        taken, kept = flow * rng.uniform(0.08, 0.2), metal * rng.uniform(0.2, 0.5, n_analytes)
        flow, metal = flow - taken, metal - kept
        rows += [(f"c{i}", taken, 100.0 * kept / taken), (f"t{i}", flow, 100.0 * metal / flow)]
    lines = ["stream,dry mass [kg]," + ",".join(f"{name} [%]" for name in names)]
    for stream, mass, grades in rows:
        noise = 1.0 + np.r_[0.01, np.full(n_analytes, 0.03)] * rng.standard_normal(n_analytes + 1)
        lines.append(",".join([stream, *(f"{v:.5g}" for v in np.r_[mass, grades] * noise)]))
    errors = ['"dry mass" = { relative = 1 }', *(f"{a} = {{ relative = 3 }}" for a in names)]
    analytes = [f'{a} = {{ unit = "%" }}' for a in names]
    text = ['title = "chain"', 'basis = "batch"', "[streams]", *streams, "[errors]", *errors,
            "[analytes]", *analytes]  # fmt: skip
    folder.mkdir()
    (folder / "circuit.toml").write_text("\n".join(text) + "\n", "utf-8")
    (folder / "measurements.csv").write_text("\n".join(lines) + "\n", "utf-8")
    return folder


def main() -> None:
    """Print the times."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--large", action="store_true", help="go on to 12 separators")
    sizes = [(3, 2), (6, 5), *([(12, 5)] if parser.parse_args().large else [])]
    start = time.perf_counter()
    importlib.import_module("cvxpy")
    print(f"loading the solvers        {time.perf_counter() - start:7.1f} s")
    with tempfile.TemporaryDirectory() as temporary:
        made = [(f"chain {n} x {k}", chain(Path(temporary) / f"{n}x{k}", n, k)) for n, k in sizes]
        for name, source in [("rougher_cleaner", EXAMPLE), *made]:
            start = time.perf_counter()
            case, _ = planned(source)
            took = time.perf_counter() - start
            print(f"{name:16} {len(case.candidates):4} numbers {took:7.1f} s", flush=True)


if __name__ == "__main__":
    main()
