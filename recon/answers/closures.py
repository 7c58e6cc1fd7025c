"""Closures and calculated heads: what the numbers say before any adjustment.

With flows F and grades x as measured::

    closure  d = sum_in F x - sum_out F x    z = d / sd(d)    calculated head  sum F x / sum F

References
----------
Pulp: B.A. Wills and T.J. Napier-Munn, Mineral Processing Technology, 7th ed. (2006), chapter 3; the
calculated head: common practice, no source. The closure of one node as a test: S. Narasimhan and C.
Jordache, Data Reconciliation and Gross Error Detection (2000), chapter 7 (nodal test). Sd: JCGM
100:2008 (GUM), eq. 13. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from oretally.flowsheet import BalanceModel, Circuit, Stream, Survey
from oretally.flowsheet.circuit import Content, reference_name
from oretally.flowsheet.survey import amount_unit, in_solution
from oretally.recon.propagation import Derived, total
from oretally.recon.result import CalculatedHead, Closure

__all__ = ["Measured", "calculated_heads", "closures", "measured_flow",
           "reading", "summed", "total_amount"]  # fmt: skip


Measured = Derived[tuple[str, str]]
"""Something computed from measured values, from whose derivatives `Survey.variance` follows."""
_Part = tuple[str, str | tuple[str, str], str | None]


def total_amount(survey: Survey, streams: Sequence[Stream], quantity: str) -> Measured | None:
    """Return the measured amount in several streams together; None if one number is missing.

    Parameters
    ----------
    survey : Survey
    streams : sequence of Stream
    quantity : str
        The flow quantity, or an analyte: then the amount is the sum of flow times grade, over the
        solids and, for what the solution carries as well, the water.
    """
    parts = list[_Part]()
    for stream in streams:
        for of_flow, of_grade in _parts(survey, stream, quantity):
            parts.append((stream.name, of_flow, of_grade))
    return summed(survey, parts, {s.name: s.like for s in streams if s.like is not None})


def summed(
    survey: Survey, parts: Iterable[_Part], likes: Mapping[str, str] | None = None
) -> Measured | None:
    """Return a sum of measured flows, or of flows times grades; None if a number is missing.

    Parameters
    ----------
    survey : Survey
    parts : iterable of (stream, flow, grade)
        Names of the quantities; the grade is None where the flow itself is meant. A flow of
        another stream is (stream, flow).
    likes : mapping of str to str, optional
        Streams that are in all like another one: what was not measured of them is as there.
    """
    found = list[Measured]()
    for stream, of_flow, of_grade in parts:
        flow = measured_flow(survey, *((stream, of_flow) if isinstance(of_flow, str) else of_flow))
        if flow is None and likes and stream in likes and of_flow == "water":
            flow = _water_like(survey, stream, likes[stream])
        if flow is None:
            return None
        if of_grade is not None:
            grade = reading(survey, stream, of_grade)
            if grade is None and likes and stream in likes:
                grade = reading(survey, likes[stream], of_grade)
            if grade is None:
                return None
            flow = flow * grade
        found.append(flow)
    return total(found)


def measured_flow(survey: Survey, stream: str, quantity: str) -> Measured | None:
    """Return a flow as measured, or as it follows from the rest of the stream's pulp.

    With the dry solids D, the water W, both together P and the share of solids c: D = c P or
    P - W, W = (1 - c) P or P - D or D (1 - c) / c. None if that is not measured either.
    """
    found = reading(survey, stream, quantity)
    if found is not None or not survey.water:
        return found
    dry = quantity == survey.basis.quantity
    wet = reading(survey, stream, survey.basis.quantity.replace("dry", "wet"))
    other = reading(survey, stream, "water" if dry else survey.basis.quantity)
    solids = reading(survey, stream, "% solids")
    share = solids if solids is None or dry else 1.0 - solids
    if wet is not None and share is not None:
        return wet * share
    if wet is not None and other is not None:
        return wet - other
    if other is None or share is None or share.value == 1.0:
        return None
    return other * share / (1.0 - share)


def _water_like(survey: Survey, stream: str, other: str) -> Measured | None:
    """Return the water of a stream that has as much to its solids as another one."""
    dry = survey.basis.quantity
    own, solids, water = (
        measured_flow(survey, s, q) for s, q in ((stream, dry), (other, dry), (other, "water"))
    )
    if own is None or solids is None or water is None or solids.value == 0.0:
        return None
    return own * (water / solids)


def reading(survey: Survey, stream: str, quantity: str) -> Measured | None:
    """Return a measured value itself; None if it was not measured."""
    m = survey.measured(stream, quantity)
    return None if m is None else Derived(m.value_base, {(stream, quantity): 1.0})


def _parts(survey: Survey, stream: Stream, quantity: str) -> list[tuple[str, str | None]]:
    """Return the flows, and the grades in them, that make the amount in a stream."""
    flow = survey.basis.quantity
    parts: list[tuple[str, str | None]] = []
    if quantity == "water":
        return [(quantity, None)] if stream.content.has_water else []
    if stream.content is Content.DISSOLVED:
        return [(flow, None)] if quantity == flow else []
    if stream.content.has_solids:
        parts.append((flow, None if quantity == flow else quantity))
    if quantity in survey.dissolved and stream.content.has_water:
        parts.append(("water", in_solution(quantity)))
    return parts


def closures(model: BalanceModel) -> tuple[Closure, ...]:
    """Return in minus out of every node and quantity whose numbers are all there, as measured."""
    circuit, survey, rows = model.circuit, model.survey, list[Closure]()
    flows = (survey.basis.quantity, *(["water"] if survey.water else []))
    ends = [(n.name, circuit.inlets(n.name), circuit.outlets(n.name)) for n in circuit.nodes]
    for quantity in (*flows, *(a.name for a in survey.analytes)):
        amounts = {s.name: total_amount(survey, [s], quantity) for s in circuit.streams}
        found = []
        for node, inlets, outlets in ends:
            into, out = _sum_of(amounts, inlets), _sum_of(amounts, outlets)
            if into is not None and out is not None:
                found.append((node, into, out))
        largest = max((max(i.value, o.value) for _, i, o in found), default=0.0)
        unit = amount_unit(survey, quantity, largest)
        for name, into, out in found:
            gap = into - out
            sd = survey.variance(gap.slopes) ** 0.5
            if sd == 0.0:
                continue  # nothing of it goes through
            rows.append(
                Closure(
                    node=name,
                    quantity=quantity,
                    unit=unit.symbol,
                    inflow=unit.from_base(into.value),
                    outflow=unit.from_base(out.value),
                    imbalance=unit.from_base(gap.value),
                    sd=unit.from_base(sd),
                    z=gap.value / sd,
                )
            )
    return tuple(rows)


def _sum_of(amounts: Mapping[str, Measured | None], names: Sequence[str]) -> Measured | None:
    """Return what some streams have together; None if one number is missing."""
    found = [amounts[name] for name in names]
    known = [amount for amount in found if amount is not None]
    return total(known) if len(known) == len(found) else None


def _met(circuit: Circuit, names: Sequence[str]) -> list[Stream]:
    return [s for s in circuit.streams if s.name in names]


def calculated_heads(
    model: BalanceModel, feeds: Sequence[str], products: Sequence[str]
) -> tuple[CalculatedHead, ...]:
    """Return the feed grades rebuilt from the measured products, where feeds are all that enters.

    Of several feeds together; assayed is what follows from flows and grades of all of them.
    ``adjusted`` is left None; the balance fills it in.
    """
    circuit, survey = model.circuit, model.survey
    if set(circuit.feeds) != set(feeds) or set(products) != set(circuit.products):
        return ()
    rows = []
    for analyte in survey.analytes:
        if analyte.name in survey.dissolved:
            continue
        built = _built_head(survey, _met(circuit, products), analyte.name)
        if built is None:
            continue
        if len(feeds) == 1:
            read = reading(survey, feeds[0], analyte.name)
        else:
            read = _built_head(survey, _met(circuit, feeds), analyte.name)
        assayed_sd = None if read is None else survey.variance(read.slopes) ** 0.5
        unit = analyte.unit
        z = None
        if read is not None:
            gap = built - read
            z = gap.value / survey.variance(gap.slopes) ** 0.5
        rows.append(
            CalculatedHead(
                stream=reference_name(feeds),
                analyte=analyte.name,
                unit=unit.symbol,
                calculated=unit.from_base(built.value),
                calculated_sd=unit.from_base(survey.variance(built.slopes) ** 0.5),
                assayed=None if read is None else unit.from_base(read.value),
                assayed_sd=None if assayed_sd is None else unit.from_base(assayed_sd),
                z=z,
                adjusted=None,
                adjusted_sd=None,
            )
        )
    return tuple(rows)


def _built_head(survey: Survey, products: Sequence[Stream], analyte: str) -> Measured | None:
    """Return sum F x / sum F over products, or feeds, as measured."""
    metal = total_amount(survey, products, analyte)
    mass = total_amount(survey, products, survey.basis.quantity)
    return None if metal is None or mass is None or mass.value == 0.0 else metal / mass
