"""The tables of a period."""

from __future__ import annotations

from collections.abc import Iterator

from oretally.flowsheet.digits import (
    DASH,
    chance_percent,
    format_chi_square,
    format_number,
    format_p,
    format_with_sd,
)
from oretally.io.periods.words import share_name
from oretally.io.wording import ResultTable
from oretally.recon.periods import (
    CLOSING_STOCK,
    FED,
    LOST,
    OPENING_STOCK,
    PRODUCED,
    STOCK_CHANGE,
    Period,
    PeriodAmount,
    PeriodPart,
    PeriodRecovery,
    PeriodSuspect,
)

__all__ = [
    "budget_table",
    "part_table",
    "period_amounts",
    "period_recoveries",
    "screen_table",
    "survey_table",
    "suspects_table",
    "unaccounted_table",
]

_SIDES = (
    "Check-in: the sum of what was measured, survey by survey, as given. Check-out: the sum of the "
    "balance of all surveys together. Nothing that was measured was changed.",
    "± apart: what the ± would be if no survey shared an error with another.",
)
_STOCK = (OPENING_STOCK, CLOSING_STOCK, STOCK_CHANGE)
_TOLD = 3  # sources of one answer


def screen_table(found: Period, quantity: str) -> list[tuple[str, str, str]]:
    """Return item, check-in and check-out of one quantity, with a header that has its unit."""
    rows = [a for a in found.whole.amounts if a.quantity == quantity]
    several = {a.item for a in rows if sum(b.item == a.item for b in rows) > 1}
    unit = rows[0].unit if rows else ""
    lines = [(f"{quantity} [{unit}]", "check-in", "check-out")]
    for a in rows:
        name = f"{a.item}, {a.where}" if a.item in several or a.item in _STOCK else a.item
        missing = len(a.not_in) if a.item not in _STOCK else 0
        given = _with(a.check_in, a.check_in_sd)
        if missing and a.check_in is not None:
            given += f" ({len(found.shifts) - missing} of {len(found.shifts)})"
        lines.append((name, given, _with(a.check_out, a.check_out_sd)))
    return lines


def _with(value: float | None, sd: float | None) -> str:
    return DASH if value is None else " ± ".join(format_with_sd(value, sd))


def _sd(value: float | None, sd: float | None) -> str:
    return DASH if sd is None else format_with_sd(value, sd)[1]


def period_amounts(found: Period) -> ResultTable:
    """Return all amounts, as measured and as balanced."""
    rows = [_amount(a, len(found.shifts)) for a in found.whole.amounts]
    ounces = any(a.ounces for a in found.whole.amounts)
    header = ["", "where", "of", "check-in", "±", "surveys", "check-out", "±", "surveys", "± apart"]
    header += ["ozt", "±"] if ounces else []
    return ResultTable(
        "Fed, produced, lost, in stock", header,
        rows if ounces else [row[:-2] for row in rows], 3, legend=_SIDES,
    )  # fmt: skip


def _amount(a: PeriodAmount, n: int) -> list[str]:
    stock = a.item in _STOCK
    times = a.ounces or 0.0
    known = a.ounces is not None and a.check_out is not None and a.check_out_sd is not None
    ounces = format_with_sd(times * (a.check_out or 0.0), times * (a.check_out_sd or 0.0))
    return [
        a.item, a.where, f"{a.quantity} [{a.unit}]",
        *format_with_sd(a.check_in, a.check_in_sd), DASH if stock else str(n - len(a.not_in)),
        *format_with_sd(a.check_out, a.check_out_sd), DASH if stock else str(n - len(a.not_out)),
        _sd(a.check_out, a.apart_sd), *(ounces if known else (DASH, DASH)),
    ]  # fmt: skip


def period_recoveries(found: Period) -> ResultTable:
    """Return the recoveries of the whole period."""
    n = len(found.shifts)
    rows = [
        [r.stream, r.analyte, *format_with_sd(r.check_in, r.check_in_sd), str(n - len(r.not_in)),
         *format_with_sd(r.check_out, r.check_out_sd), str(n - len(r.not_out)),
         _sd(r.check_out, r.apart_sd)]
        for r in found.whole.recoveries
    ]  # fmt: skip
    header = ["stream", "analyte", "check-in [%]", "±", "surveys", "check-out [%]", "±", "surveys",
              "± apart"]  # fmt: skip
    fed = " and ".join(f"'{name}'" for name in found.feeds)
    return ResultTable(f"Recoveries, of what was in {fed}", header, rows, 2, legend=_SIDES)


def suspects_table(found: Period) -> ResultTable:
    """Return the numbers that may be the wrong one."""
    rows = [
        [s.label, s.stream, f"{s.quantity} [{s.unit}]", chance_percent(s.probability),
         format_number(s.measured), *format_with_sd(s.meant, s.meant_sd),
         DASH if s.fits is None else format_number(s.fits), format_p(s.test.p), _usual(s), s.slip]
        for s in found.suspects
    ]  # fmt: skip
    legend = (
        "If one number alone is wrong. The others say: the balance of all surveys without it. p of "
        "the rest: how often chance makes all other numbers disagree as much. Elsewhere: the same "
        "number in other surveys of the campaign.",
    )
    header = ["survey", "stream", "quantity", "%", "measured", "the others say", "±", "then it is",
              "p of the rest", "elsewhere", "a slip?"]  # fmt: skip
    return ResultTable("Likeliest wrong", header, rows, 3, 2, legend=legend, wraps=True)


def _usual(s: PeriodSuspect) -> str:
    if s.usual is None:
        return DASH
    n, low, high = s.usual
    return f"{format_number(low)}" if n == 1 else (
        f"{format_number(low)} to {format_number(high)} ({n})")  # fmt: skip


def part_table(found: Period, analyte: str) -> ResultTable:
    """Return what each day, week or month made of one analyte, as balanced."""
    rows = [[*_part(part, analyte)] for part in (*found.parts, found.whole)]
    unit = next((a.unit for a in found.whole.amounts if a.quantity == analyte), "")
    header = ["", "surveys", f"fed [{unit}]", "±", f"produced [{unit}]", "±", "recovery [%]", "±"]
    own = {a.unit for p in (*found.parts, found.whole) for a in p.amounts if a.quantity == analyte}
    if len(own) > 1:
        header[2], header[4] = "fed", "produced"
    return ResultTable(f"{analyte}, period by period (check-out)", header, rows, 1)


def _part(part: PeriodPart, analyte: str) -> Iterator[str]:
    yield part.name
    yield str(len(part.labels))
    for item in (FED, PRODUCED):
        own = [a for a in part.amounts if a.item == item and a.quantity == analyte]
        yield from format_with_sd(own[0].check_out, own[0].check_out_sd) if len(own) == 1 else (
            DASH, DASH)  # fmt: skip
    kept = [r for r in part.recoveries if r.kept and r.analyte == analyte]
    yield from format_with_sd(kept[0].check_out, kept[0].check_out_sd) if kept else (DASH, DASH)


def unaccounted_table(found: Period) -> ResultTable:
    """Return what is unaccounted for."""
    rows = []
    for u in found.unaccounted:
        word = {True: "yes", False: "no", None: "not known"}[u.explained]
        rows.append([u.where, f"{u.quantity} [{u.unit}]" if u.amount is not None else u.quantity,
                     *format_with_sd(u.amount, u.sd), format_number(u.share, 2), word])  # fmt: skip
    header = ["where", "of", "unaccounted for", "±", "% of what went in", "errors explain it"]
    legend = ("What went in, less what came out and what the stock grew by, as measured. Above 0 "
              "something is missing.",)  # fmt: skip
    return ResultTable("Unaccounted for, as measured", header, rows, 2, 1, legend=legend)


def budget_table(found: Period) -> ResultTable:
    """Return where the ± of recoveries and amounts comes from."""
    rows = []
    answers: list[tuple[str, PeriodRecovery | PeriodAmount]] = [
        *((f"recovery of {r.analyte} to {r.stream} [%]", r) for r in found.whole.recoveries),
        *((f"{a.quantity} {a.item}, {a.where} [{a.unit}]", a) for a in found.whole.amounts
          if a.item in (FED, PRODUCED, LOST)),
    ]  # fmt: skip
    for name, answer in answers:
        if answer.shares:
            told = "; ".join(
                f"{share_name(s)} {100.0 * s.share:.0f} %" for s in answer.shares[:_TOLD]
                if s.share >= 0.01
            )  # fmt: skip
            rows.append([name, _sd(answer.check_out, answer.check_out_sd),
                         _sd(answer.check_out, answer.apart_sd), told])  # fmt: skip
    header = ["", "±", "± apart", "share of its variance"]
    return ResultTable("What the ± comes from", header, rows, 1, 1, legend=_SIDES[1:], wraps=True)


def survey_table(found: Period) -> ResultTable:
    """Return the surveys, each balanced by itself, and those left out."""
    rows = [
        [s.label, f"{s.time:%Y-%m-%d %H:%M}", format_chi_square(s.test.statistic), str(s.test.dof),
         format_p(s.test.p), "does not agree" if s.doubtful else ""]
        for s in found.shifts
    ]  # fmt: skip
    rows += [[x.label, "", DASH, DASH, DASH, f"left out: {x.reason}"] for x in found.left_out]
    header = ["survey", "time", "chi-square", "checks", "p", ""]
    return ResultTable("The surveys, each by itself", header, rows, 2, 1, wraps=True)
