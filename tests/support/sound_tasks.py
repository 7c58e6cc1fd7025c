"""What a study of sound surveys asks for, done in a child process that may be ended."""

from __future__ import annotations

import hashlib
import multiprocessing
import time
import warnings
from collections.abc import Callable, Mapping
from multiprocessing.connection import Connection
from typing import Any

import numpy as np
from natural_optimiser import Program, best_of, ipopt_minimum
from natural_problem import Natural
from numpy.typing import NDArray
from sound_surveys import Made, sound_survey

from oretally.flowsheet import balance_problem, positions
from oretally.recon import reconcile
from oretally.recon.solution import Solution
from oretally.recon.solver import solve

__all__ = ["Worker", "amounts_of", "from_ours", "hash_of", "judged", "solved"]

Floats = NDArray[np.float64]
_JUDGE = 3  # to be raised when the judge changes: what it found before does not count then


def hash_of(made: Made) -> str:
    """Return a hash of all that a survey says, and of who judges it."""
    survey = made.survey
    said = (
        _JUDGE, made.circuit.streams, made.circuit.nodes, survey.measurements, survey.shared,
        survey.sizes, survey.analytes, survey.water, sorted(survey.dissolved),
        sorted(survey.stacks),
    )  # fmt: skip
    return hashlib.sha256(repr(said).encode()).hexdigest()[:16]


def judged(seed: int, starts: int) -> dict[str, Any]:
    """Return what IPOPT makes of a seed."""
    made = sound_survey(seed)
    began = time.perf_counter()
    found = ipopt_minimum(made.circuit, made.survey, made.amounts, starts=starts)
    return {"hash": hash_of(made), "starts": starts, "objective": found.objective,
            "limit": found.limit, "feasible": found.feasible, "status": found.status,
            "seconds": time.perf_counter() - began}  # fmt: skip


def solved(seed: int, whole: int) -> dict[str, Any]:
    """Return what our solver makes of a seed; with ``whole`` the path of a user.

    The objective and the balances are found again, from the amounts that the solution comes to.
    """
    made = sound_survey(seed)
    began = time.perf_counter()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        if whole:
            balance = reconcile(made.circuit, made.survey, feed=made.circuit.feeds[0])
            return {"objective": float(balance.objective), "converged": bool(balance.converged),
                    "status": balance.status,
                    "seconds": time.perf_counter() - began}  # fmt: skip
        found = solve(balance_problem(made.circuit, made.survey))
    answer = {"objective": float(found.objective), "converged": bool(found.converged),
              "status": str(found.status), "seconds": time.perf_counter() - began}  # fmt: skip
    if not found.converged:
        return answer
    program, y = _in_amounts(made, found)
    if not np.isfinite(y).all():
        return answer | {"again": np.nan, "open": np.inf}
    return answer | {"again": program.objective(y), "open": program.natural.imbalance(y)}


def from_ours(seed: int, _: int) -> dict[str, Any]:
    """Return what IPOPT makes of the amounts of our solution."""
    made = sound_survey(seed)
    program, y = _in_amounts(made, solve(balance_problem(made.circuit, made.survey)))
    best = best_of(program, [y])
    return {"objective": best.objective, "feasible": best.feasible,
            "status": f"{best.status}, from ours"}  # fmt: skip


def _in_amounts(made: Made, found: Solution) -> tuple[Program, Floats]:
    """Return our solution in amounts, and the program that they belong to."""
    natural = Natural(made.circuit, made.survey)
    program = Program(natural, natural.from_truth(made.amounts))
    return program, amounts_of(made, found, natural)


def amounts_of(made: Made, found: Solution, natural: Natural) -> Floats:
    """Return our solution in the amounts of a survey, in their order."""
    values = dict[tuple[str, str], float]()
    for row in positions(made.circuit, made.survey).rows:
        k, j = row.place
        value = found.flow[j] if k is None else found.grade[k, j]
        values[row.stream, row.quantity] = float(value)
    return natural.from_values(values)


def _serve(pipe: Connection) -> None:
    """Answer tasks until the other end hangs up."""
    from oretally.recon.numerics import one_thread

    tasks: Mapping[str, Callable[[int, int], dict[str, Any]]] = {
        "solve": solved, "judge": judged, "confirm": from_ours,
    }  # fmt: skip
    while True:
        try:
            task, seed, option = pipe.recv()
        except EOFError:
            return
        try:
            with one_thread():
                answer = tasks[task](seed, option)
        except Exception as raised:  # any of them is what the study looks for
            answer = {"exception": f"{type(raised).__name__}: {raised}"}
        pipe.send(answer)


class Worker:
    """A child process that does one task after another, and is replaced when it takes too long."""

    def __init__(self) -> None:
        self._start()

    def _start(self) -> None:
        context = multiprocessing.get_context("spawn")
        self.pipe, other = context.Pipe()
        self.process = context.Process(target=_serve, args=(other,), daemon=True)
        self.process.start()
        other.close()
        self.ready = False

    def ask(self, task: str, seed: int, option: int, limit: float) -> dict[str, Any] | None:
        """Return the answer; None if there was none in time."""
        allowance = 0.0 if self.ready else 30.0  # to begin with everything is imported
        try:
            self.pipe.send((task, seed, option))
            if self.pipe.poll(limit + allowance):
                self.ready = True
                answer: dict[str, Any] = self.pipe.recv()
                return answer
            lost = None
        except (EOFError, OSError):
            lost = {"exception": "the process died"}
        self.close()
        self._start()
        return lost

    def close(self) -> None:
        """End the process."""
        self.process.kill()
        self.process.join()
        self.pipe.close()
