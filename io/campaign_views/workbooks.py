"""Trends and errors that stay as workbooks: numbers in cells, a sheet a subject."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from oretally.io.campaign_views.bias_words import (
    bias_verdict,
    error_sentences,
    left_out_sentences,
    one_time_sentences,
    other_sentences,
    place_words,
)
from oretally.io.campaign_views.trend_words import (
    CampaignTrends,
    kind_sentences,
    outlying_sentences,
    trend_sentences,
    unused_sentences,
)
from oretally.io.files import Sheet, SheetTable, sealed, write_tables
from oretally.io.wording import listed
from oretally.recon.persistent_bias import CampaignBias
from oretally.recon.trends import ChangeKind

__all__ = ["bias_workbook", "trend_workbook"]


def trend_workbook(found: CampaignTrends) -> bytes:
    """Return trends as a workbook; without a date: the same campaign gives the same bytes."""
    told = [*trend_sentences(found), *outlying_sentences(found), *kind_sentences(found),
            *unused_sentences(found.left_out), *found.notes]  # fmt: skip
    return _book(f"Trends of {found.title}", told, _trend_sheets(found))


def bias_workbook(found: CampaignBias, title: str) -> bytes:
    """Return errors that stay, and stated errors judged, as a workbook without a date."""
    told = [bias_verdict(found), *(s for b in found.biases for s in other_sentences(b)),
            *error_sentences(found), *one_time_sentences(found),
            *left_out_sentences(found)]  # fmt: skip
    return _book(f"Errors that stay in {title}", told, _bias_sheets(found))


def _book(title: str, told: Sequence[str], sheets: Iterator[Sheet]) -> bytes:
    import openpyxl

    book = openpyxl.Workbook()
    book.remove(book.worksheets[0])
    write_tables(book.create_sheet("summary"), [("", ("",), [(text,) for text in told])])
    for name, tables in sheets:
        if any(rows for _, _, rows in tables):
            write_tables(book.create_sheet(name), tables)
    return sealed(book, title)


def _trend_sheets(found: CampaignTrends) -> Iterator[Sheet]:
    rows = []
    for t in found.trends:
        change, signal = t.change, t.sums.signal
        size = (None, None) if change is None else change.size
        at = ""
        if change is not None:
            drifts = change.kind is ChangeKind.DRIFT
            at = "drift" if drifts else t.series.labels[change.index]
        rows.append(
            (t.series.name, len(t.series.value), *t.level, t.series.unit, t.scatter, *size, t.p, at,
             ", ".join(t.series.labels[i] for i in t.rules.broken),
             "" if signal is None else t.series.labels[signal])
        )  # fmt: skip
    yield "answers", [_table(
        "answer, surveys, level, ±, unit, scatter, change, ± of change, p, at, rules broken at, "
        "CUSUM signals at", rows,
    )]  # fmt: skip
    clock = next((t.series.clock for t in found.trends), "surveys")
    yield "values", [_table(
        f"answer, survey, time [{clock}], value, ±, unit, centre, ± about centre, moving average, "
        "CUSUM up, CUSUM down",
        [
            (t.series.name, label, time, value, sd, t.series.unit, *figures)
            for t in found.trends
            for label, time, value, sd, *figures in zip(
                t.series.labels, t.series.time, t.series.value, t.series.sd, t.centre.tolist(),
                t.limit.tolist(), (t.average.average + t.centre).tolist(), t.sums.up.tolist(),
                t.sums.down.tolist(), strict=True)
        ],
    )]  # fmt: skip


def _bias_sheets(found: CampaignBias) -> Iterator[Sheet]:
    rows: list[tuple[object, ...]] = []
    for b in found.biases:
        first, last = b.places
        rows.append(
            (place_words(b.place), "", b.form.value, *b.size, b.unit, b.p, b.n_surveys,
             found.labels[b.since], found.labels[first], found.labels[last],
             "" if b.until is None else found.labels[b.until])
        )  # fmt: skip
        rows += [
            (place_words(b.place), place_words(o.place), o.form.value, *o.size, o.unit)
            for o in b.others
        ]
    yield "errors that stay", [_table(
        "reading less truth, or as well, stays as, size, ±, unit, p, surveys, since, 95 % from, "
        "95 % to, until", rows,
    )]  # fmt: skip
    yield "stated errors", [_table(
        "stated error of, stated, found, unit, found / stated, ±, low, high, p, p of all, surveys",
        [
            (listed([place_words(p) for p in e.places]), e.stated, e.stated * e.factor, e.unit,
             e.factor, e.factor_sd, e.low, e.high, e.p, e.p_together, e.n_surveys)
            for e in found.errors
        ],
    )]  # fmt: skip
    yield "adjustments", [_table(
        "measurement, survey, standardised adjustment, CUSUM up, CUSUM down",
        [
            (place_words(row.place), found.labels[i], moved, up, down)
            for row in found.cusums
            for i, moved, up, down in zip(
                row.numbers, row.standardised, row.sums.up.tolist(), row.sums.down.tolist(),
                strict=True)
        ],
    )]  # fmt: skip
    yield "what would be found", [_table(
        "error in all surveys, at least, unit",
        [(place_words(place), size, unit) for place, size, unit in found.detectable],
    )]  # fmt: skip


def _table(header: str, rows: Sequence[tuple[object, ...]]) -> SheetTable:
    words = header.split(", ")
    return "", words, [(*row, *("",) * (len(words) - len(row))) for row in rows]
