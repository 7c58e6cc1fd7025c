"""The definition of a case: circuit, analytes, error rules and report, from file or workbook.

Two readers (`circuit_text`, `circuit_sheets`) bring what was written to the same rows; here the
rows become objects, and everything wrong with them is collected.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from oretally.flowsheet import (
    Analyte,
    Basis,
    Circuit,
    Dimension,
    ErrorModel,
    ErrorRule,
    Fault,
    Node,
    NodeKind,
    Place,
    Stream,
    Unit,
    UnitError,
    parse_unit,
)
from oretally.flowsheet.circuit import kind_fault, with_all_nodes
from oretally.flowsheet.circuit_checks import circuit_faults
from oretally.flowsheet.faults import nearest_name
from oretally.flowsheet.streams import fold_name
from oretally.io.amount import read_amount, read_definition_number
from oretally.io.doubts import ContainerRow, DoubtRow, container_masses
from oretally.io.dry_flows import OTHER_QUANTITIES, quantities_of

__all__ = ["FROM_LAB", "AnalyteRow", "Definition", "DefinitionRows", "ErrorRow", "define"]

FROM_LAB = "from lab"
"""Stands in place of an error rule: the precision of the batch's duplicates."""

_RESERVED = {
    "stream", "note", "notes", "quantity", "value", "unit", "error", "error unit",
    *OTHER_QUANTITIES,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class AnalyteRow:
    """An analyte as written."""

    name: str
    unit: str
    maximum: object
    detection: object
    place: Place


@dataclass(frozen=True, slots=True)
class ErrorRow:
    """An error rule as written; ``stream`` is empty for a rule of all streams."""

    stream: str
    quantity: str
    relative: object
    absolute: object
    coverage: object
    place: Place


@dataclass(slots=True)
class DefinitionRows:
    """What was written, with places; filled by a reader."""

    title: str = ""
    basis: str = ""
    streams: list[Stream] = field(default_factory=list)
    kinds: list[tuple[str, str, Place]] = field(default_factory=list)
    analytes: list[AnalyteRow] = field(default_factory=list)
    errors: list[ErrorRow] = field(default_factory=list)
    feed: tuple[str, Place] | None = None
    products: list[tuple[str, Place]] = field(default_factory=list)
    containers: list[ContainerRow] = field(default_factory=list)
    doubts: list[DoubtRow] = field(default_factory=list)
    places: dict[str, Place] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    streams_read: bool = True

    def place(self, key: str) -> Place:
        """Place of 'basis', 'feed', ... or of the whole definition."""
        return self.places.get(key, self.places.get("", Place()))


@dataclass(frozen=True, slots=True)
class Definition:
    """A case without its measurements.

    Attributes
    ----------
    circuit : Circuit or None
        None if it has faults.
    stream_names : tuple of str
        Names as far as they could be read; empty if none could.
    analytes : tuple of Analyte
        Empty if the measurements' headers say what is assayed.
    containers : dict of str to float
        Empty masses in kg.
    doubts : tuple of DoubtRow
        As written: which quantities there are is known with the measurements.
    """

    title: str
    basis: Basis
    circuit: Circuit | None
    stream_names: tuple[str, ...]
    analytes: tuple[Analyte, ...]
    errors: ErrorModel
    feed: str | None
    products: tuple[str, ...]
    containers: dict[str, float]
    doubts: tuple[DoubtRow, ...]
    rules_in_doubt: frozenset[str]
    """Folded quantities whose error rules could not be read; '*' if none could."""


def define(
    rows: DefinitionRows, lab: Mapping[str, ErrorRule] | None = None
) -> tuple[Definition, list[Fault]]:
    """Turn rows into a definition and the faults found on the way.

    ``lab`` has the rules that the duplicates of a laboratory batch give, by folded analyte.
    """
    faults = list(rows.faults)
    basis = _basis(rows, faults)
    circuit = _circuit(rows, faults)
    names = tuple(s.name for s in rows.streams)
    analytes = _analytes(rows, basis, faults)
    model, doubted = _error_model(rows, names, basis, analytes, faults, lab)
    feed, products = _report(rows, circuit, names, faults)
    definition = Definition(
        title=rows.title,
        basis=basis,
        circuit=circuit,
        stream_names=names,
        analytes=analytes,
        errors=model,
        feed=feed,
        products=products,
        containers=container_masses(rows.containers, faults),
        doubts=tuple(rows.doubts),
        rules_in_doubt=doubted if rows.streams_read else frozenset("*"),
    )
    return definition, faults


def _basis(rows: DefinitionRows, faults: list[Fault]) -> Basis:
    written = rows.basis.strip().casefold()
    known = [b.value for b in Basis]
    if written in known:
        return Basis(written)
    if written:
        near = nearest_name(written, known)
        found = f"The basis is '{rows.basis}'; it is 'batch' (masses of one test) or 'rate'."
        faults.append(
            Fault(
                found,
                f"Did you mean '{near}'?" if near else 'Write "batch" or "rate".',
                rows.place("basis"),
            )
        )
    else:
        faults.append(
            Fault(
                "The basis is not stated: are flows the masses of one batch, or rates?",
                'Write basis = "batch" for weights\nor basis = "rate" for t/h and the like.',
                rows.place(""),
            )
        )
    return Basis.BATCH


def _circuit(rows: DefinitionRows, faults: list[Fault]) -> Circuit | None:
    if not rows.streams_read:
        return None
    wrong = [f for _, kind, place in rows.kinds if (f := kind_fault(kind, place)) is not None]
    nodes = [
        Node(name, NodeKind(kind), place)
        for name, kind, place in rows.kinds
        if kind_fault(kind, place) is None
    ]
    if wrong:  # a node of unknown kind is still a node
        nodes += [Node(n, place=p) for n, k, p in rows.kinds if kind_fault(k, p) is not None]
    streams, nodes_all = with_all_nodes(rows.streams, nodes)
    wrong += circuit_faults(streams, nodes_all)
    faults.extend(_placed(fault, rows.place("")) for fault in wrong)
    return None if wrong else Circuit(streams, nodes_all)


def _placed(fault: Fault, place: Place) -> Fault:
    return fault if fault.place.file else Fault(fault.problem, fault.mend, place)


def _analytes(rows: DefinitionRows, basis: Basis, faults: list[Fault]) -> tuple[Analyte, ...]:
    found: list[Analyte] = []
    seen: set[str] = set()
    for row in rows.analytes:
        if fold_name(row.name) in seen:
            faults.append(
                Fault(f"The analyte '{row.name}' is there twice.", "Take one out.", row.place)
            )
            continue
        if fold_name(row.name) in _RESERVED | {b.quantity for b in Basis}:
            faults.append(
                Fault(f"'{row.name}' cannot be the name of an analyte.", "Rename it.", row.place)
            )
            continue
        seen.add(fold_name(row.name))
        try:
            unit = parse_unit(row.unit, Dimension.GRADE)
        except UnitError as error:
            place = row.place.about(quantity=row.name)
            faults.append(Fault(error.problem, error.mend, place))
            continue
        name = " ".join(row.name.split())
        found.append(Analyte(name, unit, _maximum(row, unit, faults), _detection(row, faults)))
    return tuple(found)


def _maximum(row: AnalyteRow, unit: Unit, faults: list[Fault]) -> float:
    """Return the largest grade possible, mass per mass."""
    if row.maximum is None or row.maximum == "":
        return 1.0
    largest = unit.from_base(1.0)
    value = read_definition_number(row.maximum)
    if value is None or not 0.0 < value <= largest * (1.0 + 1e-12):
        faults.append(
            Fault(
                f"The max of {row.name} is {row.maximum}; it must be a number above 0 and at "
                f"most {largest:g} {unit}.",
                "Write the grade of the pure mineral, or leave it out.",
                row.place.about(quantity=row.name),
            )
        )
        return 1.0
    return min(unit.to_base(value), 1.0)


def _detection(row: AnalyteRow, faults: list[Fault]) -> float | None:
    """Return the detection limit, mass per mass; None if none is stated."""
    if row.detection in (None, ""):
        return None
    place, amount = row.place.about(quantity=row.name), read_amount(row.detection)
    if amount is None or amount[0] <= 0.0:
        faults.append(
            Fault(f"The detection limit is '{row.detection}'; it is a number above 0 with its "
                  "unit.", 'Write for example detection = "0.01 %".', place)
        )  # fmt: skip
        return None
    try:
        return parse_unit(amount[1], Dimension.GRADE).to_base(amount[0])
    except UnitError as error:
        faults.append(Fault(error.problem, error.mend, place))
        return None


def _error_model(
    rows: DefinitionRows,
    streams: Sequence[str],
    basis: Basis,
    analytes: Sequence[Analyte],
    faults: list[Fault],
    lab: Mapping[str, ErrorRule] | None,
) -> tuple[ErrorModel, frozenset[str]]:
    """Return the rules, and the quantities whose rules are faulty."""
    doubted: set[str] = set()
    general: dict[str, ErrorRule] = {}
    own: dict[tuple[str, str], ErrorRule] = {}
    others = quantities_of(basis)
    quantities = [basis.quantity, *(a.name for a in analytes)]
    known_streams = {fold_name(s) for s in streams}
    for row in rows.errors:
        place = row.place.about(stream=row.stream, quantity=row.quantity)
        flow = fold_name(row.quantity) in {b.quantity for b in Basis}
        known = {*map(fold_name, quantities), *others}
        if (analytes or flow) and fold_name(row.quantity) not in known:
            near = nearest_name(row.quantity, quantities)
            mend = f"Did you mean '{near}'?" if near else f"Quantities: {', '.join(quantities)}."
            faults.append(
                Fault(f"An error is stated for '{row.quantity}', which is no quantity of this "
                      f"case (basis \"{basis}\").", mend, place)
            )  # fmt: skip
            continue
        if row.stream and known_streams and fold_name(row.stream) not in known_streams:
            near = nearest_name(row.stream, streams)
            mend = f"Did you mean '{near}'?" if near else f"Streams: {', '.join(streams)}."
            faults.append(Fault("There is no such stream.", mend, place))
            continue
        bulk = basis.dimension if flow else Dimension.GRADE
        key = fold_name(row.quantity)
        if isinstance(row.absolute, str) and row.absolute.strip().casefold() == FROM_LAB:
            rule = _from_lab(key, lab, place, faults)
        else:
            rule = _rule(row, others.get(key, bulk), place, faults)
        if rule is None:
            doubted.add(key)
            continue
        if (fold_name(row.stream), key) in own or (not row.stream and key in general):
            faults.append(Fault("This error is stated twice.", "Take one out.", place))
        elif row.stream:
            own[fold_name(row.stream), key] = rule
        else:
            general[key] = rule
    return ErrorModel(general, own), frozenset(doubted)


def _from_lab(
    key: str, lab: Mapping[str, ErrorRule] | None, place: Place, faults: list[Fault]
) -> ErrorRule | None:
    """Return the rule of the batch's duplicates; a fault if they give none."""
    rule = (lab or {}).get(key)
    if rule is None and lab is not None:
        faults.append(
            Fault("The error is to come from the laboratory batch, but its duplicates give none "
                  "for this quantity: 8 pairs are needed.", "See 'oretally lab', or state the "
                  "error.", place)
        )  # fmt: skip
    return rule


def _rule(
    row: ErrorRow, dimension: Dimension, place: Place, faults: list[Fault]
) -> ErrorRule | None:
    """Return the rule of a row; its faults are added."""
    before = len(faults)
    relative = 0.0 if row.relative in (None, "") else read_definition_number(row.relative)
    if relative is None or relative < 0.0:
        faults.append(
            Fault(f"The relative error is {row.relative}; it is a number of at least 0, in "
                  "percent of the value.", "Write for example relative = 3.", place)
        )  # fmt: skip
    coverage = 1.0 if row.coverage in (None, "") else read_definition_number(row.coverage)
    if coverage is None or coverage <= 0.0:
        faults.append(
            Fault(f"The coverage is {row.coverage}; it says how many standard deviations the "
                  "figures are, a number above 0.", "Write 1, 2 or 3, or leave it out.", place)
        )  # fmt: skip
    absolute, unit = 0.0, None
    if row.absolute not in (None, ""):
        amount = read_amount(row.absolute)
        if amount is None or amount[0] < 0.0:
            faults.append(
                Fault(f"The absolute error is '{row.absolute}'; it is a number of at least 0 "
                      "with its unit.", 'Write for example absolute = "2 g".', place)
            )  # fmt: skip
        else:
            try:
                absolute, unit = amount[0], parse_unit(amount[1], dimension)
            except UnitError as error:
                faults.append(Fault(error.problem, error.mend, place))
    if len(faults) == before and relative == 0.0 and absolute == 0.0:
        faults.append(
            Fault("The stated error is 0: nothing is measured without error.",
                  "State a relative error, an absolute one, or both.", place)
        )  # fmt: skip
    if len(faults) > before or relative is None or coverage is None:
        return None
    return ErrorRule(relative, absolute, unit, coverage)


def _report(
    rows: DefinitionRows, circuit: Circuit | None, names: Sequence[str], faults: list[Fault]
) -> tuple[str | None, tuple[str, ...]]:
    """Return feed and products, spelt as in the circuit; defaults where none are stated."""
    spelling = {fold_name(name): name for name in names}

    def spelt(name: str, place: Place) -> str | None:
        if fold_name(name) not in spelling:
            near = nearest_name(name, names)
            mend = f"Did you mean '{near}'?" if near else f"Streams: {', '.join(names)}."
            faults.append(Fault(f"The report names '{name}', which is no stream.", mend, place))
        return spelling.get(fold_name(name))

    check = rows.streams_read and bool(names)
    feed = spelt(*rows.feed) if rows.feed and check else None
    products = [p for p in (spelt(*each) for each in rows.products if check) if p is not None]
    if circuit is not None:
        if rows.feed is None and len(circuit.feeds) > 1:
            listed = ", ".join(f"'{name}'" for name in circuit.feeds)
            faults.append(
                Fault(f"The circuit has {len(circuit.feeds)} feeds ({listed}); recoveries must "
                      "refer to one stream.", 'Name it: [report] feed = "...".', rows.place(""))
            )  # fmt: skip
        elif rows.feed is None:
            feed = circuit.feeds[0]
        products = products or list(circuit.products)
    return feed, tuple(products)
