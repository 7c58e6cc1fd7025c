"""Values and answers as sheets of the result workbook; where there is no balance, values alone."""

from __future__ import annotations

from collections.abc import Iterable

from oretally.io.files import Sheet, with_sd
from oretally.recon.result import Balance, CalculatedHead

__all__ = ["answer_sheets", "measured_sheets"]


def answer_sheets(balance: Balance) -> Iterable[Sheet]:
    """Yield values, recoveries, separations, closures, heads and textbook formulas."""
    yield _values(balance)
    yield (
        "recoveries",
        ("stream", "analyte", "of", "recovery [%]", "sd", "product", "at most [%]",
         "at least [%]"),
        [(r.stream, r.analyte, r.of, *with_sd(r.recovery, r.sd), r.product, r.at_most,
          r.at_least) for r in balance.recoveries],
    )  # fmt: skip
    yield _separations(balance)
    yield _closures(balance)
    yield (
        "heads",
        ("stream", "analyte", "unit", "calculated", "sd", "assayed", "sd", "z", "adjusted", "sd"),
        [(h.stream, *_head(h), *with_sd(h.adjusted, h.adjusted_sd)) for h in balance.heads],
    )
    yield (
        "formulas",
        ("stream", "analyte", "formula", "recovery [%]", "sd", "balance [%]", "sd"),
        [(f.stream, f.analyte, f.formula, *with_sd(f.recovery, f.sd),
          *with_sd(f.reconciled, f.reconciled_sd)) for f in balance.formulas],
    )  # fmt: skip


def measured_sheets(balance: Balance) -> Iterable[Sheet]:
    """Yield what was measured and how it closes."""
    yield (
        "values",
        ("stream", "quantity", "unit", "measured", "sd", "error from", "note"),
        [(v.stream, v.quantity, v.unit, *with_sd(v.measured, v.sd), v.error_source, v.note)
         for v in balance.values if v.measured is not None],
    )  # fmt: skip
    yield _closures(balance)
    header = ("analyte", "unit", "calculated", "sd", "assayed", "sd", "z")
    yield "heads", header, [_head(h) for h in balance.heads]


def _values(balance: Balance) -> Sheet:
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
    return "values", header, rows


def _separations(balance: Balance) -> Sheet:
    names = [a.name for a in balance.survey.analytes]
    header = ("stream", "of", "yield [%]", "sd", "ratio of concentration", "sd",
              *(word for name in names for word in (f"enrichment {name}", "sd")))  # fmt: skip
    rows = [
        (s.stream, s.of, *with_sd(s.yield_percent, s.yield_sd),
         *with_sd(s.ratio_of_concentration, s.ratio_sd),
         *(cell for name in names for cell in with_sd(*(s.enrichment[name] or (None, None)))))
        for s in balance.separations
    ]  # fmt: skip
    return "separations", header, rows


def _closures(balance: Balance) -> Sheet:
    header = ("node", "quantity", "unit", "in", "out", "in - out", "sd expected", "z")
    rows = [
        (c.node, c.quantity, c.unit, (c.inflow, c.sd), (c.outflow, c.sd),
         *with_sd(c.imbalance, c.sd), (c.z, 0.1))
        for c in balance.closures
    ]  # fmt: skip
    return "closures", header, rows


def _head(h: CalculatedHead) -> tuple[object, ...]:
    return (h.analyte, h.unit, *with_sd(h.calculated, h.calculated_sd),
            *with_sd(h.assayed, h.assayed_sd), (h.z, 0.1))  # fmt: skip
