"""What the reader of a balance must know: bounds met, streams stopped, values left open."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from oretally.flowsheet import (
    BalanceModel,
    Basis,
    Measurement,
    Position,
    Survey,
)
from oretally.flowsheet.digits import format_with_sd
from oretally.flowsheet.survey import DETECTION_LIMIT, RANGE_LIMIT, Kind, uniform_ends
from oretally.recon.answers.recoveries import Answers
from oretally.recon.answers.values import never_by_size
from oretally.recon.propagation import adjusted_amount
from oretally.recon.reduction import Classes, undetermined, useful_measurements
from oretally.recon.result import BEYOND_BOUNDS, BalancedValue, HiddenError, Separation
from oretally.recon.solution import Solution
from oretally.recon.solver import Covariance

__all__ = [
    "bounded_notes", "determining_measurements", "left_out_notes", "open_notes", "ratio_notes",
    "reference_notes", "solver_notes", "vague_notes",
]  # fmt: skip

_LISTED = 40  # undetermined values told by name
_OUTSIDE = 2.0  # of its sd that a value lies outside its bounds before one is said to be wrong
_WHOLE = 100.0  # points: a recovery that moves by more is no matter of first order
_HAIR = 1e-9


def solver_notes(
    model: BalanceModel, solution: Solution, *, asked_starts: bool = False
) -> tuple[str, ...]:
    """Return what the reader must know of how the balance ended."""
    circuit, notes = model.circuit, list[str]()
    if asked_starts and solution.starts == 1:
        notes.append("One first guess of the flows was tried: no more are for this circuit.")
    elif asked_starts:
        notes.append(
            f"{solution.starts} sets of first flows tried: {solution.agreeing} "
            f"{'leads' if solution.agreeing == 1 else 'lead'} here, none to a better balance."
        )
    stopped = [
        circuit.stream_names[j]
        for j in np.flatnonzero(solution.flow[: len(circuit.streams)] == 0.0)
        if circuit.streams[j].content.has_solids
    ]
    if stopped:
        notes.append(
            f"The balance puts the {model.survey.basis.quantity} of {_listed(stopped)} at 0: a "
            "stream that carries nothing has no grade."
        )
    held = [
        f"{quantity} of {stream!r}"
        for stream, quantity, _, (k, j) in model.positions.rows
        if k is not None and solution.grade_at_bound[k, j]
        if solution.flow[j] != 0.0 and solution.classes.grade_determined[k, j]
    ]
    if held:
        notes.append(
            f"Held at a bound (0 or the maximum): {', '.join(held)}; no sd is given there."
        )
    return tuple(notes)


def open_notes(model: BalanceModel, classes: Classes) -> tuple[str, ...]:
    """Return which values nothing determines, and what to measure for them."""
    names = _open_names(model, classes)[0]
    if not names:
        return left_out_notes(model, classes)
    told = f"Not determined by any balance: {_phrase(names[:_LISTED])}"
    if len(names) > _LISTED:
        told += f" and {len(names) - _LISTED} more"
    measure = determining_measurements(model)
    every = "All" if _all_in_bulk(model, names) else "All but the sizes"
    remedy = [f"{every} would be determined by measuring {_phrase(measure)}."] if measure else []
    return (f"{told}.", *remedy, *left_out_notes(model, classes))


def left_out_notes(model: BalanceModel, classes: Classes) -> tuple[str, ...]:
    """Return where a volume is missing, and what nobody looked for by size."""
    return (*_no_volume(model, classes), *_by_size(model, _open_names(model, classes)[1]))


def determining_measurements(model: BalanceModel) -> tuple[tuple[str, str], ...]:
    """Return stream and quantity of measurements that would determine all that is not by size.

    What would determine the classes as well is a long search. In a plant that runs, a sample is
    assayed sooner than a flow is weighed, so that assays go first; at the bench masses do.
    """
    places = model.positions
    flows, grades = (np.zeros_like(mask) for mask in places.shown)
    for row in places.rows:
        if row.meaning.run is None and row.place.analyte is None:
            flows[row.place.carrier] = True
        elif row.meaning.run is None:
            grades[row.place] = True
    found = useful_measurements(
        model.problem, (flows, grades), grades_first=model.survey.basis is Basis.RATE
    )
    return tuple(places.named[Position(*p)] for p in found)


def _open_names(
    model: BalanceModel, classes: Classes
) -> tuple[list[tuple[str, str]], list[tuple[str, str]]]:
    """Return what nothing determines: what is missed, and what nobody looked for by size."""
    places, never = model.positions, never_by_size(model)
    every = [places.named[Position(*p)] for p in undetermined(classes, places.shown)]
    return [n for n in every if n not in never], [n for n in every if n in never]


def _all_in_bulk(model: BalanceModel, names: Sequence[tuple[str, str]]) -> bool:
    return all(model.meanings[quantity].run is None for _, quantity in names)


def vague_notes(model: BalanceModel, covariance: Covariance) -> tuple[str, ...]:
    """Return which values the balances give in principle, and these numbers do not."""
    places, classes = model.positions, covariance.solution.classes
    known = replace(
        classes, flow_determined=covariance.flow_determined,
        grade_determined=covariance.grade_determined,
    )  # fmt: skip
    before = set(undetermined(classes, places.shown))
    names = [places.named[Position(*p)] for p in undetermined(known, places.shown)
             if p not in before]  # fmt: skip
    if not names:
        return ()
    told = _phrase(names[:_LISTED])
    more = f" and {len(names) - _LISTED} more" if len(names) > _LISTED else ""
    return (
        f"These numbers do not tell {told}{more}: the ± would be larger than all there is. The "
        "grades that should tell are too much alike, or errors too large. Measure it itself.",
    )  # fmt: skip


def ratio_notes(separations: Sequence[Separation]) -> tuple[str, ...]:
    """Return which products are too small beside their errors for a ratio to the feed."""
    names = [s.stream for s in separations if s.yield_percent and s.ratio_of_concentration is None]
    if not names:
        return ()
    return (
        f"The ratio of concentration of {_listed(names)} is not told: the ± would be more than a "
        "hundred times itself.",
    )


def reference_notes(answers: Answers) -> tuple[str, ...]:
    """Return that recoveries refer to some feeds alone, though others bring metal as well."""
    named = {answers.streams[j] for j in answers.feeds}
    others = [s for s in answers.model.circuit.feeds_beside(named) if _has_metal(answers, s)]
    if not others:
        return ()
    return (
        f"Recoveries refer to '{answers.reference}' alone; {_listed(others)} also "
        f"{'brings' if len(others) == 1 else 'bring'} metal: they may exceed 100 %.",
    )


def _has_metal(answers: Answers, feed: str) -> bool:
    """Return whether a feed has any analyte, or that is not known."""
    j = answers.streams.index(feed)
    return any(
        adjusted_amount(answers.covariance, [answers.whole(k, j)], k).value != 0.0
        for k in range(len(answers.analytes))
    )


def _no_volume(model: BalanceModel, classes: Classes) -> tuple[str, ...]:
    """Return one note a stream whose solution was assayed, but whose volume nothing determines."""
    survey, known, carriers = model.survey, model.meanings, model.carriers
    unit = "L" if survey.basis is Basis.BATCH else "m3/h"
    assays: dict[str, list[Measurement]] = {}
    for m in survey.measurements:
        meaning = known.get(m.quantity)
        if meaning is not None and meaning.kind is Kind.SOLUTION:
            assays.setdefault(m.stream, []).append(m)
    notes = []
    for stream, own in assays.items():
        j = carriers.streams.index(stream)
        if j not in carriers.water or classes.flow_determined[carriers.water[j]]:
            continue
        at = str(own[0].place) or f"{own[0].quantity} of '{stream}'"
        goes = "the assay goes" if len(own) == 1 else "the assays of its solution go"
        other = f", or {survey.basis.quantity} and % solids" if carriers.solids[j] else ""
        notes.append(
            f"{at}: {goes} with no volume: nothing tells how much solution '{stream}' carries, "
            f"so not how much metal either. Give water [{unit}] of '{stream}'{other}."
        )
    return tuple(notes)


def _by_size(model: BalanceModel, names: Sequence[tuple[str, str]]) -> tuple[str, ...]:
    """Return one note on the size classes that nobody looked for, stream by stream."""
    known, found = model.meanings, dict[str, dict[str, None]]()
    for stream, quantity in names:
        k = known[quantity].analyte
        what = "the sizes" if k is None else f"{model.survey.analytes[k].name} by size"
        found.setdefault(what, {})[stream] = None
    if not found:
        return ()
    told = "; ".join(f"{what} of {_listed(list(streams))}" for what, streams in found.items())
    return (f"Not measured nor given by any balance, and left out: {told}.",)


def bounded_notes(
    survey: Survey, values: Sequence[BalancedValue], hidden: Sequence[HiddenError]
) -> tuple[str, ...]:
    """Return how much it matters that only bounds are known of some values.

    The recovery that each moves most, from one bound to the other, to first order; and which
    values the balance puts outside their bounds.
    """
    notes = []
    for v in values:
        if v.error_source not in (DETECTION_LIMIT, RANGE_LIMIT):
            continue
        if v.measured is None or v.sd is None or v.adjusted is None:
            continue
        low, high = uniform_ends(v.measured, v.sd)
        if low * (1.0 - _HAIR) <= v.adjusted <= high * (1.0 + _HAIR):
            continue
        side = f"below {high:.3g}" if v.adjusted > high else f"above {low:.3g}"
        now, sd = format_with_sd(v.adjusted, v.adjusted_sd)
        now = f"{now} ± {sd}" if v.adjusted_sd else now
        outside = max(low - v.adjusted, v.adjusted - high) > _OUTSIDE * (v.adjusted_sd or 0.0)
        verdict = BEYOND_BOUNDS if outside else "its ± may explain that"
        notes.append(
            f"{v.quantity} of '{v.stream}' was reported as {side} {v.unit}; the balance puts it at "
            f"{now} {v.unit}: {verdict}."
        )
    for h in hidden:
        m = survey.measured(h.stream, h.quantity)
        if m is not None and m.bounded:
            points = abs(h.points) / h.size * m.sd * 12.0**0.5
            size = f"{points:.2g}" if points <= _WHOLE else f"more than {_WHOLE:g}"
            notes.append(
                f"Of {h.quantity} of '{h.stream}' only bounds are known; from one to the other it "
                f"moves the recovery of {h.analyte} to '{h.product}' by {size} points."
            )
    return tuple(notes)


def _phrase(named: Sequence[tuple[str, str]]) -> str:
    return ", ".join(f"{quantity} of '{stream}'" for stream, quantity in named)


def _listed(names: Sequence[str]) -> str:
    return ", ".join(f"'{name}'" for name in names)
