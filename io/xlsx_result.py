"""Results as a workbook; the inputs are repeated in sheets that `read_case` reads again."""

from __future__ import annotations

import io
import math
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

from oretally.flowsheet import Measurement, Survey
from oretally.flowsheet.error_sources import SharedSource
from oretally.flowsheet.quantities import meanings
from oretally.flowsheet.survey import DETECTION_LIMIT, RANGE_LIMIT
from oretally.io.finding_sheets import finding_sheets
from oretally.io.sheet_cells import number_format, put, widen
from oretally.io.size_sheets import of_class, size_data_sheet, size_sheets
from oretally.io.wording import (
    CAUTION,
    NOT_A_BALANCE,
    SD_LEGEND,
    counts,
    recovery_sentences,
    verdict,
)
from oretally.recon import Balance

if TYPE_CHECKING:
    from openpyxl import Workbook

__all__ = ["xlsx_bytes"]

# a cell is a value, or (value, sd): the number is then shown with the digits its sd leaves
_Cell = object
_Row = Sequence[_Cell]


def xlsx_bytes(balance: Balance) -> bytes:
    """Return the workbook: results first, then the inputs."""
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for title, header, rows in (*_results(balance), *_inputs(balance)):
        _sheet(book, title, header, rows)
    buffer = io.BytesIO()
    book.save(buffer)
    return buffer.getvalue()


def _sheet(book: Workbook, title: str, header: Sequence[str], rows: Iterable[_Row]) -> None:
    sheet = book.create_sheet(title)
    for j, word in enumerate(header, start=1):
        put(sheet, 1, j, word, header=True)
    for i, row in enumerate(rows, start=2):
        for j, cell in enumerate(row, start=1):
            if isinstance(cell, tuple):
                put(sheet, i, j, cell[0], form=number_format(*cell))
            elif isinstance(cell, float):
                put(sheet, i, j, cell, form=number_format(cell))
            else:
                put(sheet, i, j, cell)
    widen(sheet)


def _results(balance: Balance) -> Iterable[tuple[str, Sequence[str], Iterable[_Row]]]:
    test = balance.global_test
    wrong = {e[1:]: p for e, p in balance.findings.probabilities if e.kind == "measurement"}
    facts: list[_Row] = [
        ("title", balance.survey.title),
        *(() if balance.converged else (("NO BALANCE", NOT_A_BALANCE),)),
        *counts(balance),
        ("agreement", verdict(balance)),
        *(("recovery", sentence) for sentence in recovery_sentences(balance)),
        ("converged", balance.converged),
        ("status", balance.status),
        ("iterations", balance.iterations),
        ("objective (chi-square)", balance.objective),
        ("degrees of freedom", test.dof),
        ("p", test.p),
        ("largest relative imbalance", balance.max_imbalance),
        ("", f"{SD_LEGEND} {CAUTION}"),
    ]
    yield "summary", ("", ""), facts
    yield (
        "values",
        ("stream", "quantity", "unit", "measured", "sd", "adjusted", "adjusted sd", "adjustment",
         "standardised", "class", "redundancy", "detectable error", "probability wrong",
         "at bound", "error from", "note"),
        [
            (v.stream, v.quantity, v.unit, (v.measured, v.sd), (v.sd, v.sd),
             (v.adjusted, v.adjusted_sd), (v.adjusted_sd, v.adjusted_sd),
             (v.adjustment, v.sd), (v.standardised, 0.1), v.value_class.value,
             (v.redundancy, 0.01), (v.detectable_error, v.sd),
             (wrong.get((v.stream, v.quantity)), 0.001), v.at_bound or None,
             v.error_source, v.note)
            for v in balance.values
        ],
    )  # fmt: skip
    yield (
        "recoveries",
        ("stream", "analyte", "of", "recovery [%]", "sd", "product"),
        [(r.stream, r.analyte, r.of, (r.recovery, r.sd), (r.sd, r.sd), r.product)
         for r in balance.recoveries],
    )  # fmt: skip
    names = [a.name for a in balance.survey.analytes]
    yield (
        "separations",
        ("stream", "of", "yield [%]", "sd", "ratio of concentration", "sd",
         *(word for name in names for word in (f"enrichment {name}", "sd"))),
        [
            (s.stream, s.of, (s.yield_percent, s.yield_sd), (s.yield_sd, s.yield_sd),
             (s.ratio_of_concentration, s.ratio_sd), (s.ratio_sd, s.ratio_sd),
             *(cell for name in names for cell in _pair(s.enrichment[name])))
            for s in balance.separations
        ],
    )  # fmt: skip
    yield (
        "closures",
        ("node", "quantity", "unit", "in", "out", "in - out", "sd expected", "z"),
        [(c.node, c.quantity, c.unit, (c.inflow, c.sd), (c.outflow, c.sd), (c.imbalance, c.sd),
          (c.sd, c.sd), (c.z, 0.1)) for c in balance.closures],
    )  # fmt: skip
    yield (
        "heads",
        ("stream", "analyte", "unit", "calculated", "sd", "assayed", "sd", "z", "adjusted", "sd"),
        [(h.stream, h.analyte, h.unit, (h.calculated, h.calculated_sd),
          (h.calculated_sd, h.calculated_sd), (h.assayed, h.assayed_sd),
          (h.assayed_sd, h.assayed_sd), (h.z, 0.1), (h.adjusted, h.adjusted_sd),
          (h.adjusted_sd, h.adjusted_sd)) for h in balance.heads],
    )  # fmt: skip
    yield (
        "formulas",
        ("stream", "analyte", "formula", "recovery [%]", "sd", "balance [%]", "sd"),
        [(f.stream, f.analyte, f.formula, (f.recovery, f.sd), (f.sd, f.sd),
          (f.reconciled, f.reconciled_sd), (f.reconciled_sd, f.reconciled_sd))
         for f in balance.formulas],
    )  # fmt: skip
    yield from size_sheets(balance)
    yield from finding_sheets(balance)
    yield "notes", ("note",), [(note,) for note in balance.notes]


def _pair(pair: tuple[float, float] | None) -> tuple[_Cell, _Cell]:
    return ((None, None), (None, None)) if pair is None else (pair, (pair[1], pair[1]))


def _inputs(balance: Balance) -> Iterable[tuple[str, Sequence[str], Iterable[_Row]]]:
    """Yield the sheets of a case, the measurements in long form."""
    circuit, survey = balance.circuit, balance.survey
    yield (
        "circuit",
        ("stream", "from", "to"),
        [(s.name, s.source or "", s.target or "") for s in circuit.streams],
    )
    yield "nodes", ("node", "kind"), [(n.name, n.kind.value) for n in circuit.nodes]
    yield (
        "analytes",
        ("analyte", "unit", "max", "detection"),
        [
            (a.name, a.unit.symbol, a.unit.from_base(a.maximum),
             None if a.detection is None
             else f"{a.unit.from_base(a.detection):.15g} {a.unit.symbol}")
            for a in survey.analytes
        ],
    )  # fmt: skip
    yield (
        "report",
        ("key", "value"),
        [
            ("title", survey.title),
            ("basis", survey.basis.value),
            ("feed", balance.feed),
            *(("product", p) for p in balance.products),
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
    yield (
        "measurements",
        ("stream", "quantity", "value", "unit", "error", "error unit", "note"),
        [row for row in rows.values() if row[1] not in classes],
    )
    yield from size_data_sheet(survey, rows)


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
