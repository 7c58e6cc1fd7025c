"""Trends and biases of a campaign: what is told of them; one screen, all as text, page, PDF."""

from __future__ import annotations

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
)
from oretally.io.results import sections_pdf
from oretally.io.wording import PIPE, SD_LEGEND, ResultTable, wrapped
from oretally.recon.persistent_bias import CampaignBias, CusumRow

__all__ = [
    "CampaignView",
    "Chart",
    "bias_page",
    "bias_pdf",
    "bias_text",
    "bias_view",
    "trend_page",
    "trend_pdf",
    "trend_text",
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
    return CampaignView(
        tuple(trend_sentences(found)),
        (*disagreeing_sentences(found), *outlying_sentences(found), *kind_sentences(found)),
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


def trend_text(found: CampaignTrends, *, full: bool = False) -> str:
    """Return trends as plain text: one screen, or all."""
    return _text(trend_view(found), full=full)


def bias_text(found: CampaignBias, *, full: bool = False) -> str:
    """Return errors that stay as plain text: one screen, or all."""
    return _text(bias_view(found), full=full)


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


def trend_page(found: CampaignTrends) -> str:
    """Return trends as one self-contained HTML document."""
    title = f"Trends of {found.title}"
    return page(title, _trend_sections(found), about=title, closing=SD_LEGEND)


def trend_pdf(found: CampaignTrends) -> bytes:
    """Return trends as a PDF.

    Raises
    ------
    InputError
        If what sets it is not installed.
    """
    return sections_pdf(f"Trends of {found.title}", _trend_sections(found))


def bias_page(found: CampaignBias, title: str) -> str:
    """Return errors that stay as one self-contained HTML document."""
    heading = f"Errors that stay in {title}"
    return page(heading, _bias_sections(found), about=heading, closing=SD_LEGEND)


def bias_pdf(found: CampaignBias, title: str) -> bytes:
    """Return errors that stay as a PDF.

    Raises
    ------
    InputError
        If what sets it is not installed.
    """
    return sections_pdf(f"Errors that stay in {title}", _bias_sections(found))


def _trend_sections(found: CampaignTrends) -> list[Section]:
    view = trend_view(found)
    charts = [Section("charts", c.name, (Paragraphs((c.said,)), c.picture)) for c in view.charts]
    return _sections(view, Paragraphs(view.lead), charts)


def _bias_sections(found: CampaignBias) -> list[Section]:
    view = bias_view(found)
    pictures = tuple(c.picture for c in view.charts)
    charts = [Section("charts", "Cumulative sums", pictures)] if pictures else []
    return _sections(view, Lead(view.lead), charts)


def _sections(view: CampaignView, lead: Block, charts: list[Section]) -> list[Section]:
    lists = tuple(Items(some) for some in (view.told, view.notes) if some)
    figures = (*view.tables, *((Paragraphs(view.closing),) if view.closing else ()))
    return [Section("verdict", "", (lead, *lists)), *charts,
            Section("figures", "All figures", figures)]  # fmt: skip
