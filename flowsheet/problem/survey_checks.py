"""Does a survey fit its circuit, and can its numbers be used: checked before any balance."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence, Set
from dataclasses import replace
from math import isfinite

from oretally.flowsheet.circuit import Circuit, feed_faults, product_faults
from oretally.flowsheet.faults import Fault, InputError, nearest_name
from oretally.flowsheet.problem.model import BalanceModel
from oretally.flowsheet.survey import DECLARED_LOSS, Measurement, Survey

__all__ = ["check_survey", "reference_streams"]

LARGEST, SMALLEST = 1e30, 1e-30  # kg, kg/h or mass per mass: squares must not overflow
SHARPEST = 1e-10  # stated error as a share of its value
OWN = 1e-4  # of a stated error, that other measurements must not share


def reference_streams(
    circuit: Circuit, feed: str | Sequence[str] | None, products: Sequence[str] | None
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the streams to which recoveries refer, and the products.

    Products that are not named are all that leave the circuit with something of the feed. Both
    checked against the circuit; no feed may have what another one brought, no product what
    another one holds.
    """
    chosen = circuit.ore_feeds if feed is None else (feed,) if isinstance(feed, str) else (*feed,)
    made = circuit.nodes_behind([name for name in chosen if name in circuit.stream_names])
    source = {s.name: s.source for s in circuit.streams}
    wanted = (
        tuple(name for name in circuit.products if source[name] in made)
        if products is None
        else tuple(products)
    )
    faults = [_unknown_stream(circuit, name) for name in (*chosen, *wanted)
              if name not in circuit.stream_names]  # fmt: skip
    if not chosen:
        faults.append(Fault("Recoveries must refer to a stream, and there is no feed.",
                            "Name a stream as the feed."))  # fmt: skip
    if not faults:
        faults += feed_faults(circuit, chosen)
    if not faults:
        faults += product_faults(circuit, chosen, wanted)
    if faults:
        raise InputError(faults)
    return chosen, wanted


def _twice(one: Measurement, other: Measurement) -> Fault:
    if DECLARED_LOSS in (one.error_source, other.error_source):
        return Fault("It is declared and measured as well.",
                     "Take one of the two out: the row, or what the case declares (a loss under "
                     "[losses], the size of what dissolves).")  # fmt: skip
    return Fault("This value is given twice.", "Pool replicates into one measurement.")


def _unknown_stream(circuit: Circuit, name: str) -> Fault:
    near = nearest_name(name, circuit.stream_names)
    mend = f"Did you mean '{near}'?" if near else f"Streams: {', '.join(circuit.stream_names)}."
    return Fault(f"There is no stream '{name}' in the circuit.", mend)


def check_survey(model: BalanceModel) -> None:
    """Refuse a survey that does not fit the circuit, or whose numbers cannot be used."""
    circuit, survey = model.circuit, model.survey
    number = {name: j for j, name in enumerate(circuit.stream_names)}
    faults, seen = list[Fault](), dict[tuple[str, str], Measurement]()
    for m in survey.measurements:
        found = list(_faults_of(m, model, number))
        twin = seen.setdefault((m.stream, m.quantity), m)
        if twin is not m:
            found.append(_twice(twin, m))
        if found:
            place = m.place.about(stream=m.stream, quantity=m.quantity)
            faults += [replace(fault, place=place) for fault in found]
    faults += _loose_sources(survey, seen.keys())
    if faults:
        raise InputError(faults)


def _faults_of(m: Measurement, model: BalanceModel, number: Mapping[str, int]) -> Iterator[Fault]:
    """Yield what is wrong with one measurement; ``number`` is that of each stream."""
    circuit, known = model.circuit, model.meanings
    if m.stream not in number:
        yield _unknown_stream(circuit, m.stream)
    if m.quantity not in known:
        yield Fault(f"'{m.quantity}' is not a quantity of this survey.",
                    f"Quantities: {', '.join(sorted(known))}.")  # fmt: skip
    elif m.stream in number and model.carriers.place(number[m.stream], known[m.quantity]) is None:
        content = circuit.streams[number[m.stream]].content
        yield Fault(f"The stream carries no such thing: its content is '{content}'.",
                    "Take the value out, or correct what the stream carries.")  # fmt: skip
    if not (isfinite(m.value) and m.value >= 0.0):
        yield Fault(f"The value is {m.value:g}; a finite number of at least 0 is needed.",
                    "Correct it, or leave the measurement out.")  # fmt: skip
    if not (isfinite(m.sd) and m.sd > 0.0):
        yield Fault(f"The stated error is {m.sd:g}; a finite number above 0 is needed.",
                    "Give its standard deviation.")  # fmt: skip
        return
    value, sd = m.value_base, m.sd_base
    if value > LARGEST or sd > LARGEST or sd < SMALLEST:
        yield Fault(f"{m.value:g} ± {m.sd:g} {m.unit} is beyond what is weighed or assayed "
                    "anywhere.", "Correct the value, its error or its unit.")  # fmt: skip
    elif model.survey.own_variance(m) < (OWN * sd) ** 2:
        yield Fault("Next to all of the stated error comes from sources that it shares with "
                    "other measurements.", "State an error of its own as well.")  # fmt: skip
    elif sd < SHARPEST * value:
        yield Fault(f"The stated error {m.sd:g} {m.unit} is less than 1e-10 of the value; "
                    "double precision cannot tell it from 0.", "Give a larger error.")  # fmt: skip


def _loose_sources(survey: Survey, measured: Set[tuple[str, str]]) -> list[Fault]:
    """Return the faults of shared sources that concern what was not measured."""
    return [
        Fault(
            f"The shared error '{s.name}' concerns the {s.quantity} of '{stream}', which was not "
            "measured.", "Leave that stream out of it.",
        )
        for s in survey.shared
        for stream in s.loadings
        if (stream, s.quantity) not in measured
    ]  # fmt: skip
