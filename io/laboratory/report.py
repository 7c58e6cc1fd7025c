"""The report of a laboratory batch: one HTML file with its charts, to read, print or send."""

from __future__ import annotations

from importlib.metadata import version
from importlib.resources import files

from oretally.flowsheet.digits import format_number, format_with_sd
from oretally.io.laboratory.control_chart import control_chart_svg
from oretally.io.laboratory.judgement import JudgedTable, Judgement
from oretally.io.laboratory.scatter import blanks_svg, duplicates_svg
from oretally.io.laboratory.summary import LAB_REMARKS, lab_words

__all__ = ["lab_report"]

_STANDARDS = ("reading", "standard", "measured", "certified", "±", "sd of a reading", "z")
_PAIRS = ("pair", "first", "second", "difference", "sd of it", "z")


def lab_report(found: JudgedTable) -> str:
    """Return the report as one self-contained HTML document.

    No date, no network, no script: the same batch gives the same bytes.
    """
    import jinja2

    text = files("oretally.io").joinpath("templates/lab.html.j2").read_text("utf-8")
    environment = jinja2.Environment(
        autoescape=True, trim_blocks=True, lstrip_blocks=True, undefined=jinja2.StrictUndefined
    )
    return environment.from_string(text).render(
        title=found.title,
        source=found.source,
        notes=found.notes,
        analytes=[_section(j) for j in found.judgements],
        cautions=LAB_REMARKS,
        version=version("oretally"),
    )


def _section(judgement: Judgement) -> dict[str, object]:
    """Return what one analyte shows."""
    words = [(what, sentence) for what, sentence in lab_words(judgement) if what != "verdict"]
    return {
        "name": judgement.batch.analyte,
        "unit": judgement.batch.unit.symbol,
        "verdict": judgement.verdict,
        "words": words,
        "charts": [(c.name, control_chart_svg(judgement, c)) for c in judgement.charts],
        "duplicates": duplicates_svg(judgement),
        "fitted": judgement.fit is not None,
        "blanks": blanks_svg(judgement),
        "standards_header": _STANDARDS,
        "standards": _standards(judgement),
        "pairs_header": _PAIRS,
        "pairs": _pairs(judgement),
    }


def _standards(judgement: Judgement) -> list[tuple[str, ...]]:
    rows = []
    for chart in judgement.charts:
        for place, z in zip(chart.places, chart.chart.z, strict=True):
            s = judgement.batch.standards[place]
            certified, sd = format_with_sd(s.certified, s.certified_sd or None)
            own = format_number(chart.sd, 2)
            row = (s.sample, chart.name, f"{s.measured:g}", certified, sd, own, f"{z:+.1f}")
            rows.append((place, row))
    return [row for _, row in sorted(rows)]


def _pairs(judgement: Judgement) -> list[tuple[str, ...]]:
    fit = judgement.fit
    rows: list[tuple[str, ...]] = []
    for p in judgement.batch.pairs:
        gap = p.first - p.second
        sd = None if fit is None else 2.0**0.5 * fit.sd((p.first + p.second) / 2.0)
        z = format_number(None) if not sd else f"{gap / sd:+.1f}"
        shown = format_number(sd, 2) if sd else format_number(None)
        rows.append((p.name, f"{p.first:g}", f"{p.second:g}", format_number(gap, 3), shown, z))
    return rows
