"""A leach over time as tables of the result workbook."""

from __future__ import annotations

from collections.abc import Iterable

from oretally.io.files import Sheet, SheetTable, with_sd
from oretally.recon.result import Balance, Estimate

__all__ = ["EXTRACTION_SHEET", "REAGENTS_SHEET", "course_sheets"]

EXTRACTION_SHEET, REAGENTS_SHEET = "extraction over time", "reagents used"
_NONE = (None, None)


def course_sheets(balance: Balance) -> Iterable[Sheet]:
    """Yield the sheets of extraction against time and of reagents, where there are any."""
    tables, used = list[SheetTable](), list[SheetTable]()
    for c in balance.courses:
        header = (f"time [{c.unit}]", "solution [L]", "sd", "by solution [%]", "sd", "balance [%]",
                  "sd", "pH", "sd", "note")  # fmt: skip
        rows = [
            (p.time, *_both(p.solution), *_both(p.by_solution), *_both(p.reconciled), p.ph, p.ph_sd,
             p.note)
            for p in c.points
        ]  # fmt: skip
        tables.append((f"Extraction of {c.analyte} at {c.node} against time", header, rows))
        curves = [
            (str(k.model), p.name, p.unit, *with_sd(p.value, p.sd), p.low, p.high, k.chi_square,
             k.dof, k.p, k.weight, *_both(coming), k.reason)
            for k, coming in zip(c.curves, c.to_come, strict=True) for p in k.parameters
        ]  # fmt: skip
        of_curves = ("curve", "parameter", "unit", "value", "sd", "from", "to (95 %)", "chi-square",
                  "dof", "p", "weight", "still to come [%]", "sd", "what is not known")  # fmt: skip
        tables.append((f"Curves through the extraction of {c.analyte}", of_curves, curves))
    if tables:
        yield EXTRACTION_SHEET, tables
    for r in balance.reagents:
        of_use = (f"time [{r.unit}]", "read [g/L]", "sd", "put in [kg/t]", "sd", "left [kg/t]",
                  "sd", "in samples [kg/t]", "sd", "consumed [kg/t]", "sd")  # fmt: skip
        use = [
            (p.time, *(x for e in (p.strength, p.added, p.left, p.drawn_off, p.consumed)
                       for x in _both(e)))
            for p in r.points
        ]  # fmt: skip
        used.append((f"{r.reagent} at {r.node}, per dry ore", of_use, use))
    if used:
        yield REAGENTS_SHEET, used


def _both(found: Estimate | None) -> tuple[object, object]:
    return with_sd(*(found or _NONE))
