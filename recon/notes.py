"""What the reader of a balance must know: bounds met, streams stopped, values left open."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from oretally.flowsheet import BalanceProblem, Circuit, Survey
from oretally.recon.findings import HiddenError
from oretally.recon.observability import Classes
from oretally.recon.remedies import undetermined, useful_measurements
from oretally.recon.solution import Solution

__all__ = ["bounded_notes", "named", "open_notes", "solver_notes"]


def solver_notes(
    circuit: Circuit, survey: Survey, solution: Solution, *, asked_starts: bool = False
) -> tuple[str, ...]:
    """Return what the reader must know of how the balance ended."""
    notes = []
    if asked_starts and solution.starts == 1:
        notes.append("One first guess of the flows was tried: no more are for this circuit.")
    elif asked_starts:
        notes.append(
            f"{solution.starts} sets of first flows tried: {solution.agreeing} "
            f"{'leads' if solution.agreeing == 1 else 'lead'} here, none to a better balance."
        )
    if not solution.converged:
        notes.append(f"The balance did not converge: {solution.status.value}. Do not use it.")
    stopped = [
        circuit.stream_names[j]
        for j in np.flatnonzero(solution.flow[: len(circuit.streams)] == 0.0)
    ]
    if stopped:
        notes.append(
            f"The balance puts the {survey.basis.quantity} of {_listed(stopped)} at 0: a stream "
            "that carries nothing has no grade."
        )
    held = [
        f"{survey.analytes[k].name} of {circuit.stream_names[j]!r}"
        for k, j in np.argwhere(solution.grade_at_bound[:, : len(circuit.streams)])
        if solution.flow[j] != 0.0 and solution.classes.grade_determined[k, j]
    ]
    if held:
        notes.append(
            f"Held at a bound (0 or the maximum): {', '.join(held)}; no sd is given there."
        )
    return tuple(notes)


def open_notes(
    circuit: Circuit, survey: Survey, problem: BalanceProblem, classes: Classes
) -> tuple[str, ...]:
    """Return which values nothing determines, and what to measure for them."""
    names = [named(circuit, survey, place) for place in undetermined(classes, len(circuit.streams))]
    if not names:
        return ()
    measure = [
        named(circuit, survey, place)
        for place in useful_measurements(problem, len(circuit.streams))
    ]
    return (
        f"Not determined by any balance: {_phrase(names)}.",
        f"All would be determined by measuring {_phrase(measure)}.",
    )


def bounded_notes(survey: Survey, hidden: Sequence[HiddenError]) -> tuple[str, ...]:
    """Return how much it matters that only bounds are known of some values.

    The recovery that each moves most, from one bound to the other, to first order.
    """
    notes = []
    for h in hidden:
        m = survey.measured(h.stream, h.quantity)
        if m is not None and m.bounded:
            points = abs(h.points) / h.size * m.sd * 12.0**0.5
            notes.append(
                f"Of {h.quantity} of '{h.stream}' only bounds are known; from one to the other it "
                f"moves the recovery of {h.analyte} to '{h.product}' by {points:.2g} points."
            )
    return tuple(notes)


def named(circuit: Circuit, survey: Survey, place: tuple[int | None, int]) -> tuple[str, str]:
    """Return stream and quantity of a place in the arrays."""
    k, j = place
    quantity = survey.basis.quantity if k is None else survey.analytes[k].name
    return circuit.stream_names[j], quantity


def _phrase(named: Sequence[tuple[str, str]]) -> str:
    return ", ".join(f"{quantity} of '{stream}'" for stream, quantity in named)


def _listed(names: Sequence[str]) -> str:
    return ", ".join(f"'{name}'" for name in names)
