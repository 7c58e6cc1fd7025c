"""Where water is balanced: from moisture, densities and pulp volumes to % solids and wet flows.

The share of solids is balanced as it is given. Moisture and densities are turned into it, the
volume of pulp into solids and water together; said, not hidden.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

from oretally.flowsheet import (
    Analyte,
    Basis,
    Circuit,
    Dimension,
    Fault,
    Measurement,
    NodeKind,
    Place,
    Survey,
    Unit,
    parse_unit,
)
from oretally.flowsheet.circuit import Content
from oretally.flowsheet.survey import (
    SlurryValue,
    Sourced,
    propagated,
    pulp_density,
    solids_share,
)
from oretally.io.cells import DENSITIES, WATER, dissolved_name
from oretally.io.definition import WaterBalance
from oretally.io.measurements.dry_flows import (
    DryFlows,
    carried_sources,
    dense,
    made_of,
    thin,
    way_note,
)

__all__ = ["dissolved_analytes", "leach_faults", "water_flows"]

_SHARE, _MOISTURE = "% solids", "moisture"
_PULP, _SOLIDS = DENSITIES
_TYPED = (_MOISTURE, *DENSITIES, "pulp")  # turned into something else
_PERCENT = parse_unit("%", Dimension.SHARE)
_CARRIED = {
    Content.DRY: "dry solids",
    Content.SOLUTION: "water or solution without solids",
    Content.DISSOLVED: "solids that dissolved",
}


def dissolved_analytes(
    water: WaterBalance,
    analytes: Sequence[Analyte],
    quantities: Sequence[str],
    faults: list[Fault],
    place: Place,
) -> frozenset[str]:
    """Return the analytes that the solution carries: those so stated, or assayed in it.

    ``quantities`` are those that the measurements speak of.
    """
    names = {a.name for a in analytes}
    assayed = [name for q in quantities if (name := dissolved_name(q)) is not None]
    for name in dict.fromkeys(assayed):
        if name not in names:
            faults.append(
                Fault(f"{name} is assayed in the solution only, so the unit of its grade in solids "
                      "is not known.", f'List it: [analytes] "{name}" = {{ unit = "g/t" }}, with '
                      "the unit that you want.", place)
            )  # fmt: skip
        elif water.dissolved.get(name) is False:
            faults.append(
                Fault(f"{name} is assayed in the solution, but [analytes] says dissolved = false.",
                      "Take one of the two out.", place)
            )  # fmt: skip
    return frozenset(name for name in names if name in assayed or water.dissolved.get(name, False))


def leach_faults(circuit: Circuit, survey: Survey) -> list[Fault]:
    """Return the faults of leach nodes at which nothing can dissolve."""
    if survey.dissolved or not survey.water:
        return []
    return [
        Fault(f"At the leach '{node.name}' nothing can dissolve: no analyte is in the solution.",
              'Give its assays (Au in solution [mg/L]), or state it: Au = { unit = "g/t", '
              "dissolved = true }\nor make the node a separator.", node.place)
        for node in circuit.nodes
        if node.kind is NodeKind.LEACH
    ]  # fmt: skip


def water_flows(
    typed: Sourced, basis: Basis, flow_unit: Unit, *, contents: Mapping[str, Content],
    faults: list[Fault],
) -> DryFlows:  # fmt: skip
    """Turn moisture, densities and pulp volumes into what is balanced beside water.

    Parameters
    ----------
    typed : Sourced
    basis : Basis
    flow_unit : Unit
        In which a wet flow is shown that was made of a volume.
    contents : mapping of str to Content
        What each stream carries.
    faults : list of Fault
        What is wrong is added.
    """
    by_stream: dict[str, dict[str, Measurement]] = {}
    for m in typed.measurements:
        by_stream.setdefault(m.stream, {})[m.quantity] = m
    made: dict[str, list[Measurement]] = {}
    slopes: dict[tuple[str, str], list[tuple[str, float]]] = {}
    notes = []
    wet = basis.quantity.replace("dry", "wet")
    for stream, found in by_stream.items():
        wrong = _not_carried(found, contents.get(stream, Content.PULP), basis)
        wrong = wrong or _fault(stream, found, wet)
        if wrong:
            faults.extend(wrong)
            continue
        for way in _ways(found, wet):
            inputs = [found[q] for q in way.of]
            result = propagated(
                way.function, [SlurryValue(m.value_base, m.sd_base) for m in inputs]
            )
            shown = _PERCENT if way.quantity == _SHARE else flow_unit
            computed = made_of(inputs, result, way.quantity, shown)
            made.setdefault(stream, []).append(computed)
            for m, slope in zip(inputs, result.slopes, strict=True):
                itself = [(_SHARE, 1.0)] if m.quantity == _SHARE else []
                slopes.setdefault((stream, m.quantity), itself).append((way.quantity, slope))
            notes.append(way_note(computed))
        notes += _used_twice(stream, found, wet)
    kept, placed = [], set[str]()
    for m in typed.measurements:
        if m.quantity not in _TYPED:
            kept.append(m)
        elif m.stream not in placed:
            placed.add(m.stream)
            kept += made.get(m.stream, [])
    return DryFlows(
        kept, carried_sources(typed.shared, slopes, _TYPED), [*notes, *_by_volume(kept)]
    )


@dataclass(frozen=True, slots=True)
class _Way:
    """How a quantity is made of others, in base units."""

    quantity: str
    of: tuple[str, ...]
    function: Callable[..., float]


def _ways(found: Mapping[str, Measurement], wet: str) -> list[_Way]:
    """Return what is made in a stream without faults."""
    ways = []
    if _MOISTURE in found:
        ways.append(_Way(_SHARE, (_MOISTURE,), lambda m: 1.0 - m))
    if _PULP in found and _SOLIDS in found:
        ways.append(_Way(_SHARE, DENSITIES, solids_share))
    if "pulp" in found and _PULP in found:
        ways.append(_Way(wet, ("pulp", _PULP), lambda v, p: v * p))
    elif "pulp" in found and _SHARE in found:
        ways.append(_Way(wet, ("pulp", _SHARE, _SOLIDS), lambda v, c, s: v * pulp_density(c, s)))
    elif "pulp" in found:
        ways.append(
            _Way(wet, ("pulp", _MOISTURE, _SOLIDS), lambda v, m, s: v * pulp_density(1.0 - m, s))
        )
    return ways


def _used_twice(stream: str, found: Mapping[str, Measurement], wet: str) -> list[str]:
    """Return the note of a number from which both the share of solids and the wet flow come."""
    if "pulp" not in found or (_PULP in found and _SOLIDS not in found):
        return []
    twice = next(q for q in (_PULP, _SHARE, _MOISTURE) if q in found)
    what = f"% solids and {wet} of '{stream}'"
    return [f"{what} have the error of one {twice}; that they move together is not counted."]


def _by_volume(measurements: Sequence[Measurement]) -> list[str]:
    """Return the note that volumes of water and grades by volume stand at 1 kg/L."""
    volumes = any(m.quantity == WATER and "m3" in m.unit.symbol.casefold() for m in measurements)
    grades = any(dissolved_name(m.quantity) is not None for m in measurements)
    if not (volumes or grades):
        return []
    counted = (["1 m3 as 1 t"] if volumes else []) + (["1 mg/L as 1 g/t"] if grades else [])
    return [f"Water and solution count at 1 kg/L: {', '.join(counted)}."]


def _not_carried(found: Mapping[str, Measurement], content: Content, basis: Basis) -> list[Fault]:
    """Return the faults of numbers that are of nothing that the stream carries."""
    if content is Content.PULP:
        return []
    faults = []
    for quantity, m in found.items():
        liquid = quantity == WATER or dissolved_name(quantity) is not None
        both = quantity in (*_TYPED, _SHARE, basis.quantity.replace("dry", "wet"))
        carried = liquid if content is Content.SOLUTION else not (liquid or both)
        if carried:
            continue
        mend = 'or let the stream carry "pulp".'
        if content is Content.SOLUTION and both:
            mend = "Give the water of the stream in place of it,\n" + mend
        else:
            mend = "Take it out,\n" + mend
        if content is Content.DISSOLVED:
            mend = "Take it out."
        faults.append(
            Fault(f"The stream carries {_CARRIED[content]}, so there is no {quantity} of it.",
                  mend, m.place.about(stream=m.stream, quantity=quantity))
        )  # fmt: skip
    return faults


def _fault(stream: str, found: Mapping[str, Measurement], wet: str) -> list[Fault]:
    """Return what is wrong with the pulp of one stream."""

    def at(quantity: str) -> Place:
        return found[quantity].place.about(stream=stream, quantity=quantity)

    def twice(one: str, other: str) -> Fault:
        return Fault(f"Both {one} and {other} are given; they say the same twice.",
                     "Take one of them out.", at(other))  # fmt: skip

    has = found.__contains__
    share = _SHARE if has(_SHARE) else _MOISTURE if has(_MOISTURE) else None
    if has(_SHARE) and has(_MOISTURE):
        return [twice(_SHARE, _MOISTURE)]
    if share and has(_PULP) and has(_SOLIDS):
        return [twice(share, _PULP)]
    if has("pulp") and has(wet):
        return [twice(wet, "pulp")]
    if has("pulp") and not has(_PULP) and not (share and has(_SOLIDS)):
        return [
            Fault("The pulp alone does not say how much it weighs.",
                  f"Give it with {_PULP},\nor with % solids and {_SOLIDS}\nor give the {wet}.",
                  at("pulp"))
        ]  # fmt: skip
    if has(_PULP) and not has(_SOLIDS) and not has("pulp"):
        return [
            Fault(f"The {_PULP} has no {_SOLIDS} to go with it.",
                  f"Give the {_SOLIDS}, or the % solids in its place.", at(_PULP))
        ]  # fmt: skip
    if has(_SOLIDS) and not has(_PULP) and not (share and has("pulp")):
        return [
            Fault(f"The {_SOLIDS} goes with nothing.",
                  f"Give the {_PULP} (or the pulp, with % solids), or take it out.", at(_SOLIDS))
        ]  # fmt: skip
    return _out_of_range(found, at)


def _out_of_range(found: Mapping[str, Measurement], at: Callable[[str], Place]) -> list[Fault]:
    """Return the faults of shares and densities that cannot be."""
    faults = []
    for quantity, m in found.items():
        shown = f"The {quantity} is {m.value:g} {m.unit}"
        mend = "Correct the value or its unit."
        if quantity == _SHARE and not 0.0 < m.value_base <= 1.0 + 1e-12:
            faults.append(
                Fault(f"{shown}; it is above 0 and at most 100 %.",
                      f'{mend}\nWater without solids is a stream with carries = "water".',
                      at(quantity))
            )  # fmt: skip
        if quantity == _MOISTURE and not 0.0 <= m.value_base < 1.0:
            faults.append(Fault(f"{shown}; it lies between 0 and 100 %.", mend, at(quantity)))
        if (fault := thin(m)) is not None:
            faults.append(fault)
    denser = None if faults else dense(found)
    return faults if denser is None else [denser]
