"""Trends and biases of a campaign: what is told of them; one screen, all as text, page, PDF."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from oretally.io.campaign_views.bias_words import (
    bias_tables,
    bias_verdict,
    error_sentences,
    left_out_sentences,
    limits_of_sight,
    one_time_sentences,
    other_sentences,
    place_words,
)
from oretally.io.campaign_views.charts import cusum_svg, trend_svg
from oretally.io.campaign_views.document import bias_json, trend_json
from oretally.io.campaign_views.trend_words import (
    CampaignTrends,
    disagreeing_sentences,
    few_surveys_table,
    kind_sentences,
    kind_table,
    outlying_sentences,
    series_sentence,
    trend_sentences,
    trend_table,
    unused_sentences,
)
from oretally.io.campaign_views.workbooks import bias_workbook, trend_workbook
from oretally.io.report import (
    Block,
    Items,
    Lead,
    Paragraphs,
    Picture,
    Section,
    first_screen,
    narrow,
    page,
    with_file_named,
)
from oretally.io.results import sections_pdf
from oretally.io.wording import PIPE, SD_LEGEND, ResultTable, wrapped
from oretally.recon.persistent_bias import CampaignBias, CusumRow

__all__ = [
    "CampaignReport", "CampaignView", "Chart", "bias_report", "bias_view", "trend_report",
    "trend_view",
]  # fmt: skip

_WHERE = "All figures: add --full. Charts: add --html FILE."
_SAME_ERRORS = (
    "Surveys are taken as independent but for what the sources of error that they name have in "
    "common, and for what neighbours have; what all of them share besides is in no ±."
)
_TREND_CAPTION = (
    "Dots with one sd; thick line: level; dashed: three sd; thin line: moving average; rings: "
    "a rule of the chart is broken."
)
_CUSUM_CAPTION = "Up: reads high; down: reads low; dashed: the limit; ring: the first signal."
_CHARTS = 12  # of cumulative sums


@dataclass(frozen=True, slots=True)
class Chart:
    """One series over time.

    Attributes
    ----------
    name : str
    said : str
        In one sentence; empty if nothing is said of it.
    stands_out : bool
        Whether it has changed, or is off.
    picture : Picture
    """

    name: str
    said: str
    stands_out: bool
    picture: Picture


@dataclass(frozen=True, slots=True)
class CampaignView:
    """What is told of a campaign over time, free of any format.

    Attributes
    ----------
    lead, told, notes : tuple of str
        Sentences: what is read first, what comes next, what was not used and why.
    charts : tuple of Chart
    tables : tuple of ResultTable
        All figures.
    closing : tuple of str
        What explains the figures.
    brief : tuple of ResultTable
        Figures of a few surveys, for a first screen.
    """

    lead: tuple[str, ...]
    told: tuple[str, ...]
    notes: tuple[str, ...]
    charts: tuple[Chart, ...]
    tables: tuple[ResultTable, ...]
    closing: tuple[str, ...] = ()
    brief: tuple[ResultTable, ...] = ()


def trend_view(found: CampaignTrends) -> CampaignView:
    """Return what is told of answers over time."""
    charts = tuple(
        Chart(t.series.name, series_sentence(t), t.change is not None,
              Picture(trend_svg(t), _TREND_CAPTION))
        for t in found.trends
    )  # fmt: skip
    tables = (trend_table(found), *((kind_table(found),) if found.kinds else ()))
    few = few_surveys_table(found)
    told = (*disagreeing_sentences(found), *outlying_sentences(found), *kind_sentences(found))
    return CampaignView(
        tuple(with_file_named(text, found.file) for text in trend_sentences(found)),
        tuple(with_file_named(text, found.file) for text in told),
        (*unused_sentences(found.left_out), *found.notes), charts, tables, (_SAME_ERRORS,),
        () if few is None else (few,),
    )  # fmt: skip


def bias_view(found: CampaignBias) -> CampaignView:
    """Return what is told of errors that stay."""
    others = [s for b in found.biases for s in other_sentences(b)]
    named = {place for b in found.biases for place in (b.place, *(o.place for o in b.others))}
    rows = sorted(
        (r for r in found.cusums if r.place in named or r.sums.signal is not None),
        key=lambda r: r.place not in named,
    )

    def chart(row: CusumRow) -> Chart:
        name = place_words(row.place)
        return Chart(name, "", row.place in named,
                     Picture(cusum_svg(row, name, found.labels), _CUSUM_CAPTION))  # fmt: skip

    return CampaignView(
        (bias_verdict(found),), (*others, *error_sentences(found), *one_time_sentences(found)),
        (*limits_of_sight(found), *left_out_sentences(found)), tuple(map(chart, rows[:_CHARTS])),
        tuple(bias_tables(found)),
    )  # fmt: skip


@dataclass(frozen=True, eq=False)
class CampaignReport:
    """A campaign over time in every form; each is made when it is asked for.

    Attributes
    ----------
    heading : str
    view : CampaignView
    sections : tuple of Section
        Of page and PDF.
    json : callable
    workbook : callable
        Without a date: the same campaign gives the same bytes.
    """

    heading: str
    view: CampaignView
    sections: tuple[Section, ...]
    json: Callable[[], str]
    workbook: Callable[[], bytes]

    def text(self, *, full: bool = False) -> str:
        """Return plain text: one screen, or all."""
        return _text(self.view, full=full)

    def page(self) -> str:
        """Return one self-contained HTML document."""
        return page(self.heading, self.sections, about=self.heading, closing=SD_LEGEND)

    def pdf(self) -> bytes:
        """Return a PDF.

        Raises
        ------
        InputError
            If what sets it is not installed.
        """
        return sections_pdf(self.heading, self.sections)


def trend_report(found: CampaignTrends) -> CampaignReport:
    """Return the report on answers over time."""
    view = trend_view(found)
    charts = [Section("charts", c.name, (Paragraphs((c.said,)), c.picture)) for c in view.charts]
    return CampaignReport(
        f"Trends of {found.title}", view, _sections(view, Paragraphs(view.lead), charts),
        lambda: trend_json(found), lambda: trend_workbook(found),
    )  # fmt: skip


def bias_report(found: CampaignBias, title: str) -> CampaignReport:
    """Return the report on errors that stay in the campaign of a title."""
    view = bias_view(found)
    pictures = tuple(c.picture for c in view.charts)
    charts = [Section("charts", "Cumulative sums", pictures)] if pictures else []
    return CampaignReport(
        f"Errors that stay in {title}", view, _sections(view, Lead(view.lead), charts),
        lambda: bias_json(found, title), lambda: bias_workbook(found, title),
    )  # fmt: skip


def _text(view: CampaignView, *, full: bool) -> str:
    told = (*view.lead, *view.told)
    if full:
        lines = [line for sentence in (*told, *view.notes) for line in wrapped(sentence)]
        for table in view.tables:
            lines += [*PIPE.table(table), *(line for s in table.legend for line in wrapped(s))]
        lines += wrapped(" ".join((SD_LEGEND, *view.closing)))
        return "\n".join(lines) + "\n"
    whole = [line for sentence in told for line in narrow(sentence, rest="  ")]
    whole += [line for table in view.brief for line in PIPE.table(table)[:-1]]
    notes = [line for sentence in view.notes for line in narrow(sentence, "- ")]
    return first_screen([[*whole, *([""] if notes else []), *notes], whole], _WHERE)


def _sections(view: CampaignView, lead: Block, charts: Sequence[Section]) -> tuple[Section, ...]:
    lists = tuple(Items(some) for some in (view.told, view.notes) if some)
    figures = (*view.tables, *((Paragraphs(view.closing),) if view.closing else ()))
    return (Section("verdict", "", (lead, *lists)), *charts,
            Section("figures", "All figures", figures))  # fmt: skip
