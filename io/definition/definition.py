"""The definition of a case: circuit, analytes, error rules and report, from file or workbook.

Two readers (`from_toml`, `from_sheets`) bring what was written to the same rows; here the
rows become objects, and everything wrong with them is collected.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass, field, replace

from oretally.flowsheet import (
    Analyte,
    Basis,
    Circuit,
    ErrorModel,
    ErrorRule,
    ErrorSource,
    Fault,
    Measurement,
    Node,
    NodeKind,
    Place,
    Stream,
)
from oretally.flowsheet.circuit import (
    circuit_faults,
    content_faults,
    feed_faults,
    fold_name,
    kind_fault,
    product_faults,
    with_all_nodes,
)
from oretally.flowsheet.faults import did_you_mean
from oretally.io.definition.analytes import YES_OR_NO, AnalyteRow, read_analytes, read_dissolved
from oretally.io.definition.declared_losses import LOSS_AT, LossRow, read_declared_losses
from oretally.io.definition.dissolving_leaches import DissolvingRow, read_dissolving
from oretally.io.definition.error_rules import ErrorRow, Scope, error_model
from oretally.io.definition.error_sources import SourceRow, read_sources
from oretally.io.definition.gross_error_rates import ContainerRow, DoubtRow, container_masses
from oretally.io.definition.lab_columns import LabRows
from oretally.io.definition.metal_prices import PriceRow
from oretally.io.definition.stocks import STOCKS_OF, read_stocks
from oretally.io.definition.streams import with_likes_spelt
from oretally.io.definition.water import WaterBalance
from oretally.io.files import Table

__all__ = ["STREAMS_OF_NODES", "Definition", "DefinitionRows", "ReagentRow", "define"]

STREAMS_OF_NODES = (LOSS_AT, *STOCKS_OF)
"""How streams begin that are called after their node; its name follows."""


@dataclass(frozen=True, slots=True)
class ReagentRow:
    """What a case says of a reagent, as written: see `oretally.io.kinetics.reagents`."""

    name: str
    purity: object
    strength: object
    relative: object
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
    sources: list[SourceRow] = field(default_factory=list)
    feeds: list[tuple[str, Place]] = field(default_factory=list)
    products: list[tuple[str, Place]] = field(default_factory=list)
    lost: list[tuple[str, Place]] = field(default_factory=list)
    containers: list[ContainerRow] = field(default_factory=list)
    doubts: list[DoubtRow] = field(default_factory=list)
    lab: LabRows | None = None
    water: tuple[object, Place] | None = None
    losses: list[LossRow] = field(default_factory=list)
    dissolving: list[DissolvingRow] = field(default_factory=list)
    stocks: Table | None = None
    weighing: Table | None = None  # of an entry workbook
    prices: list[PriceRow] = field(default_factory=list)
    reagents: list[ReagentRow] = field(default_factory=list)
    places: dict[str, Place] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)
    streams_read: bool = True
    contents_read: bool = True
    timed: tuple[str, ...] = ()  # streams that a table of times brings
    planned: bool = False  # stocks may not be known yet

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
        Empty if they could not be read: then names are not judged.
    analytes : tuple of Analyte
        Empty if the measurements' headers say what is assayed.
    lost : tuple of str
        Products that count as lost; empty if that is not said.
    containers : dict of str to float
        Empty masses in kg.
    doubts : tuple of DoubtRow
        As written: which quantities there are is known with the measurements.
    water : WaterBalance
    stocks : Table or None
        Numbers of the stocks, as a measurements table.
    losses : tuple of Measurement
        Flows of the declared losses, and of solids that dissolve.
    prices : tuple of PriceRow
        Of metals, as written: which analytes there are is known with the measurements.
    reagents : tuple of ReagentRow
        As written: which there are the table of times says.
    """

    title: str
    basis: Basis
    circuit: Circuit | None
    stream_names: tuple[str, ...]
    analytes: tuple[Analyte, ...]
    errors: ErrorModel
    sources: tuple[ErrorSource, ...]
    feeds: tuple[str, ...]
    products: tuple[str, ...]
    lost: tuple[str, ...]
    containers: dict[str, float]
    doubts: tuple[DoubtRow, ...]
    water: WaterBalance
    stocks: Table | None
    losses: tuple[Measurement, ...]
    prices: tuple[PriceRow, ...]
    reagents: tuple[ReagentRow, ...]
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
    water = _water(rows, faults)
    ends = [end for s in rows.streams for end in (s.source, s.target) if end is not None]
    stocks = read_stocks(rows.stocks, rows.kinds, rows.streams, basis, faults, planned=rows.planned)
    nodes = [name for name, _, _ in rows.kinds]
    declared, losses = read_declared_losses(
        rows.losses, rows.streams, [*nodes, *ends], basis, faults
    )
    kinds = {fold_name(name): kind for name, kind, _ in rows.kinds}
    gone, sizes = read_dissolving(rows.dissolving, kinds, basis, faults)
    # where one time could not be read, the others are not judged
    written = rows.streams if rows.contents_read else [replace(s, time=None) for s in rows.streams]
    streams = (*written, *stocks.streams, *declared, *gone)
    circuit = _circuit(rows, streams, water, faults)
    faults += _timed_rates(streams, basis)
    names = tuple(s.name for s in streams)
    analytes = read_analytes(rows.analytes, faults)
    judged = (*names, *rows.timed) if rows.streams_read else ()
    scope = Scope(basis, judged, analytes)
    model, doubted = error_model(rows.errors, scope, faults, lab)
    lacking = len(declared) < len(rows.losses)  # then a loss may be named that is not there
    known = {s.name for s in gone}
    feeds, products, lost = _report(rows, circuit, names, known, faults, lacking=lacking)
    definition = Definition(
        title=rows.title,
        basis=basis,
        circuit=circuit,
        stream_names=judged,
        analytes=analytes,
        errors=model,
        sources=read_sources(rows.sources, scope, faults),
        feeds=feeds,
        products=products,
        lost=lost,
        containers=container_masses(rows.containers, faults),
        doubts=tuple(rows.doubts),
        water=WaterBalance(
            water, {s.name: s.content for s in streams}, read_dissolved(rows.analytes, faults)
        ),
        stocks=stocks.table,
        losses=(*losses, *sizes),
        prices=tuple(rows.prices),
        reagents=tuple(rows.reagents),
        rules_in_doubt=doubted if rows.streams_read else frozenset("*"),
    )
    return definition, faults


def _basis(rows: DefinitionRows, faults: list[Fault]) -> Basis:
    written = rows.basis.strip().casefold()
    known = [b.value for b in Basis]
    if written in known:
        return Basis(written)
    if written:
        found = f"The basis is '{rows.basis}'; it is 'batch' (masses of one test) or 'rate'."
        mend = did_you_mean(written, known, otherwise='Write "batch" or "rate".')
        faults.append(Fault(found, mend, rows.place("basis")))
    else:
        faults.append(
            Fault(
                "The basis is not stated: are flows the masses of one batch, or rates?",
                'Write basis = "batch" for weights\nor basis = "rate" for t/h and the like.',
                rows.place(""),
            )
        )
    return Basis.BATCH


def _water(rows: DefinitionRows, faults: list[Fault]) -> bool:
    """Return whether water is balanced too."""
    written, place = rows.water or ("no", Place())
    word = str(written).strip().casefold()
    if word not in YES_OR_NO:
        faults.append(
            Fault(f"'water' is '{written}'; it says whether water is balanced too.",
                  "Write water = true, or leave it out (in a sheet yes or no).", place)
        )  # fmt: skip
    return YES_OR_NO.get(word, True)  # then what it is about is read as well


def _circuit(
    rows: DefinitionRows, drawn: Sequence[Stream], water: bool, faults: list[Fault]
) -> Circuit | None:
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
    streams, nodes_all = with_all_nodes(with_likes_spelt(drawn), nodes)
    wrong += circuit_faults(streams, nodes_all)
    wrong += content_faults(streams, nodes_all, water=water)
    faults.extend(_placed(fault, rows.place("")) for fault in wrong)
    return None if wrong else Circuit(streams, nodes_all)


def _timed_rates(streams: Sequence[Stream], basis: Basis) -> list[Fault]:
    """Refuse times of streams that are rates."""
    timed = [s for s in streams if s.time is not None and basis is Basis.RATE]
    return [
        Fault(f"'{s.name}' has a time, but the flows of this case are rates: times are for the "
              "products of one batch, one after the other.",
              'Write basis = "batch" and weigh the products, or take the time out.', s.place)
        for s in timed[:1]
    ]  # fmt: skip


def _placed(fault: Fault, place: Place) -> Fault:
    return fault if fault.place.file else Fault(fault.problem, fault.mend, place)


def _report(
    rows: DefinitionRows, circuit: Circuit | None, names: Sequence[str], gone: Set[str],
    faults: list[Fault], *, lacking: bool,
) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:  # fmt: skip
    """Return feeds, products and which are lost, spelt as in the circuit; defaults if not stated.

    Solids that dissolved, ``gone``, are none of them. ``lacking``: some declared loss was refused,
    so that names of losses are not judged.
    """
    spelling = {fold_name(name): name for name in names}

    def spelt(name: str, place: Place) -> str | None:
        if lacking and fold_name(name).startswith(fold_name(LOSS_AT)):
            return None
        if fold_name(name) not in spelling:
            mend = f"{did_you_mean(name, names, 'Streams')}\nIf it is gone, take it out."
            faults.append(Fault(f"The report names '{name}', which is no stream.", mend, place))
        elif spelling[fold_name(name)] in gone:
            faults.append(
                Fault(f"The report names '{name}', but solids that dissolved hold no analyte.",
                      "Name a stream that is sampled.", place)
            )  # fmt: skip
        return spelling.get(fold_name(name))

    check = rows.streams_read and bool(names)
    feeds = [f for f in (spelt(*each) for each in rows.feeds if check) if f is not None]
    products = [p for p in (spelt(*each) for each in rows.products if check) if p is not None]
    spoken = [(spelt(*each), each[1]) for each in rows.lost if check]
    lost = [(name, place) for name, place in spoken if name is not None]
    if circuit is not None:
        wrong, named = list(feed_faults(circuit, feeds)), rows.feeds
        feeds = feeds if rows.feeds else list(circuit.ore_feeds)
        if not rows.feeds and not feeds and rows.contents_read:
            faults.append(
                Fault("Nothing enters the circuit; recoveries must refer to a stream.",
                      'Name it: [report] feed = "...".', rows.place(""))
            )  # fmt: skip
        products = products or list(circuit.products)
        if feeds and not wrong:
            wrong, named = list(product_faults(circuit, feeds, products)), rows.products
        at = {fold_name(name): place for name, place in named}
        here = next((place for _, place in rows.feeds), rows.place(""))  # no product is named
        faults += [Fault(f.problem, f.mend, at.get(fold_name(f.place.stream), here))
                   for f in wrong]  # fmt: skip
        _check_lost(lost, products, faults)
    return tuple(feeds), tuple(products), tuple(name for name, _ in lost)


def _check_lost(
    lost: Sequence[tuple[str, Place]], products: Sequence[str], faults: list[Fault]
) -> None:
    """Refuse as lost what is no product, and all products at once."""
    listed = ", ".join(f"'{name}'" for name in products)
    for name, place in lost:
        if name not in products:
            faults.append(
                Fault(f"'{name}' is given as lost, but is no product.",
                      f"Name one of the products: {listed}.", place)
            )  # fmt: skip
    if set(products) <= {name for name, _ in lost}:
        faults.append(
            Fault("Every product is given as lost.",
                  f"Leave out those that are kept; the products are {listed}.", lost[0][1])
        )  # fmt: skip
