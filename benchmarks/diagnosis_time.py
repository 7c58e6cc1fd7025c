"""How long it takes to say which number is wrong, beside the time of a balance.

    python benchmarks/diagnosis_time.py [--repeats N]

Sound surveys, and surveys with one assay of ten times its value; medians.
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Callable

import numpy as np
from study_circuits import CIRCUITS, StudyCircuit, bank

from oretally.flowsheet import balance_problem, positions
from oretally.recon.gross_errors.search import diagnose
from oretally.recon.result import ErrorRates
from oretally.recon.signatures import PossibleSlips
from oretally.recon.solver import solve

SIZES: dict[str, Callable[[], StudyCircuit]] = {
    "5 x 2": CIRCUITS["5 x 2"],
    "12 x 3": CIRCUITS["12 x 3, recycle and splitter"],
    "24 x 4": CIRCUITS["24 x 4"],
    "61 x 20": lambda: bank(30, 20),
}


def timed(study: StudyCircuit, errors: np.ndarray, repeats: int) -> tuple[float, float]:
    """Return the median times of the balance and of the diagnosis, in s."""
    survey = study.survey(errors)
    problem = balance_problem(study.circuit, survey)
    rates = ErrorRates().in_survey(study.n)
    rate = rates.measurement
    slips = PossibleSlips(survey, positions(study.circuit, survey), lambda _: rate, rate)
    solves, diagnoses = [], []
    for _ in range(repeats):
        start = time.perf_counter()
        solution = solve(problem)
        middle = time.perf_counter()
        diagnose(problem, solution, slips, rates=rates, n_nodes=len(study.circuit.nodes))
        solves.append(middle - start)
        diagnoses.append(time.perf_counter() - middle)
    return statistics.median(solves), statistics.median(diagnoses)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--repeats", type=int, default=5)
    repeats = parser.parse_args().repeats
    print("| streams x analytes | balance, ms | diagnosis, sound, ms | one assay x 10, ms |")
    print("| --- | ---: | ---: | ---: |")
    rng = np.random.default_rng(20_263)
    for name, made in SIZES.items():
        study = made()
        noise = rng.standard_normal(study.n)
        slipped = noise.copy()
        slipped[study.flow.size + 3] += 9.0 / 0.03
        one, sound = timed(study, noise, repeats)
        _, wrong = timed(study, slipped, repeats)
        print(f"| {name} | {1e3 * one:.1f} | {1e3 * sound:.0f} | {1e3 * wrong:.0f} |", flush=True)


if __name__ == "__main__":
    main()
