"""Tables of a test over time: by each time, the curves, selectivity."""

from __future__ import annotations

from collections.abc import Iterator

from oretally.flowsheet.digits import (
    DASH,
    format_chi_square,
    format_number,
    format_p,
    format_with_sd,
)
from oretally.io.wording import ResultTable
from oretally.recon.result import Estimate, TimedProducts

__all__ = ["course_tables", "curve_table", "parameter_table", "selectivity_table"]

_RECOVERY = (
    "All products up to a time together; ± goes with what they share. The curves are fitted to "
    "these numbers."
)
_CURVES = (
    "First order with a plateau: P (1 - exp(-k t)) (Garcia Zuniga 1935). Rectangular distribution: "
    "all rates from 0 to k alike (Klimpel 1980), so k is the fastest. Two components: a fast share "
    "and a slow rest, all of it in the end (Kelsall 1961).",
    "p: chance of a worse misfit by the stated errors alone; below 0.05 the curve does not hold. "
    "Weight: by AICc, of these curves. 95 %: where chi-square rises by 3.84; open where nothing "
    "bounds it.",
)


def course_tables(timed: TimedProducts) -> Iterator[ResultTable]:
    """Yield recoveries and grades by each time."""
    first = [[f"{t:g}", name] for t, name in zip(timed.times, timed.streams, strict=True)]
    header = [f"time [{timed.unit}]", "up to"]
    rows = [[*row] for row in first]
    titles = [*header]
    for q in timed.quantities:
        titles += ["mass pull [%]" if q.is_mass else f"{q.quantity} [%]", "±"]
        for row, x in zip(rows, q.recovery, strict=True):
            row += _pair(x)
    yield ResultTable("Recovered by each time", titles, rows, 2, legend=(_RECOVERY,))
    rows, titles = [[*row] for row in first], [*header]
    for q in timed.quantities:
        if q.is_mass:
            continue
        titles += [f"{q.quantity} [{q.unit}]", "±"]
        for row, x in zip(rows, q.grade, strict=True):
            row += _pair(x)
    if len(titles) > len(header):
        yield ResultTable("Grade of all products up to each time", titles, rows, 2)


def curve_table(timed: TimedProducts) -> ResultTable:
    """Return how well each curve explains each analyte, the preferred first."""
    rows = []
    for q in timed.quantities:
        for i, c in enumerate(q.curves):
            rows.append([
                q.quantity if i == 0 else "", c.model.value,
                format_chi_square(c.chi_square) if c.chi_square is not None else DASH,
                str(c.dof) if c.determined else DASH, format_p(c.p),
                DASH if c.aicc is None else f"{c.aicc:.1f}",
                DASH if c.weight is None else f"{c.weight:.2f}",
            ])  # fmt: skip
    header = ["analyte", "curve", "chi-square", "dof", "p", "AICc", "weight"]
    told = [(q.quantity, c) for q in timed.quantities for c in q.curves if c.reason]
    below = [f"{name}, {c.model.value}: {c.reason}" for name, c in told]
    return ResultTable("Which curve holds", header, rows, 2, below=below, legend=_CURVES)


def parameter_table(timed: TimedProducts) -> ResultTable:
    """Return rate, plateau and shares of each curve that is determined."""
    rows = []
    for q in timed.quantities:
        for c in (c for c in q.curves if c.determined):
            for i, p in enumerate(c.parameters):
                unit = f"per {p.unit[2:]}" if p.unit.startswith("1/") else p.unit
                told = _pair((p.value, p.sd) if p.value is not None and p.sd is not None else None)
                told = told if p.sd is not None else (format_number(p.value, 4), DASH)
                apart = [None, *c.correlation[i][:i]]
                rows.append([
                    q.quantity if c is q.curves[0] and i == 0 else "",
                    c.model.value if i == 0 else "", f"{p.name} [{unit}]", *told,
                    *(DASH if x is None else format_number(x, 4) for x in (p.low, p.high)),
                    ", ".join(f"{x:+.2f}" for x in apart if x is not None) or DASH,
                ])  # fmt: skip
    header = ["analyte", "curve", "", "value", "±", "95 % from", "to", "correlation"]
    below = ("Correlation: with the parameters above it, in their order.",) if rows else ()
    return ResultTable("Rates and plateaus", header, rows, 3, below=below)


def selectivity_table(timed: TimedProducts) -> ResultTable:
    """Return Gaudin's index of the first analyte against the others by each time."""
    rows = [[f"{t:g}"] for t in timed.times]
    header, below = [f"time [{timed.unit}]"], list[str]()
    for s in timed.selectivities:
        header += [f"{s.analyte} over {s.other}", "±"]
        for row, x in zip(rows, s.index, strict=True):
            row += _pair(x)
        if s.rate_ratio is not None:
            ratio, by = format_with_sd(*s.rate_ratio)
            below.append(
                f"Rate of {s.analyte} over that of {s.other}, first order: {ratio} ± {by}."
            )
    legend = ("Gaudin's index, root of R (1 - r) / (r (1 - R)); 1: recovered alike.",)
    caption = "Selectivity by each time"
    return ResultTable(caption, header, rows if len(header) > 1 else [], 1, below=tuple(below),
                       legend=legend)  # fmt: skip


def _pair(found: Estimate | None) -> tuple[str, str]:
    return format_with_sd(*(found or (None, None)))
