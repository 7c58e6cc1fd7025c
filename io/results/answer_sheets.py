"""Values and answers as sheets of the result workbook; where there is no balance, values alone."""

from __future__ import annotations

from collections.abc import Iterable

from oretally.io.files import Sheet, SheetTable, with_sd
from oretally.io.timed import timed_sheets
from oretally.io.wording import amount_sheet, curve_caption, leach_and_stock_sheets
from oretally.recon.result import Balance, CalculatedHead, GradeRecovery

__all__ = ["RECOVERIES", "answer_sheets", "closure_sheet", "measured_sheets"]

RECOVERIES = "recoveries"
"""The sheet that has the curves of grade against recovery."""
_LITTLE = 0.01  # share of a variance below which a source is left out
_MOST_SOURCES = 10  # of one recovery


def answer_sheets(balance: Balance) -> Iterable[Sheet]:
    """Yield values; recoveries with all that goes with them; leaches and stocks where present."""
    yield "values", [_values(balance)]
    curves = [_curve(curve) for curve in balance.losses.curves]
    yield RECOVERIES, [_recoveries(balance), _separations(balance), amount_sheet(balance), *curves,
                       _budgets(balance)]  # fmt: skip
    yield "over time", list(timed_sheets(balance))
    yield "leach and stocks", list(leach_and_stock_sheets(balance))


def closure_sheet(balance: Balance) -> Sheet:
    """Return closures, heads and textbook formulas."""
    header = ("stream", "analyte", "unit", "calculated", "sd", "assayed", "sd", "z", "adjusted",
              "sd")  # fmt: skip
    heads = [(h.stream, *_head(h), *with_sd(h.adjusted, h.adjusted_sd)) for h in balance.heads]
    formulas = [
        (f.stream, f.analyte, f.formula, *with_sd(f.recovery, f.sd),
         *with_sd(f.reconciled, f.reconciled_sd))
        for f in balance.formulas
    ]  # fmt: skip
    return "closures", [
        _closures(balance),
        ("Calculated head against assayed head", header, heads),
        ("Textbook recoveries beside the balance",
         ("stream", "analyte", "formula", "recovery [%]", "sd", "balance [%]", "sd"), formulas),
    ]  # fmt: skip


def measured_sheets(balance: Balance) -> Iterable[Sheet]:
    """Yield what was measured and how it closes."""
    header = ("stream", "quantity", "unit", "measured", "sd", "error from", "note")
    rows = [(v.stream, v.quantity, v.unit, *with_sd(v.measured, v.sd), v.error_source, v.note)
            for v in balance.values if v.measured is not None]  # fmt: skip
    yield "values", [("", header, rows)]
    header = ("analyte", "unit", "calculated", "sd", "assayed", "sd", "z")
    heads = ("Calculated head against assayed head", header, [_head(h) for h in balance.heads])
    yield "closures", [_closures(balance), heads]


def _recoveries(balance: Balance) -> SheetTable:
    header = ("stream", "analyte", "of", "recovery [%]", "sd", "product", "at most [%]",
              "at least [%]")  # fmt: skip
    rows = [(r.stream, r.analyte, r.of, *with_sd(r.recovery, r.sd), r.product, r.at_most,
             r.at_least) for r in balance.recoveries]  # fmt: skip
    return "Recovery and distribution", header, rows


def _curve(curve: GradeRecovery) -> SheetTable:
    header = ("products together", "mass pull [%]", "sd", f"{curve.analyte} [{curve.unit}]", "sd",
              "recovery [%]", "sd")  # fmt: skip
    rows = [
        (f"{'' if i == 0 else '+ '}{p.stream}", *with_sd(*p.mass_pull), *with_sd(*p.grade),
         *with_sd(*p.recovery))
        for i, p in enumerate(curve.points)
    ]  # fmt: skip
    return curve_caption(curve), header, rows


def _budgets(balance: Balance) -> SheetTable:
    """Return the sources of each recovery's error with 1 % of its variance, ten at the most."""
    header = ("stream", "analyte", "sd [%]", "error from", "of stream", "quantity",
              "share of its variance [%]")  # fmt: skip
    rows = [
        (b.stream, b.analyte, (b.sd, b.sd), s.source, s.stream or "shared", s.quantity,
         (100.0 * s.share, 10.0))
        for b in balance.budgets
        for s in b.first(_MOST_SOURCES)
        if s.share >= _LITTLE
    ]  # fmt: skip
    return "What the sd of the recoveries comes from, the largest shares", header, rows


def _values(balance: Balance) -> SheetTable:
    wrong = {e[1:]: p for e, p in balance.gross_errors.probabilities if e.kind == "measurement"}
    header = ("stream", "quantity", "unit", "measured", "sd", "adjusted", "adjusted sd",
              "adjustment", "standardised", "class", "redundancy", "detectable error",
              "probability wrong", "at bound", "error from", "note")  # fmt: skip
    rows = [
        (v.stream, v.quantity, v.unit, *with_sd(v.measured, v.sd),
         *with_sd(v.adjusted, v.adjusted_sd), (v.adjustment, v.sd), (v.standardised, 0.1),
         v.value_class.value, (v.redundancy, 0.01), (v.detectable_error, v.sd),
         (wrong.get((v.stream, v.quantity)), 0.001), v.at_bound or None, v.error_source, v.note)
        for v in balance.values
    ]  # fmt: skip
    return "", header, rows


def _separations(balance: Balance) -> SheetTable:
    names = [a.name for a in balance.survey.analytes]
    header = ("stream", "of", "yield [%]", "sd", "ratio of concentration", "sd",
              *(word for name in names for word in (f"enrichment {name}", "sd")))  # fmt: skip
    rows = [
        (s.stream, s.of, *with_sd(s.yield_percent, s.yield_sd),
         *with_sd(s.ratio_of_concentration, s.ratio_sd),
         *(cell for name in names for cell in with_sd(*(s.enrichment[name] or (None, None)))))
        for s in balance.separations
    ]  # fmt: skip
    return f"Products against '{balance.feed}'", header, rows


def _closures(balance: Balance) -> SheetTable:
    header = ("node", "quantity", "unit", "in", "out", "in - out", "sd expected", "z")
    rows = [
        (c.node, c.quantity, c.unit, (c.inflow, c.sd), (c.outflow, c.sd),
         *with_sd(c.imbalance, c.sd), (c.z, 0.1))
        for c in balance.closures
    ]  # fmt: skip
    return "Closures as measured, in minus out", header, rows


def _head(h: CalculatedHead) -> tuple[object, ...]:
    return (h.analyte, h.unit, *with_sd(h.calculated, h.calculated_sd),
            *with_sd(h.assayed, h.assayed_sd), (h.z, 0.1))  # fmt: skip
