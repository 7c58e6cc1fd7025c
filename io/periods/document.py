"""A period as JSON, by the schema oretally.period/1, and as a workbook."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

from oretally.io.files import Sheet, sealed, write_tables
from oretally.io.json_rows import JsonRows, document_text, packaged_schema
from oretally.io.periods.words import (
    agreement_of,
    budget_sentences,
    far_sentences,
    notes_of_period,
    produced_sentence,
    recovered_sentence,
    share_name,
    stock_sentences,
    unaccounted_sentences,
    what_was_summed,
    wrong_number_sentences,
)
from oretally.recon.periods import Gap, Period, PeriodPart

__all__ = ["PERIOD_SCHEMA", "period_json", "period_schema", "period_workbook"]

PERIOD_SCHEMA = "oretally.period/1"
_rows = JsonRows({
    datetime: lambda time: time.isoformat(" ", "minutes"),
    timedelta: lambda time: time.total_seconds() / 3600.0,
    Gap: "before after begin end usual_hours=usual missing about",
})  # fmt: skip


def period_json(found: Period, title: str) -> str:
    """Return the period as JSON text; what is not known is null."""
    rows = _rows(found)
    del rows["persistent"]  # of that `campaign FILE bias --json` has the figures
    document: dict[str, Any] = {
        "schema": PERIOD_SCHEMA,
        "title": title,
        **rows,
        "summary": _summary(found),
        "notes": list(notes_of_period(found)),
    }
    return document_text(document) + "\n"


def period_schema() -> dict[str, Any]:
    """Return the JSON Schema of the document."""
    return packaged_schema("period")


def _summary(found: Period) -> list[str]:
    texts = [what_was_summed(found), agreement_of(found), *wrong_number_sentences(found),
             *far_sentences(found),
             recovered_sentence(found), produced_sentence(found), *stock_sentences(found),
             *unaccounted_sentences(found), *budget_sentences(found)]  # fmt: skip
    return [text for text in texts if text]


def period_workbook(found: Period, title: str) -> bytes:
    """Return the period as a workbook; no date: the same period gives the same bytes."""
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    for name, tables in _sheets(found):
        if any(rows for _, _, rows in tables):
            write_tables(book.create_sheet(name), tables)
    return sealed(book, f"{title}: {found.name}" if title else found.name)


def _sheets(found: Period) -> Iterable[Sheet]:
    yield (
        "summary",
        [("", ("",), [(text,) for text in (*_summary(found), *notes_of_period(found))])],
    )
    parts = (found.whole, *found.parts)
    yield "amounts", [("", (
        "period", "item", "where", "quantity", "unit", "check-in", "± check-in", "surveys in",
        "check-out", "± check-out", "surveys out", "± apart", "check-out [ozt]", "± [ozt]",
    ), [row for part in parts for row in _amounts(part)])]  # fmt: skip
    yield "recoveries", [("", (
        "period", "stream", "analyte", "kept", "check-in [%]", "± check-in", "surveys in",
        "check-out [%]", "± check-out", "surveys out", "± apart",
    ), [row for part in parts for row in _recoveries(part)])]  # fmt: skip
    yield "unaccounted", [("", ("where", "quantity", "unit", "unaccounted", "±",
                                "% of what went in", "errors explain it", "not measured"),
                           [(u.where, u.quantity, u.unit, u.amount, u.sd, u.share,
                             {True: "yes", False: "no", None: ""}[u.explained],
                             "; ".join(u.missing)) for u in found.unaccounted])]  # fmt: skip
    yield "variance", [("", ("answer", "source", "share of variance [%]", "shared by surveys"), [
        (name, share_name(s), 100.0 * s.share, "yes" if s.shared else "no")
        for name, shares in (
            *((f"recovery of {r.analyte} to {r.stream}", r.shares) for r in found.whole.recoveries),
            *((f"{a.quantity} {a.item}, {a.where}", a.shares) for a in found.whole.amounts),
        )
        for s in shares
    ])]  # fmt: skip
    yield "suspects", [("", (
        "survey", "stream", "quantity", "unit", "probability [%]", "measured", "the others say",
        "±", "other surveys", "least of them", "most of them", "slip", "then it is",
        "p of the rest",
    ), [(s.label, s.stream, s.quantity, s.unit, 100.0 * s.probability, s.measured, s.meant,
         s.meant_sd, *(s.usual or (None, None, None)), s.slip, s.fits, s.test.p)
        for s in found.suspects])]  # fmt: skip
    yield "surveys", [("", ("survey", "time", "chi-square", "checks", "p", "remark"), [
        *((s.label, f"{s.time:%Y-%m-%d %H:%M}", s.test.statistic, s.test.dof, s.test.p,
           "does not agree" if s.doubtful else "") for s in found.shifts),
        *((x.label, "", None, None, None, f"left out: {x.reason}") for x in found.left_out),
    ])]  # fmt: skip


def _amounts(part: PeriodPart) -> Iterable[tuple[object, ...]]:
    n = len(part.labels)
    for a in part.amounts:
        times = a.ounces if a.ounces is not None and a.check_out is not None else None
        yield (
            part.name, a.item, a.where, a.quantity, a.unit, a.check_in, a.check_in_sd,
            n - len(a.not_in), a.check_out, a.check_out_sd, n - len(a.not_out), a.apart_sd,
            None if times is None else times * (a.check_out or 0.0),
            None if times is None else times * (a.check_out_sd or 0.0),
        )  # fmt: skip


def _recoveries(part: PeriodPart) -> Iterable[tuple[object, ...]]:
    n = len(part.labels)
    for r in part.recoveries:
        yield (part.name, r.stream, r.analyte, "yes" if r.kept else "no", r.check_in, r.check_in_sd,
               n - len(r.not_in), r.check_out, r.check_out_sd, n - len(r.not_out),
               r.apart_sd)  # fmt: skip
