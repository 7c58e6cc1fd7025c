"""The main path: from a circuit and a survey to a consistent balance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from oretally.flowsheet import (
    BalanceProblem,
    Circuit,
    Fault,
    InputError,
    Survey,
    balance_problem,
    parse_unit,
)
from oretally.flowsheet.faults import nearest_name
from oretally.recon.balance import (
    Balance,
    BalancedValue,
    CalculatedHead,
    Closure,
    ValueClass,
)
from oretally.recon.closures import calculated_heads, closures
from oretally.recon.covariance import Covariance, propagate
from oretally.recon.formulas import formula_recoveries
from oretally.recon.observability import Classes, classify
from oretally.recon.recoveries import Answers
from oretally.recon.remedies import require_scale, undetermined, useful_measurements
from oretally.recon.significance import Position, detectable_error, global_test, suspects
from oretally.recon.solver import Solution, solve

__all__ = ["Examination", "ValueStatus", "examine", "reconcile"]

CARRIER = "solids"
_SEEN = 1e-9  # redundancy below this share is rounding


def reconcile(
    circuit: Circuit,
    survey: Survey,
    *,
    feed: str | None = None,
    products: Sequence[str] | None = None,
    alpha: float = 0.05,
) -> Balance:
    """Adjust all measurements so that everything balances, and say what follows.

    Parameters
    ----------
    circuit : Circuit
    survey : Survey
    feed : str, optional
        Stream to which recoveries refer; by default the circuit's only feed.
    products : sequence of str, optional
        Streams among which recoveries are shared; by default all that leave the circuit.
    alpha : float
        Level of the global test and, over all measurements together, of the measurement test.

    Returns
    -------
    Balance

    Raises
    ------
    InputError
        If ``feed`` or ``products`` name no stream, or a stream or analyte of the survey is unknown.
    NotBalanceable
        If nothing fixes the scale, or exact values contradict each other.

    Examples
    --------
    >>> from oretally.flowsheet import Analyte, Basis, Measurement, parse_unit
    >>> circuit = Circuit.build(
    ...     {"feed": (None, "table"), "conc": ("table", None), "tails": ("table", None)})
    >>> kg, percent = parse_unit("kg"), parse_unit("%")
    >>> survey = Survey(Basis.BATCH, kg, (Analyte("Sn", percent),), (
    ...     Measurement("feed", "dry mass", 25.0, kg, 0.1),
    ...     Measurement("feed", "Sn", 0.80, percent, 0.02),
    ...     Measurement("conc", "Sn", 30.0, percent, 0.5),
    ...     Measurement("tails", "Sn", 0.30, percent, 0.01)))
    >>> balance = reconcile(circuit, survey)
    >>> round(balance.recovery("conc", "Sn").recovery, 1)
    63.1
    """
    _check_survey(circuit, survey)
    feed, products = reference_streams(circuit, feed, products)
    problem = balance_problem(circuit, survey)
    require_scale(classify(problem), survey, circuit.feeds)
    solution = solve(problem)
    covariance = propagate(problem, solution)
    values, positions = _values(circuit, survey, covariance, alpha)
    test = global_test(solution.objective, solution.classes.degrees_of_freedom, alpha)
    names = circuit.stream_names
    answers = Answers(
        covariance,
        names,
        [a.name for a in survey.analytes],
        names.index(feed),
        [names.index(p) for p in products],
    )
    recoveries = answers.recoveries()
    heads = calculated_heads(circuit, survey, feed, products)
    return Balance(
        circuit=circuit,
        survey=survey,
        feed=feed,
        products=products,
        converged=solution.converged,
        status=solution.status.value,
        iterations=solution.iterations,
        objective=solution.objective,
        stationarity=solution.stationarity,
        max_imbalance=solution.max_imbalance,
        global_test=test,
        values=values,
        closures=closures(circuit, survey),
        heads=tuple(_with_adjusted(head, values) for head in heads),
        recoveries=recoveries,
        separations=answers.separations(),
        formulas=formula_recoveries(circuit, survey, recoveries),
        suspects=suspects(values, positions, covariance, test),
        notes=(*_solver_notes(circuit, survey, solution), *_open_notes(circuit, survey, problem)),
    )


@dataclass(frozen=True, slots=True)
class ValueStatus:
    """Class of one quantity of one stream, before any adjustment."""

    stream: str
    quantity: str
    value_class: ValueClass


@dataclass(frozen=True, slots=True)
class Examination:
    """What can be said of a survey without adjusting anything.

    Attributes
    ----------
    classes : tuple of ValueStatus
    closures, heads : tuple
        As measured.
    degrees_of_freedom : int
        Independent checks that the measurements must pass.
    scale_missing : bool
        True if no flow was measured: the survey cannot be balanced.
    measure : tuple of (stream, quantity)
        Measurements that together would determine all that is unobservable.
    notes : tuple of str
    """

    classes: tuple[ValueStatus, ...]
    closures: tuple[Closure, ...]
    heads: tuple[CalculatedHead, ...]
    degrees_of_freedom: int
    scale_missing: bool
    measure: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]


def examine(
    circuit: Circuit,
    survey: Survey,
    *,
    feed: str | None = None,
    products: Sequence[str] | None = None,
) -> Examination:
    """Judge a survey before balancing it: closures, classes, what to measure for what is unknown.

    Raises
    ------
    InputError
        As `reconcile`.
    """
    _check_survey(circuit, survey)
    feed, products = reference_streams(circuit, feed, products)
    problem = balance_problem(circuit, survey)
    classes = classify(problem)
    statuses = tuple(
        ValueStatus(
            circuit.stream_names[place.carrier], quantity, _class_of(problem, classes, place)
        )
        for place, quantity in _quantities(circuit, survey)
    )
    return Examination(
        classes=statuses,
        closures=closures(circuit, survey),
        heads=calculated_heads(circuit, survey, feed, products),
        degrees_of_freedom=classes.degrees_of_freedom,
        scale_missing=classes.scale_free,
        measure=tuple(_named(circuit, survey, place) for place in useful_measurements(problem)),
        notes=_open_notes(circuit, survey, problem),
    )


def reference_streams(
    circuit: Circuit, feed: str | None, products: Sequence[str] | None
) -> tuple[str, tuple[str, ...]]:
    """Return the reference stream and the products, checked against the circuit."""
    chosen = (feed,) if feed is not None else circuit.feeds
    wanted = circuit.products if products is None else tuple(products)
    faults = [_unknown_stream(circuit, name) for name in (*chosen, *wanted)
              if name not in circuit.stream_names]  # fmt: skip
    if len(chosen) != 1:
        faults.append(
            Fault(
                f"The circuit has {len(chosen)} feeds: {', '.join(map(repr, chosen))}; "
                "recoveries must refer to one stream.",
                "Name it as the feed.",
            )
        )
    if faults:
        raise InputError(faults)
    return chosen[0], wanted


def _unknown_stream(circuit: Circuit, name: str) -> Fault:
    near = nearest_name(name, circuit.stream_names)
    mend = f"Did you mean '{near}'?" if near else f"Streams: {', '.join(circuit.stream_names)}."
    return Fault(f"There is no stream '{name}' in the circuit.", mend)


def _check_survey(circuit: Circuit, survey: Survey) -> None:
    """Refuse a survey that does not fit the circuit, or whose numbers cannot be used."""
    known = {survey.basis.quantity, *(a.name for a in survey.analytes)}
    faults, seen = [], set()
    for m in survey.measurements:
        place = m.place.about(stream=m.stream, quantity=m.quantity)
        if m.stream not in circuit.stream_names:
            faults.append(replace(_unknown_stream(circuit, m.stream), place=place))
        if m.quantity not in known:
            faults.append(
                Fault(f"'{m.quantity}' is not a quantity of this survey.",
                      f"Quantities: {', '.join(sorted(known))}.", place)
            )  # fmt: skip
        if (m.stream, m.quantity) in seen:
            faults.append(
                Fault("This value is given twice.", "Pool replicates into one measurement.", place)
            )
        seen.add((m.stream, m.quantity))
        if not (np.isfinite(m.value) and m.value >= 0.0):
            faults.append(
                Fault(f"The value is {m.value:g}; a finite number of at least 0 is needed.",
                      "Correct it, or leave the measurement out.", place)
            )  # fmt: skip
        if not (np.isfinite(m.sd) and m.sd > 0.0):
            faults.append(
                Fault(f"The stated error is {m.sd:g}; a finite number above 0 is needed.",
                      "Give its standard deviation.", place)
            )  # fmt: skip
    if faults:
        raise InputError(faults)


def _quantities(circuit: Circuit, survey: Survey) -> list[tuple[Position, str]]:
    """Return every position of the arrays with the name of its quantity, stream by stream."""
    names = [(None, survey.basis.quantity), *enumerate(a.name for a in survey.analytes)]
    return [(Position(k, j), name) for j in range(len(circuit.streams)) for k, name in names]


def _named(circuit: Circuit, survey: Survey, place: tuple[int | None, int]) -> tuple[str, str]:
    k, j = place
    quantity = survey.basis.quantity if k is None else survey.analytes[k].name
    return circuit.stream_names[j], quantity


def _class_of(problem: BalanceProblem, classes: Classes, place: Position) -> ValueClass:
    k, j = place
    if k is None:
        measured, checked = np.isfinite(problem.flow[j]), classes.flow_checked[j]
        determined = classes.flow_determined[j]
    else:
        measured, checked = np.isfinite(problem.grade[k, j]), classes.grade_checked[k, j]
        determined = classes.grade_determined[k, j]
    if measured:
        return ValueClass.REDUNDANT if checked else ValueClass.NONREDUNDANT
    return ValueClass.OBSERVABLE if determined else ValueClass.UNOBSERVABLE


def _values(
    circuit: Circuit, survey: Survey, covariance: Covariance, alpha: float
) -> tuple[tuple[BalancedValue, ...], list[Position]]:
    rows, positions = [], []
    for place, quantity in _quantities(circuit, survey):
        rows.append(_value(circuit.stream_names[place.carrier], quantity, place, survey,
                           covariance, alpha))  # fmt: skip
        positions.append(place)
    return tuple(rows), positions


def _value(
    stream: str, quantity: str, place: Position, survey: Survey, covariance: Covariance,
    alpha: float,
) -> BalancedValue:  # fmt: skip
    """Return one row: measured against adjusted, in the unit that the user wrote."""
    solution = covariance.solution
    k, j = place
    m = survey.measured(stream, quantity)
    if k is None:
        unit, adjusted, sd = survey.flow_unit, solution.flow[j], covariance.flow_sd[j]
        at_bound = bool(solution.flow_at_bound[j])
    else:
        unit, adjusted = survey.analytes[k].unit, solution.grade[k, j]
        sd, at_bound = covariance.grade_sd[k, j], bool(solution.grade_at_bound[k, j])
    unit = m.unit if m is not None else unit
    value_class = _class_of(covariance.problem, solution.classes, place)
    if k is not None and solution.flow[j] == 0.0:
        value_class, at_bound = ValueClass.ABSENT, False
    shown = value_class not in (ValueClass.UNOBSERVABLE, ValueClass.ABSENT)
    new = unit.from_base(float(adjusted)) if shown else None
    new_sd = unit.from_base(float(sd)) if shown and not at_bound and np.isfinite(sd) else None
    change = standardised = redundancy = detectable = None
    if m is not None and new is not None:
        change = new - m.value
        if new_sd is not None:
            redundancy = max(1.0 - (new_sd / m.sd) ** 2, 0.0)
        if redundancy is not None and value_class is ValueClass.REDUNDANT and redundancy > _SEEN:
            standardised = change / (m.sd * redundancy**0.5)
            detectable = detectable_error(m.sd, redundancy, alpha)
    return BalancedValue(
        stream=stream,
        quantity=quantity,
        carrier=CARRIER,
        unit=unit.symbol,
        measured=m.value if m else None,
        sd=m.sd if m else None,
        adjusted=new,
        adjusted_sd=new_sd,
        adjustment=change,
        standardised=standardised,
        value_class=value_class,
        redundancy=redundancy,
        detectable_error=detectable,
        at_bound=at_bound,
        error_source=m.error_source if m else "",
        note=m.note if m else "",
    )


def _with_adjusted(head: CalculatedHead, values: Sequence[BalancedValue]) -> CalculatedHead:
    """Return the head with the adjusted feed grade beside it, in the same unit."""
    for v in values:
        if (v.stream, v.quantity) == (head.stream, head.analyte) and v.adjusted is not None:
            written, shown = parse_unit(v.unit), parse_unit(head.unit)
            sd = v.adjusted_sd
            return replace(
                head,
                adjusted=shown.from_base(written.to_base(v.adjusted)),
                adjusted_sd=None if sd is None else shown.from_base(written.to_base(sd)),
            )
    return head


def _solver_notes(circuit: Circuit, survey: Survey, solution: Solution) -> tuple[str, ...]:
    """Return what the reader must know of how the balance ended."""
    notes = []
    if not solution.converged:
        notes.append(f"The balance did not converge: {solution.status.value}. Do not use it.")
    stopped = [circuit.stream_names[j] for j in np.flatnonzero(solution.flow == 0.0)]
    if stopped:
        notes.append(
            f"The balance puts the {survey.basis.quantity} of {_listed(stopped)} at 0: a stream "
            "that carries nothing has no grade."
        )
    held = [
        f"{survey.analytes[k].name} of {circuit.stream_names[j]!r}"
        for k, j in np.argwhere(solution.grade_at_bound)
        if solution.flow[j] != 0.0 and solution.classes.grade_determined[k, j]
    ]
    if held:
        notes.append(
            f"Held at a bound (0 or the maximum): {', '.join(held)}; no sd is given there."
        )
    return tuple(notes)


def _open_notes(circuit: Circuit, survey: Survey, problem: BalanceProblem) -> tuple[str, ...]:
    """Return which values nothing determines, and what to measure for them."""
    names = [_named(circuit, survey, place) for place in undetermined(classify(problem))]
    if not names:
        return ()
    measure = [_named(circuit, survey, place) for place in useful_measurements(problem)]
    return (
        f"Not determined by any balance: {_phrase(names)}.",
        f"All would be determined by measuring {_phrase(measure)}.",
    )


def _phrase(named: Sequence[tuple[str, str]]) -> str:
    return ", ".join(f"{quantity} of '{stream}'" for stream, quantity in named)


def _listed(names: Sequence[str]) -> str:
    return ", ".join(f"'{name}'" for name in names)
