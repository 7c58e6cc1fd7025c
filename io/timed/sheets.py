"""A test over time as tables of the result workbook."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from oretally.io.files import SheetTable, with_sd
from oretally.recon.result import Balance

__all__ = ["timed_sheets"]


def timed_sheets(balance: Balance) -> Iterable[SheetTable]:
    """Yield heading, header and rows: by each time, curves, selectivity; nothing without times."""
    timed = balance.timed
    if timed is None:
        return
    header: Sequence[str]
    at = f"time [{timed.unit}]"
    header = ("quantity", at, "up to", "recovery [%]", "sd", "grade", "sd", "unit")
    yield "By each time, all products up to it together", header, [
        (q.quantity, t, name, *with_sd(*(r or (None, None))), *with_sd(*(g or (None, None))),
         q.unit)
        for q in timed.quantities
        for t, name, r, g in zip(timed.times, timed.streams, q.recovery, q.grade, strict=True)
    ]  # fmt: skip
    header = ("analyte", "curve", "parameter", "unit", "value", "sd", "95 % from", "95 % to",
              "chi-square", "degrees of freedom", "p", "AICc", "weight", "note")  # fmt: skip
    yield "Curves, the preferred first", header, [
        (q.quantity, c.model.value, p.name, p.unit, *with_sd(p.value, p.sd), p.low, p.high,
         c.chi_square, c.dof, c.p, c.aicc, c.weight, c.reason)
        for q in timed.quantities for c in q.curves for p in c.parameters
    ]  # fmt: skip
    header = (at, "analyte", "over", "selectivity index", "sd")
    yield "Selectivity (Gaudin's index)", header, [
        (t, s.analyte, s.other, *with_sd(*(x or (None, None))))
        for s in timed.selectivities for t, x in zip(timed.times, s.index, strict=True)
    ]  # fmt: skip
    yield "What does not fit the course of the test", (
        "stream", "quantity", "measured", "expected", "unit", "likely [%]"
    ), [
        (s.stream, s.quantity, s.measured, s.expected, s.unit, 100.0 * s.probability)
        for s in timed.suspects
    ]  # fmt: skip
