"""From what was weighed wet, or measured as pulp, to the dry flow of each stream; said, not hidden.

Quantities that stand in for the dry flow: wet mass (or rate) with moisture; pulp volume (or rate)
with percent solids, or with its density; both need the density of the solids.
"""

from __future__ import annotations

from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, replace

from oretally.flowsheet import (
    Basis,
    ErrorPart,
    Fault,
    Measurement,
    SharedSource,
    Unit,
)
from oretally.flowsheet.digits import format_with_sd
from oretally.flowsheet.survey import (
    PROPAGATED,
    STATED,
    WATER_DENSITY,
    SlurryValue,
    Sourced,
    combined_sd,
    dry_from_density,
    dry_from_solids,
    dry_from_wet,
)
from oretally.io.cells import DENSITIES, SHARES, WET, quantities_of

__all__ = ["DryFlows", "carried_sources", "dense", "dry_flows", "made_of", "thin", "way_note"]

_WAYS = (
    ("moisture",),
    ("% solids", "solids density"),
    ("pulp density", "solids density"),
)  # what each way needs beside the wet mass or the pulp


Moved = Mapping[tuple[str, str], Sequence[tuple[str, float]]]
"""Stream and typed quantity to the quantities that it moves, each with a slope in base units."""


@dataclass(frozen=True, slots=True)
class DryFlows:
    """What is balanced, and how it came about.

    Attributes
    ----------
    measurements : list of Measurement
        Of what is balanced only.
    shared : list of SharedSource
        Of what is balanced only.
    notes : list of str
        The way from what was typed to what is balanced, one note a stream.
    """

    measurements: list[Measurement]
    shared: list[SharedSource]
    notes: list[str]


def dry_flows(typed: Sourced, basis: Basis, flow_unit: Unit, *, faults: list[Fault]) -> DryFlows:
    """Replace what stands in for the dry flow by the dry flow, its sources of error with it.

    A dry flow made of a volume is shown in ``flow_unit``; what is wrong is added to ``faults``.
    """
    other, measurements = quantities_of(basis), typed.measurements
    by_stream: dict[str, dict[str, Measurement]] = {}
    for m in measurements:
        if m.quantity in other:
            by_stream.setdefault(m.stream, {})[m.quantity] = m
    dry_given = {m.stream: m for m in measurements if m.quantity == basis.quantity}
    made: dict[str, Measurement] = {}
    slopes: dict[tuple[str, str], Sequence[tuple[str, float]]] = {}
    notes = []
    for stream, found in by_stream.items():
        fault = _fault(stream, found, dry_given.get(stream), basis)
        if fault is not None:
            faults.append(fault)
            continue
        dry, parts = _dry(found, basis)
        for m, slope in zip(parts, dry.slopes, strict=True):
            slopes[stream, m.quantity] = [(basis.quantity, slope)]
        wet = found.get(WET[basis])
        unit = flow_unit if wet is None else wet.unit
        # to the first of them, wet mass or volume of pulp, the dry flow is in proportion
        weighed = parts[0].value, parts[0].unit
        made[stream] = replace(made_of(parts, dry, basis.quantity, unit), written=weighed)
        notes.append(way_note(made[stream]))
    kept = []
    placed: set[str] = set()
    for m in measurements:
        if m.quantity not in other:
            kept.append(m)
        elif m.stream in made and m.stream not in placed:
            placed.add(m.stream)
            kept.append(made[m.stream])
    return DryFlows(kept, carried_sources(typed.shared, slopes, other), notes)


def made_of(
    typed: Sequence[Measurement], found: SlurryValue, quantity: str, unit: Unit
) -> Measurement:
    """Return what was computed from typed numbers of a stream as a measurement, in ``unit``.

    ``found`` is in base units, with a slope for each of the numbers.
    """
    parts = _error_parts(typed, found.slopes, unit)
    path = " and ".join(f"{m.quantity} {_with_sd(m)}" for m in typed)
    first = typed[0]
    return Measurement(
        first.stream, quantity, unit.from_base(found.value), unit, combined_sd(parts), PROPAGATED,
        f"from {path}", first.place, parts,
    )  # fmt: skip


def way_note(made: Measurement) -> str:
    """Return the way from what was typed to a measurement that was made of it."""
    return f"{made.quantity} of '{made.stream}' is {_with_sd(made)}, {made.note}."


def _error_parts(
    typed: Sequence[Measurement], slopes: Sequence[float], unit: Unit
) -> tuple[ErrorPart, ...]:
    """Return what each part of each typed number's error adds to what is made of them.

    ``slopes`` are its derivatives in base units; the result is in ``unit``.

    A shared source that moves two of the typed numbers is one part: there its effects add.
    """
    own: list[ErrorPart] = []
    shared: dict[str, tuple[float, float]] = {}
    for m, slope in zip(typed, slopes, strict=True):
        for p in m.parts or (ErrorPart(STATED, m.sd),):
            moved = unit.from_base(slope * m.unit.to_base(p.sd))
            if p.shared:
                before, dof = shared.get(p.source, (0.0, p.dof))
                shared[p.source] = before + moved, min(dof, p.dof)
            else:
                name = f"{p.source} of the {m.quantity}" if p.source == STATED else p.source
                own.append(ErrorPart(name, abs(moved), False, p.dof))
    together = (ErrorPart(name, abs(size), True, dof) for name, (size, dof) in shared.items())
    return (*own, *(part for part in together if part.sd > 0.0))


def carried_sources(
    shared: Sequence[SharedSource], slopes: Moved, typed: Container[str]
) -> list[SharedSource]:
    """Return shared sources of what was typed as sources of what is balanced.

    Those of one name are one: a scale that weighed some streams wet and others dry.

    Parameters
    ----------
    shared : sequence of SharedSource
    slopes : mapping of (stream, quantity) to sequence of (quantity, float)
        What each typed number moves, and how much, in base units.
    typed : container of str
        Quantities that are not balanced themselves; others move themselves.
    """
    merged: dict[tuple[str, str], dict[str, float]] = {}
    over = {s.name: s.over for s in shared}
    for s in shared:
        for stream, size in s.loadings.items():
            itself = () if s.quantity in typed else ((s.quantity, 1.0),)
            for quantity, slope in slopes.get((stream, s.quantity), itself):
                loadings = merged.setdefault((s.name, quantity), {})
                loadings[stream] = loadings.get(stream, 0.0) + slope * size
    return [
        SharedSource(
            name, quantity, {stream: size for stream, size in loadings.items() if size}, over[name]
        )
        for (name, quantity), loadings in merged.items()
        if any(loadings.values())
    ]


def _with_sd(m: Measurement) -> str:
    """Return a value with its sd, digits as the sd warrants, and its unit."""
    return f"{' ± '.join(format_with_sd(m.value, m.sd))} {m.unit}"


def _fault(
    stream: str, found: Mapping[str, Measurement], dry: Measurement | None, basis: Basis
) -> Fault | None:
    """Return what is wrong with the quantities of one stream."""
    wet, some = WET[basis], next(iter(found.values()))
    place = some.place.about(stream=stream, quantity=some.quantity)
    bulk = [q for q in (wet, "pulp") if q in found]
    if dry is not None and bulk:
        return Fault(f"Both the {basis.quantity} and {bulk[0]} are given; they say the same twice.",
                     "Take one of them out.", place)  # fmt: skip
    if dry is not None and not bulk:
        return Fault(
            f"The {some.quantity} goes with nothing: the {basis.quantity} is given as it is.",
            f"Take it out, or give the {wet} in place of the {basis.quantity}.", place,
        )  # fmt: skip
    if not bulk:
        return Fault(f"The {some.quantity} has no {wet} or pulp to go with it.",
                     f"Give the {wet} (with moisture) or the pulp, or take it out.",
                     place)  # fmt: skip
    if len(bulk) == 2:
        return Fault(f"Both {wet} and pulp are given; they say the same twice.",
                     "Take one of them out.", place)  # fmt: skip
    ways = _WAYS[:1] if bulk[0] == wet else _WAYS[1:]
    complete = [w for w in ways if all(q in found for q in w)]
    if not complete:
        wanted = "\nor with ".join(" and ".join(w) for w in ways)
        return Fault(f"The {bulk[0]} alone does not say how much of it is dry.",
                     f"Give it with {wanted},\nor give the {basis.quantity}.", place)  # fmt: skip
    if len(complete) > 1:
        return Fault("Both % solids and pulp density are given; they say the same twice.",
                     "Take one of them out.", place)  # fmt: skip
    return _out_of_range(found)


def _out_of_range(found: Mapping[str, Measurement]) -> Fault | None:
    """Return the fault of a share or density that cannot be."""
    for quantity, m in found.items():
        place = m.place.about(stream=m.stream, quantity=quantity)
        if quantity in SHARES and not 0.0 <= m.value_base < 1.0:
            return Fault(f"The {quantity} is {m.value:g} {m.unit}; it lies between 0 and 100 %.",
                         "Correct the value or its unit.", place)  # fmt: skip
        if (fault := thin(m)) is not None:
            return fault
    return dense(found)


def thin(m: Measurement) -> Fault | None:
    """Return the fault of a density that is no more than that of water."""
    if m.quantity not in DENSITIES or m.value_base > WATER_DENSITY:
        return None
    return Fault(
        f"The {m.quantity} is {m.value:g} {m.unit}, no more than that of water (1 kg/L).",
        "Correct the value or its unit.", m.place.about(stream=m.stream, quantity=m.quantity),
    )  # fmt: skip


def dense(found: Mapping[str, Measurement]) -> Fault | None:
    """Return the fault of a pulp as dense as its solids."""
    pulp, solids = (found.get(q) for q in DENSITIES)
    if pulp is None or solids is None or pulp.value_base < solids.value_base:
        return None
    place = pulp.place.about(stream=pulp.stream, quantity=pulp.quantity)
    return Fault("The pulp is as dense as its solids, or denser.", "Correct one of the two.", place)


def _dry(found: Mapping[str, Measurement], basis: Basis) -> tuple[SlurryValue, list[Measurement]]:
    """Return the dry flow [kg or kg/h] and the measurements it was made from."""

    def of(quantity: str) -> SlurryValue:
        return SlurryValue(found[quantity].value_base, found[quantity].sd_base)

    wet = WET[basis]
    if wet in found:
        return dry_from_wet(of(wet), of("moisture")), [found[wet], found["moisture"]]
    if "% solids" in found:
        names = ["pulp", "% solids", "solids density"]
        return dry_from_solids(*(of(n) for n in names)), [found[n] for n in names]
    names = ["pulp", "pulp density", "solids density"]
    return dry_from_density(*(of(n) for n in names)), [found[n] for n in names]
