"""Error budgets as tables: what stated errors are made of, and what recoveries owe to each."""

from __future__ import annotations

from math import isfinite

from oretally.flowsheet import ErrorPart, Measurement
from oretally.flowsheet.digits import DASH, chance_percent, format_with_sd
from oretally.flowsheet.survey import STATED, effective_dof
from oretally.io.wording.tables import ResultTable
from oretally.recon.result import Balance, ErrorShare

__all__ = ["error_part_table", "recovery_budget_table"]

_TOLD = 3  # sources named for one recovery
_LITTLE = 0.01  # share of a variance below which a source is not named


def error_part_table(balance: Balance) -> ResultTable:
    """Return what the stated errors are made of; no rows if each has one part only."""
    rows = []
    for m in balance.survey.measurements:
        if len(m.parts) > 1:
            whole = format_with_sd(m.value, m.sd)[1]
            rows.append([m.stream, f"{m.quantity} [{m.unit}]", whole, _made_of(m)])
    header = ["stream", "quantity", "±", "share of its variance"]
    return ResultTable("What the stated errors are made of", header, rows, 2, 1)


def _made_of(m: Measurement) -> str:
    def words(part: ErrorPart) -> str:
        shared = " (shared)" if part.shared else ""
        return f"{part.source}{shared} {chance_percent((part.sd / m.sd) ** 2)} %"

    text = ", ".join(words(p) for p in sorted(m.parts, key=lambda p: -p.sd))
    dof = effective_dof(m.parts)
    return f"{text}; {dof:.0f} degrees of freedom" if isfinite(dof) else text


def recovery_budget_table(balance: Balance) -> ResultTable:
    """Return what the uncertainty of each recovery that has one comes from: the largest shares."""
    rows = []
    for b in balance.budgets:
        r = balance.recovery(b.stream, b.analyte)
        told = format_with_sd(r.recovery, r.sd)
        if told[1] == DASH:  # nothing is known, or nothing could be otherwise
            continue
        large = [s for s in b.shares[:_TOLD] if s.share >= _LITTLE]
        text = "; ".join(f"{_name(s)} {chance_percent(s.share)} %" for s in large)
        rows.append([b.stream, b.analyte, *told, text])
    header = ["stream", "analyte", "recovery [%]", "±", "share of its variance"]
    return ResultTable("What the ± of the recoveries comes from", header, rows, 2, 1)


def _name(share: ErrorShare) -> str:
    """Return a source in a few words."""
    if share.shared:
        return f"{share.source} (shared, {share.quantity})"
    what = f"{share.quantity} of '{share.stream}'"
    return what if share.source == STATED else f"{share.source}, {what}"
