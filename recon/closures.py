"""Closures and calculated heads: what the numbers say before any adjustment."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from oretally.flowsheet import Circuit, Measurement, Stream, Survey, Unit, parse_unit
from oretally.flowsheet.quantities import in_solution
from oretally.flowsheet.streams import Content
from oretally.recon.balance import CalculatedHead, Closure

__all__ = ["Amount", "Slopes", "amount_unit", "calculated_heads", "closures", "total_amount"]

_METRIC = ("t", "kg", "g", "mg")


Slopes = dict[tuple[str, str], float]


@dataclass(frozen=True, slots=True)
class Amount:
    """Something computed from measured values, in base units.

    Attributes
    ----------
    value : float
    slopes : dict of (stream, quantity) to float
        Its derivatives, from which `Survey.variance` makes its variance.
    """

    value: float
    slopes: Slopes


def total_amount(survey: Survey, streams: Iterable[Stream], quantity: str) -> Amount | None:
    """Return the measured amount in several streams together; None if one number is missing.

    Parameters
    ----------
    survey : Survey
    streams : iterable of Stream
    quantity : str
        The flow quantity, or an analyte: then the amount is the sum of flow times grade, over the
        solids and, for what the solution carries as well, the water.
    """
    value, slopes = 0.0, Slopes()
    for stream in streams:
        for of_flow, of_grade in _parts(survey, stream, quantity):
            flow = survey.measured(stream.name, of_flow)
            if flow is None:
                return None
            F, key = flow.value_base, (stream.name, of_flow)
            if of_grade is None:
                value, slopes[key] = value + F, 1.0
                continue
            grade = survey.measured(stream.name, of_grade)
            if grade is None:
                return None
            x = grade.value_base
            value, slopes[key], slopes[stream.name, of_grade] = value + F * x, x, F
    return Amount(value, slopes)


def _parts(survey: Survey, stream: Stream, quantity: str) -> list[tuple[str, str | None]]:
    """Return the flows, and the grades in them, that make the amount in a stream."""
    flow = survey.basis.quantity
    parts: list[tuple[str, str | None]] = []
    if stream.content is not Content.SOLUTION:
        parts.append((flow, None if quantity == flow else quantity))
    if quantity in survey.dissolved and stream.content is not Content.DRY:
        parts.append(("water", in_solution(quantity)))
    return parts


def amount_unit(survey: Survey, quantity: str, largest: float) -> Unit:
    """Return the unit for amounts of a quantity: the survey's, or a smaller metric one.

    ``largest`` is the largest amount to be shown. [kg or kg/h]
    """
    unit = survey.flow_unit
    mass, slash, time = unit.symbol.partition("/")
    if quantity == survey.basis.quantity or mass not in _METRIC:
        return unit
    for smaller in _METRIC[_METRIC.index(mass) :]:
        unit = parse_unit(f"{smaller}{slash}{time}")
        if unit.from_base(largest) >= 1.0:
            break
    return unit


def closures(circuit: Circuit, survey: Survey) -> tuple[Closure, ...]:
    """Return in minus out of every node and quantity whose numbers are all there, as measured."""
    rows = []
    for quantity in (survey.basis.quantity, *(a.name for a in survey.analytes)):
        found = []
        for node in circuit.nodes:
            into = total_amount(survey, _met(circuit, circuit.inlets(node.name)), quantity)
            out = total_amount(survey, _met(circuit, circuit.outlets(node.name)), quantity)
            if into is not None and out is not None:
                found.append((node.name, into, out))
        largest = max((max(i.value, o.value) for _, i, o in found), default=0.0)
        unit = amount_unit(survey, quantity, largest)
        for name, into, out in found:
            leaving = {key: -slope for key, slope in out.slopes.items()}
            sd = survey.variance({**into.slopes, **leaving}) ** 0.5
            if sd == 0.0:
                continue  # nothing of it goes through
            gap = into.value - out.value
            rows.append(
                Closure(
                    node=name,
                    quantity=quantity,
                    unit=unit.symbol,
                    inflow=unit.from_base(into.value),
                    outflow=unit.from_base(out.value),
                    imbalance=unit.from_base(gap),
                    sd=unit.from_base(sd),
                    z=gap / sd,
                )
            )
    return tuple(rows)


def _met(circuit: Circuit, names: Sequence[str]) -> list[Stream]:
    return [s for s in circuit.streams if s.name in names]


def calculated_heads(
    circuit: Circuit, survey: Survey, feed: str, products: Sequence[str]
) -> tuple[CalculatedHead, ...]:
    """Return the feed grades rebuilt from the measured products, where feed is all that enters.

    ``adjusted`` is left None; the balance fills it in.
    """
    if circuit.feeds != (feed,) or set(products) != set(circuit.products):
        return ()
    rows = []
    for analyte in survey.analytes:
        if analyte.name in survey.dissolved:
            continue
        built = _built_head(survey, _met(circuit, products), analyte.name)
        if built is None:
            continue
        assay: Measurement | None = survey.measured(feed, analyte.name)
        unit = analyte.unit
        z = None
        if assay is not None:
            against = {**built.slopes, (feed, analyte.name): -1.0}
            z = (built.value - assay.value_base) / survey.variance(against) ** 0.5
        rows.append(
            CalculatedHead(
                stream=feed,
                analyte=analyte.name,
                unit=unit.symbol,
                calculated=unit.from_base(built.value),
                calculated_sd=unit.from_base(survey.variance(built.slopes) ** 0.5),
                assayed=None if assay is None else unit.from_base(assay.value_base),
                assayed_sd=None if assay is None else unit.from_base(assay.sd_base),
                z=z,
                adjusted=None,
                adjusted_sd=None,
            )
        )
    return tuple(rows)


def _built_head(survey: Survey, products: Sequence[Stream], analyte: str) -> Amount | None:
    """Return sum F x / sum F over the products, as measured."""
    metal = total_amount(survey, products, analyte)
    mass = total_amount(survey, products, survey.basis.quantity)
    if metal is None or mass is None or mass.value == 0.0:
        return None
    head = metal.value / mass.value
    slopes = {
        key: (slope - head * mass.slopes.get(key, 0.0)) / mass.value
        for key, slope in metal.slopes.items()
    }
    return Amount(head, slopes)
