"""The inputs of a balance as sheets of the result workbook, which `read_case` reads again."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence

from oretally.flowsheet import Basis, Circuit, Measurement, Stream, Survey
from oretally.flowsheet.error_sources import SharedSource
from oretally.flowsheet.quantities import meanings
from oretally.flowsheet.streams import Content
from oretally.flowsheet.survey import DECLARED_LOSS, DETECTION_LIMIT, RANGE_LIMIT
from oretally.io.size_sheets import of_class, size_data_sheet, value_cells
from oretally.recon import Balance

__all__ = ["input_sheets"]

_Row = Sequence[object]
_Sheet = tuple[str, Sequence[str], Iterable[_Row]]


def input_sheets(balance: Balance) -> Iterable[_Sheet]:
    """Yield the sheets of a case, the measurements in long form."""
    circuit, survey = balance.circuit, balance.survey
    losses = {m.stream: m for m in survey.measurements if m.error_source == DECLARED_LOSS}
    gone = {s.source: s.name for s in circuit.streams if s.content is Content.DISSOLVED}
    apart = {*losses, *gone.values()}
    plain = [s for s in circuit.streams if not s.stock and s.name not in apart]
    contents = any(s.content is not Content.PULP for s in plain)
    models = any(s.like for s in plain)
    yield (
        "circuit",
        ("stream", "from", "to", *(["carries"] * contents), *(["like"] * models)),
        [
            (s.name, s.source or "", s.target or "", *([s.carries] * contents),
             *([s.like or ""] * models))
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
    yield (
        "analytes",
        ("analyte", "unit", "max", "detection", *(["dissolved"] * bool(survey.dissolved))),
        [
            (a.name, a.unit.symbol, a.unit.from_base(a.maximum),
             None if a.detection is None
             else f"{a.unit.from_base(a.detection):.15g} {a.unit.symbol}",
             *(["yes" if a.name in survey.dissolved else ""] * bool(survey.dissolved)))
            for a in survey.analytes
        ],
    )  # fmt: skip
    yield (
        "report",
        ("key", "value"),
        [
            ("title", survey.title),
            ("basis", survey.basis.value),
            *((("water", "yes"),) if survey.water else ()),
            ("feed", balance.feed),
            *(("product", p) for p in balance.products),
            *(("lost", name) for name in balance.losses.stated),
        ],
    )
    yield (
        "containers",
        ("container", "mass"),
        [(name, f"{mass:.15g} kg") for name, mass in survey.containers.items()],
    )
    rates = balance.findings.rates
    every = {"measurement": rates.measurement, "loss": rates.loss, **rates.by_quantity}
    yield (
        "doubts",
        ("quantity", "percent"),
        [(quantity, float(f"{100.0 * rate:.12g}")) for quantity, rate in every.items()],
    )
    classes = of_class(survey)  # whose errors are read as a whole
    shared = [s for s in survey.shared if min(s.loadings.values(), default=-1.0) >= 0.0
              and s.quantity not in classes]  # fmt: skip
    unit = {s.quantity: survey.flow_unit for s in shared}
    unit |= {a.name: a.unit for a in survey.analytes}
    yield (
        "sources",
        ("source", "quantity", "stream", "absolute", "shared"),
        [
            (s.name, s.quantity, stream,
             f"{unit[s.quantity].from_base(loading)!r} {unit[s.quantity]}", True)
            for s in shared
            for stream, loading in s.loadings.items()
            if loading > 0.0
        ],
    )  # fmt: skip
    rows = {(m.stream, m.quantity): _written(m, survey, shared) for m in survey.measurements}
    stocks = [s for s in circuit.streams if s.stock]
    apart = {*losses, *(s.name for s in stocks)}  # written elsewhere
    yield (
        "measurements",
        ("stream", "quantity", "value", "unit", "error", "error unit", "note"),
        [row for row in rows.values() if row[1] not in classes and row[0] not in apart],
    )
    yield from _stocks(stocks, survey, rows)
    yield from size_data_sheet(survey, rows)


def _losses(
    circuit: Circuit, losses: Mapping[str, Measurement], survey: Survey
) -> Iterable[_Sheet]:
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
) -> Iterable[_Sheet]:
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


def _written(m: Measurement, survey: Survey, shared: Sequence[SharedSource]) -> _Row:
    """Return the row of a measurement; what is only known within bounds as it was typed.

    Its error is what it does not share. A source that moves some measurements up and others down
    cannot be written: its part stays in the error of each.
    """
    limit = _limit(m, survey)
    if limit:
        return m.stream, m.quantity, limit, m.unit.symbol, None, None, None
    parts = [s.loadings.get(m.stream, 0.0) for s in shared if s.quantity == m.quantity]
    own = m.unit.from_base((m.sd_base**2 - sum(part**2 for part in parts)) ** 0.5)
    if not any(parts):
        own = m.sd
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
