"""How long it takes to say which number is wrong, beside the time of a balance.

    python benchmarks/diagnosis_time.py [--repeats N]

Sound surveys, and surveys with one assay of ten times its value; medians. Then whole answers of
surveys that are large, or hard, beside that of a small one.
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Callable

import numpy as np
from study_circuits import CIRCUITS, StudyCircuit, bank

from oretally.flowsheet import Circuit, balance_problem, positions
from oretally.recon import reconcile
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


def node(outlets: int) -> StudyCircuit:
    """Return one node with that many outlets and one analyte."""
    rng = np.random.default_rng(outlets)
    flow, grade = rng.uniform(1.0, 20.0, outlets), rng.uniform(0.2, 10.0, outlets)
    streams: dict[str, tuple[str | None, str | None]] = {"feed": (None, "node")}
    streams |= {f"outlet {i}": ("node", None) for i in range(outlets)}
    head = flow @ grade / flow.sum()
    return StudyCircuit(
        Circuit.build(streams), np.array([flow.sum(), *flow]), np.array([[head, *grade]])
    )


def chain(streams: int) -> StudyCircuit:
    """Return separators one behind the other, each taking off 2 %, and one analyte."""
    rng, n = np.random.default_rng(streams), (streams - 1) // 2
    ends: dict[str, tuple[str | None, str | None]] = {"stage 0": (None, "0")}
    flow, grade = [100.0], [2.0]
    for i in range(n):
        off, rest = 0.02 * flow[-1], 0.98 * flow[-1]
        richer = grade[-1] * rng.uniform(0.9, 1.1)
        left = (flow[-1] * grade[-1] - off * richer) / rest
        ends |= {f"off {i}": (f"{i}", None)}
        ends |= {f"stage {i + 1}": (f"{i}", f"{i + 1}" if i + 1 < n else None)}
        flow[-1:] = [flow[-1], off, rest]
        grade[-1:] = [grade[-1], richer, left]
    return StudyCircuit(Circuit.build(ends), np.array(flow), np.array([grade]))


WHOLE: dict[str, tuple[Callable[[], StudyCircuit], int]] = {
    "12 x 3": (CIRCUITS["12 x 3, recycle and splitter"], 1),
    "a node with 120 outlets": (lambda: node(120), 0),
    "a node with 500 outlets": (lambda: node(500), 0),
    "a chain of 121 x 1, three errors": (lambda: chain(121), 3),
    "a chain of 501 x 1": (lambda: chain(501), 0),
    "a chain of 501 x 1, one error": (lambda: chain(501), 1),
}


def whole(repeats: int) -> None:
    """Print the times of whole answers, beside that of the first."""
    print("| survey | whole answer, s | times the first | balanced again, left out |")
    print("| --- | ---: | ---: | ---: |")
    first = None
    for name, (made, wrong) in WHOLE.items():
        study = made()
        errors = np.random.default_rng(20_263).standard_normal(study.n)
        errors[study.flow.size + 3 + 40 * np.arange(wrong)] += 9.0 / 0.03
        survey, times = study.survey(errors), []
        for _ in range(repeats):
            start = time.perf_counter()
            found = reconcile(study.circuit, survey).gross_errors
            times.append(time.perf_counter() - start)
        taken = statistics.median(times)
        first = first or taken
        print(f"| {name} | {taken:.2f} | {taken / first:.1f} | {found.tried}, {found.untried} |",
              flush=True)  # fmt: skip


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
    print()
    whole(max(1, repeats // 3))


if __name__ == "__main__":
    main()
