"""The inputs of a balance as sheets of the result workbook, which `read_case` reads again."""

from __future__ import annotations

import math
from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import dataclass

from oretally.flowsheet import Basis, Circuit, Measurement, Stream, Survey, Unit
from oretally.flowsheet.circuit import Content, fold_name, unchained
from oretally.flowsheet.survey import DECLARED_LOSS, DETECTION_LIMIT, RANGE_LIMIT, meanings
from oretally.io.files import SheetTable
from oretally.io.results.course_data import course_data_sheets, timed_values
from oretally.io.results.size_sheets import of_class, size_data_sheet, value_cells
from oretally.recon.result import Balance, ErrorRates

__all__ = ["input_sheets"]

_Row = Sequence[object]


@dataclass(frozen=True, slots=True)
class _Part:
    """What a source adds to the error of one measurement, as a row of the sheet 'sources'.

    ``sd`` is in base units; ``unit`` is the one to write it in.
    """

    source: str
    quantity: str
    stream: str
    sd: float
    unit: Unit
    shared: bool


def input_sheets(balance: Balance) -> Iterable[SheetTable]:
    """Yield the sheets of a case, the measurements in long form."""
    circuit, survey = balance.circuit, balance.survey
    if survey.course is not None:
        circuit = unchained(circuit, survey.course.nodes, survey.course.made)
    losses = {m.stream: m for m in survey.measurements if m.error_source == DECLARED_LOSS}
    yield from _circuit(circuit, losses, survey)
    yield _analytes(survey)
    yield (
        "report",
        ("key", "value"),
        [
            ("title", survey.title),
            ("basis", survey.basis.value),
            *((("water", "yes"),) if survey.water else ()),
            *(("feed", name) for name in balance.feeds),
            *(("product", p) for p in balance.products),
            *(("lost", name) for name in balance.losses.stated),
        ],
    )
    yield (
        "containers",
        ("container", "mass"),
        [(name, f"{mass:.15g} kg") for name, mass in survey.containers.items()],
    )
    rates = balance.gross_errors.rates
    sources = _sources(survey, rates.by_source, of_class(survey))
    yield "doubts", ("quantity", "percent"), _doubts(rates, {fold_name(s.source) for s in sources})
    yield (
        "sources",
        ("source", "quantity", "stream", "absolute", "shared"),
        [
            (s.source, s.quantity, s.stream, f"{s.unit.from_base(s.sd)!r} {s.unit}", s.shared)
            for s in sources
        ],
    )
    yield from _measurements(circuit, survey, sources)


def _circuit(
    circuit: Circuit, losses: Mapping[str, Measurement], survey: Survey
) -> Iterable[SheetTable]:
    """Yield streams, declared losses and nodes; stockpiles and what dissolves stand elsewhere."""
    gone = {s.source: s.name for s in circuit.streams if s.content is Content.DISSOLVED}
    apart = {*losses, *gone.values()}
    plain = [s for s in circuit.streams if not s.stock and s.name not in apart]
    contents = any(s.content is not Content.PULP for s in plain)
    models = any(s.like for s in plain)
    timed = any(s.time for s in plain)
    yield (
        "circuit",
        ("stream", "from", "to", *(["carries"] * contents), *(["like"] * models),
         *(["time"] * timed)),
        [
            (s.name, s.source or "", s.target or "", *([s.carries] * contents),
             *([s.like or ""] * models), *(["" if s.time is None else str(s.time)] * timed))
            for s in plain
        ],
    )  # fmt: skip
    yield from _losses(circuit, losses, survey)
    yield (
        "nodes",
        ("node", "kind", *(["dissolves"] * bool(gone))),
        [
            (n.name, n.kind.value, *([_dissolves(gone.get(n.name), losses)] * bool(gone)))
            for n in circuit.nodes
        ],
    )


def _analytes(survey: Survey) -> SheetTable:
    some = bool(survey.dissolved)
    header = ("analyte", "unit", "max", "detection", *(["dissolved"] * some))
    rows = [
        (a.name, a.unit.symbol, a.unit.from_base(a.maximum),
         None if a.detection is None else f"{a.unit.from_base(a.detection):.15g} {a.unit.symbol}",
         *(["yes" if a.name in survey.dissolved else ""] * some))
        for a in survey.analytes
    ]  # fmt: skip
    return "analytes", header, rows


def _measurements(
    circuit: Circuit, survey: Survey, sources: Sequence[_Part]
) -> Iterable[SheetTable]:
    """Yield what was measured: in long form, of stockpiles, of size classes."""
    sds: dict[tuple[str, str], list[float]] = {}
    for part in sources:
        sds.setdefault((part.stream, part.quantity), []).append(part.sd)
    rows = {
        (m.stream, m.quantity): _written(m, survey, sds.get((m.stream, m.quantity), ()))
        for m in survey.measurements
    }
    stocks = [s for s in circuit.streams if s.stock]
    declared = {m.stream for m in survey.measurements if m.error_source == DECLARED_LOSS}
    apart, classes = {*declared, *(s.name for s in stocks)}, of_class(survey)
    timed = timed_values(survey)
    yield (
        "measurements",
        ("stream", "quantity", "value", "unit", "error", "error unit", "note"),
        [row for key, row in rows.items()
         if key not in timed and row[1] not in classes and row[0] not in apart],
    )  # fmt: skip
    yield from course_data_sheets(survey, rows)
    yield from _stocks(stocks, survey, rows)
    yield from size_data_sheet(survey, rows)


def _sources(survey: Survey, rates: Mapping[str, float], classes: Container[str]) -> list[_Part]:
    """Return the sources that stand in a sheet of their own, not in the error of each row.

    They are those that measurements share, and those that have a rate of gross errors. A source
    that moves some measurements up and others down cannot be written as shared.
    """
    units = {quantity: meaning.unit for quantity, meaning in meanings(survey).items()}
    shared = [s for s in survey.shared if min(s.loadings.values(), default=-1.0) >= 0.0
              and s.quantity not in classes]  # fmt: skip
    parts = [
        _Part(s.name, s.quantity, stream, loading, units[s.quantity], shared=True)
        for s in shared
        for stream, loading in s.loadings.items()
        if loading > 0.0
    ]
    written = {(s.name, s.quantity) for s in shared}
    for m in survey.measurements:
        sds: dict[str, list[float]] = {}
        for p in m.parts if m.quantity not in classes else ():
            if p.source in rates and (p.source, m.quantity) not in written:
                sds.setdefault(p.source, []).append(m.unit.to_base(p.sd))
        parts += [_Part(source, m.quantity, m.stream, math.hypot(*each), m.unit, shared=False)
                  for source, each in sds.items()]  # fmt: skip
    return parts


def _doubts(rates: ErrorRates, sources: Container[str]) -> list[_Row]:
    """Return the rows of the sheet 'doubts', of the sources only those that are written.

    A general rate that bears the name of a source could be read in two ways: no case can have
    stated it, so that it is the default.
    """
    general = {"measurement": rates.measurement, "loss": rates.loss, **rates.by_quantity}
    every = {q: rate for q, rate in general.items() if fold_name(q) not in sources}
    every |= {name: rate for name, rate in rates.by_source.items() if fold_name(name) in sources}
    return [(name, float(f"{100.0 * rate:.12g}")) for name, rate in every.items()]


def _losses(
    circuit: Circuit, losses: Mapping[str, Measurement], survey: Survey
) -> Iterable[SheetTable]:
    """Yield the sheet 'losses', if any are declared."""
    key = "mass" if survey.basis is Basis.BATCH else "rate"
    rows = [
        (s.source or "", f"{losses[s.name].sd:.15g} {losses[s.name].unit}", s.like or "")
        for s in circuit.streams
        if s.name in losses and s.content is not Content.DISSOLVED
    ]
    if rows:
        yield "losses", ("node", key, "like"), rows


def _dissolves(stream: str | None, sizes: Mapping[str, Measurement]) -> str:
    """Return what a node says of solids that dissolve."""
    if stream is None:
        return ""
    return f"{sizes[stream].sd:.15g} {sizes[stream].unit}" if stream in sizes else "yes"


def _stocks(
    stocks: Sequence[Stream], survey: Survey, written: Mapping[tuple[str, str], _Row]
) -> Iterable[SheetTable]:
    """Yield the sheet 'stocks', if there are stockpiles."""
    if not stocks:
        return
    names = {s.name for s in stocks}
    units: dict[str, str] = {}
    for m in survey.measurements:
        if m.stream in names:
            units.setdefault(m.quantity, m.unit.symbol)
    rows = []
    for s in stocks:
        cells = (
            cell
            for quantity, unit in units.items()
            for cell in value_cells(survey.measured(s.name, quantity), unit, written)
        )
        rows.append((s.source or s.target, "closing" if s.target is None else "opening", *cells))
    columns = (f"{mark}{q} [{u}]" for q, u in units.items() for mark in ("", "± "))
    yield "stocks", ("node", "when", *columns), rows


def _written(m: Measurement, survey: Survey, sources: Sequence[float]) -> _Row:
    """Return the row of a measurement; what is only known within bounds as it was typed.

    Its error is what is left of it without ``sources``, the sds of those that are written apart.
    """
    limit = _limit(m, survey)
    if limit:
        return m.stream, m.quantity, limit, m.unit.symbol, None, None, None
    own = m.sd
    if sources:
        left = m.sd_base**2 - sum(sd**2 for sd in sources)
        own = m.unit.from_base(max(left, 0.0) ** 0.5)
    return (m.stream, m.quantity, (m.value, m.sd / 100.0), m.unit.symbol, (own, own / 100.0),
            m.unit.symbol, m.note)  # fmt: skip


def _limit(m: Measurement, survey: Survey) -> str:
    """Return '<0.01' or '>10' if it comes to the same value and sd; else nothing."""
    if m.error_source == DETECTION_LIMIT:
        low, high, text = 0.0, 2.0 * m.value, f"<{2.0 * m.value:.15g}"
    elif m.error_source == RANGE_LIMIT:
        k = meanings(survey)[m.quantity].analyte
        high = m.unit.from_base(1.0 if k is None else survey.analytes[k].maximum)
        low = 2.0 * m.value - high
        text = f">{low:.15g}"
    else:
        return ""
    # the mean of several has another sd than one reading between the same bounds
    return text if math.isclose(m.sd, (high - low) / 12.0**0.5, rel_tol=1e-9) else ""
