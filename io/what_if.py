"""What if: measurements left out or added on the command line, read and shown.

``--without STREAM:QUANTITY`` and ``--with "STREAM:QUANTITY=VALUE ± SD UNIT"``.
"""

from __future__ import annotations

import re
from collections.abc import Sequence

from oretally.flowsheet import (
    Circuit,
    Dimension,
    Fault,
    InputError,
    Measurement,
    Place,
    Survey,
    Unit,
    UnitError,
    arrangement,
    parse_unit,
)
from oretally.flowsheet.faults import nearest_name
from oretally.flowsheet.quantities import Kind, Meaning, meanings, solution_unit
from oretally.flowsheet.streams import fold_name
from oretally.io.digits import DASH, format_number, format_with_sd
from oretally.io.result_tables import ResultTable
from oretally.recon.what_if import Otherwise, with_measurement, without_measurement

__all__ = ["changed_survey", "otherwise_document", "otherwise_sentence", "otherwise_table"]

_NUMBER = r"[+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?"
_VALUE = re.compile(rf"\s*({_NUMBER})\s*(?:±|\+/?-)\s*({_NUMBER})\s*(\S.*?)\s*")
_HOW_WITH = 'Write --with "tailings:Sn=0.31 ± 0.01 %".'
_HOW_WITHOUT = 'Write --without "tailings:Sn".'


def changed_survey(
    circuit: Circuit, survey: Survey, without: Sequence[str], added: Sequence[str]
) -> tuple[Survey, list[str]]:
    """Return the survey with the changes asked for, and the changes in words.

    Raises
    ------
    InputError
        With everything wrong with what was asked for.
    """
    faults: list[Fault] = []
    words = []
    changed = survey
    for written in without:
        found = _named(written, "--without", _HOW_WITHOUT, circuit, survey, faults)
        if found is None:
            continue
        stream, quantity, _ = found
        if changed.measured(stream, quantity) is None:
            faults.append(
                Fault(f"The {quantity} of '{stream}' was not measured, or is left out already.",
                      "Leave out what was measured.", _place("--without", written))
            )  # fmt: skip
            continue
        changed = without_measurement(changed, stream, quantity)
        words.append(f"without {quantity} of '{stream}'")
    for written in added:
        name, equals, value = written.partition("=")
        if not equals:
            faults.append(Fault("No value is given.", _HOW_WITH, _place("--with", written)))
            continue
        found = _named(name, "--with", _HOW_WITH, circuit, survey, faults)
        if found is None:
            continue
        stream, quantity, meaning = found
        measurement = _measurement(stream, quantity, meaning, value, written, faults)
        if measurement is not None:
            before = changed.measured(stream, quantity)
            changed = with_measurement(changed, measurement)
            shown = " ± ".join(format_with_sd(measurement.value, measurement.sd))
            in_place = "" if before is None else f" in place of {format_number(before.value)}"
            words.append(f"with {quantity} of '{stream}' {shown} {measurement.unit}{in_place}")
    if faults:
        raise InputError(faults)
    return changed, words


def _place(option: str, written: str) -> Place:
    return Place(file=f"{option} {written!r}")


def _named(
    written: str, option: str, how: str, circuit: Circuit, survey: Survey, faults: list[Fault]
) -> tuple[str, str, Meaning] | None:
    """Return stream, quantity and its meaning; None, with a fault, if there are none such."""
    place = _place(option, written)
    streams = {fold_name(s): s for s in circuit.stream_names}
    known = {fold_name(q): (q, m) for q, m in meanings(survey).items()}
    halves = [(written[:i], written[i + 1 :]) for i, c in enumerate(written) if c == ":"]
    if not halves:
        faults.append(Fault("A stream and a quantity are needed, a colon between.", how, place))
        return None
    # a name may hold a colon itself
    for stream, quantity in halves:
        if fold_name(stream) in streams and fold_name(quantity) in known:
            name = streams[fold_name(stream)]
            there = {(r.stream, r.quantity) for r in arrangement(circuit, survey).rows}
            wanted, meaning = known[fold_name(quantity)]
            if (name, wanted) not in there:
                faults.append(Fault(f"The stream '{name}' has no {wanted}.", how, place))
                return None
            return name, wanted, meaning
    stream, quantity = halves[0]
    if fold_name(stream) not in streams:
        near = nearest_name(stream, list(streams.values()))
        mend = f"Did you mean '{near}'?" if near else f"Streams: {', '.join(streams.values())}."
        faults.append(Fault(f"There is no stream '{stream.strip()}' in the circuit.", mend, place))
        return None
    names = [q for q, _ in known.values()]
    near = nearest_name(quantity, names)
    mend = f"Did you mean '{near}'?" if near else f"Quantities: {', '.join(names)}."
    faults.append(Fault(f"There is no quantity '{quantity.strip()}' here.", mend, place))
    return None


def _measurement(
    stream: str, quantity: str, meaning: Meaning, value: str, written: str, faults: list[Fault]
) -> Measurement | None:
    """Return the measurement that a value describes; None, with a fault, if it is none."""
    place = _place("--with", written)
    match = _VALUE.fullmatch(value)
    if match is None:
        faults.append(
            Fault(f"'{value.strip()}' is no value with its sd and unit.", _HOW_WITH, place)
        )
        return None
    number, sd = float(match[1]), float(match[2])
    try:
        unit = _unit(match[3], meaning)
    except UnitError as error:
        faults.append(Fault(error.problem, error.mend, place))
        return None
    if number < 0.0 or sd <= 0.0:
        faults.append(Fault("The value must be at least 0 and its sd above 0.", _HOW_WITH, place))
        return None
    return Measurement(stream, quantity, number, unit, sd, "what if", "", place)


def _unit(symbol: str, meaning: Meaning) -> Unit:
    if meaning.kind is Kind.SOLUTION:
        return solution_unit(symbol)
    if meaning.kind in (Kind.SHARE, Kind.SOLIDS):
        return parse_unit(symbol, Dimension.SHARE)
    return parse_unit(symbol, meaning.unit.dimension)


def otherwise_sentence(found: Otherwise) -> str:
    """Return how well the other balance fits, in one sentence."""
    if not found.converged:
        return "That ends in no balance: its answers are not shown."
    test = found.test
    degrees = "1 degree" if test.dof == 1 else f"{test.dof} degrees"
    fit = f"chi-square {format_number(test.statistic)} on {degrees} of freedom"
    p = "" if test.p is None else f", p {test.p:.2g}"
    return f"Then {fit}{p}."


def otherwise_table(found: Otherwise) -> ResultTable:
    """Return the recoveries as they are and as they would be, side by side."""
    rows = []
    for r in found.recoveries:
        change = DASH if r.change is None else f"{r.change:+.2f}"
        rows.append(
            [r.stream, r.analyte, *format_with_sd(r.recovery, r.sd),
             *format_with_sd(r.otherwise, r.otherwise_sd), change]
        )  # fmt: skip
    header = ["stream", "analyte", "recovery [%]", "±", "what if [%]", "±", "change"]
    return ResultTable(f"What if: {'; '.join(found.changes)}", header, rows, 2)


def otherwise_document(found: Otherwise) -> dict[str, object]:
    """Return the comparison for JSON."""
    return {
        "changes": list(found.changes),
        "converged": found.converged,
        "objective": found.test.statistic,
        "dof": found.test.dof,
        "p": found.test.p,
        "recoveries": [
            {"stream": r.stream, "analyte": r.analyte, "recovery": r.recovery, "sd": r.sd,
             "otherwise": r.otherwise, "otherwise_sd": r.otherwise_sd, "change": r.change}
            for r in found.recoveries
        ],
    }  # fmt: skip
