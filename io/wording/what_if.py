"""What if: the answers as they are beside those with some numbers left out or added."""

from __future__ import annotations

from collections.abc import Sequence

from oretally.flowsheet.digits import DASH, format_with_sd
from oretally.io.files import SheetTable, with_sd
from oretally.io.wording.sentences import fit_words
from oretally.io.wording.tables import ResultTable
from oretally.recon.result import GlobalTest, ValueChange, WhatIf

__all__ = [
    "otherwise_sentences",
    "otherwise_sheet",
    "otherwise_tables",
]

_NOTEWORTHY = 0.1  # of the sd: a smaller change is not worth a row
_Row = Sequence[object]


def otherwise_sentences(found: WhatIf) -> tuple[str, ...]:
    """Return what was changed, and how well each balance fits."""
    listed = "; ".join(found.changes)
    changes = f"Beside the balance stands another one: {listed}."
    if found.test is None:
        return changes, f"No balance follows from that. {found.status}"
    if not found.recoveries and not found.values:
        return (f"As it is there is no balance; {listed} there is one: {_fit(found.test)}.",
                "Its answers follow once the case itself is changed.")  # fmt: skip
    return changes, f"As it is: {_fit(found.now)}. What if: {_fit(found.test)}."


def _fit(test: GlobalTest) -> str:
    return fit_words(test.statistic, test.dof, test.p)


def otherwise_tables(found: WhatIf, most: int | None = None) -> list[ResultTable]:
    """Return the recoveries and the values of interest, as they are and as they would be.

    Of interest are values whose measurement was changed, and those that move, or whose sd
    changes, by a tenth of the sd at least.

    Parameters
    ----------
    found : WhatIf
    most : int, optional
        Rows of values shown: those that were changed, then those that move the most.
    """
    if found.test is None or not (found.recoveries or found.values):
        return []
    header = ["stream", "analyte", "as it is [%]", "±", "what if [%]", "±", "difference"]
    rows = [
        [r.stream, r.analyte, *format_with_sd(r.recovery, r.sd),
         *format_with_sd(r.otherwise, r.otherwise_sd), _change(r.change, r.sd, r.otherwise_sd)]
        for r in found.recoveries
    ]  # fmt: skip
    tables = [ResultTable("What if: recoveries", header, rows, 2)]
    header = ["stream", "quantity", "as it is", "±", "what if", "±", "difference", ""]
    values = [v for v in found.values if v.changed or _moved(v) >= _NOTEWORTHY]
    caption = "What if: adjusted values that change"
    if most is not None and len(values) > most:
        first = sorted(values, key=lambda v: (not v.changed, -_moved(v)))[:most]
        caption += f" ({most} of {len(values)}, those that change the most)"
        values = [v for v in values if v in first]
    rows = [
        [v.stream, f"{v.quantity} [{v.unit}]", *format_with_sd(v.adjusted, v.sd),
         *format_with_sd(v.otherwise, v.otherwise_sd), _change(v.change, v.sd, v.otherwise_sd),
         "changed by you" if v.changed else ""]
        for v in values
    ]  # fmt: skip
    tables.append(ResultTable(caption, header, rows, 2, 1))
    return [table for table in tables if table.rows]


def _moved(v: ValueChange) -> float:
    """Return how far a value moves, or its sd changes, in units of the sd as it is."""
    if v.change is None or v.sd is None or v.otherwise_sd is None or v.sd == 0.0:
        return 0.0 if (v.adjusted, v.sd) == (v.otherwise, v.otherwise_sd) else float("inf")
    return max(abs(v.change), abs(v.otherwise_sd - v.sd)) / v.sd


def _change(change: float | None, *sds: float | None) -> str:
    """Return a difference with its sign and the digits that the smaller sd leaves meaning."""
    if change is None:
        return DASH
    known = [sd for sd in sds if sd is not None]
    text = format_with_sd(change, min(known) if known else None)[0]
    return f"+{text}" if change > 0.0 and text.strip("0.") else text


def otherwise_sheet(found: WhatIf) -> SheetTable:
    """Return title, header and rows of the sheet; a pair (value, sd) is shown with its digits."""
    rows: list[_Row] = [(sentence,) for sentence in otherwise_sentences(found)]
    rows += [
        (r.stream, f"recovery of {r.analyte}", "%", *with_sd(r.recovery, r.sd),
         *with_sd(r.otherwise, r.otherwise_sd), (r.change, r.sd))
        for r in found.recoveries
    ]  # fmt: skip
    rows += [
        (v.stream, v.quantity, v.unit, *with_sd(v.adjusted, v.sd),
         *with_sd(v.otherwise, v.otherwise_sd), (v.change, v.sd), v.changed or None)
        for v in found.values
    ]  # fmt: skip
    header = ("stream", "of", "unit", "as it is", "sd", "what if", "sd", "difference",
              "changed by you")  # fmt: skip
    return "what if", header, rows
