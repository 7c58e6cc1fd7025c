"""A judged laboratory batch in words, as text and as a page with its charts."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from oretally.flowsheet.digits import format_number, format_p, format_with_sd
from oretally.io.laboratory.charts import blanks_svg, control_chart_svg, duplicates_svg
from oretally.io.laboratory.contradictions import BLANK_TIMES
from oretally.io.laboratory.judgement import (
    JudgedTable,
    Judgement,
    StandardChart,
    signed_percent,
)
from oretally.io.report import (
    Block,
    Boxed,
    Items,
    Picture,
    Section,
    Terms,
    first_screen,
    narrow,
    page,
)
from oretally.io.wording import ResultTable, wrapped

__all__ = ["LAB_REMARKS", "lab_report", "lab_summary"]

LAB_REMARKS = (
    "± is one standard deviation; limits are 95 %.",
    "Duplicates show what comes between the two assays and nothing before: sampling and the "
    "preparation that both share are not in their sd. The fitted sd holds between the "
    "grades of the pairs only.",
    "Nothing was corrected; what was left out is named.",
    "Fire assay, acids and dust hurt people: leave them to trained hands, and keep to your local "
    "codes.",
)


def lab_summary(found: JudgedTable, samples: Sequence[str] = (), *, full: bool = False) -> str:
    """Return a batch as text: what to do with each analyte, the bad ones first.

    Parameters
    ----------
    found : JudgedTable
    samples : sequence of str
        Sentences on its samples and the streams of the case.
    full : bool
        All readings and figures, in the order of the table; else one screen.
    """
    return _full(found, samples) if full else _brief(found, samples)


def _full(found: JudgedTable, samples: Sequence[str]) -> str:
    lines = [f"Laboratory batch '{found.title}'", *found.notes]
    for judgement in found.judgements:
        lines += ["", f"{judgement.batch.analyte} [{judgement.batch.unit}]"]
        for word, text in (("verdict", " ".join(judgement.verdict)), *_words(judgement)):
            lines += wrapped(text, f"  {word:<11}")
    if samples:
        lines += ["", *(line for sentence in samples for line in wrapped(sentence))]
    lines += ["", *(line for remark in LAB_REMARKS for line in wrapped(remark))]
    return "\n".join(lines) + "\n"


def _brief(found: JudgedTable, samples: Sequence[str]) -> str:
    judged = sorted(found.judgements, key=_rank)
    head = narrow(f"Laboratory batch '{found.title}'")
    notes = [line for note in found.notes for line in narrow(note)]
    width = max(len(j.batch.analyte) for j in judged) + 2

    def told(j: Judgement, sentences: int | None = None) -> list[str]:
        return narrow(" ".join(j.verdict[:sentences]), f"{j.batch.analyte:<{width}}", "    ")

    def figures(j: Judgement) -> list[str]:
        return [line for word, text in _figures(j) for line in narrow(text, f"    {word:<12}")]

    of_samples = [line for sentence in samples for line in narrow(sentence)]
    end = ["", *of_samples] if samples else []
    drafts = [
        [*head, *notes, *(line for j in judged for line in ("", *told(j), *figures(j))), *end],
        [*head, *notes, *(line for j in judged for line in ("", *told(j))), *end],
        [*head, "", *(line for j in judged for line in told(j)), *end],
        [*head, "", *(line for j in judged for line in told(j, 1)), *end],
    ]
    return first_screen(drafts, "Every reading, and what the figures mean: add --full.")


def _rank(judgement: Judgement) -> int:
    """Return where an analyte stands: 0 must not be used, 3 has nothing against it."""
    if judgement.findings:
        return int(bool(judgement.findings[0].mend))
    return 2 if judgement.lacking else 3


def _figures(judgement: Judgement) -> Iterator[tuple[str, str]]:
    """Yield duplicates, standards and blanks, a line or two each."""
    yield from list(_duplicates(judgement))[:1]
    word, text = next(_standard_words(judgement))
    bias = judgement.found and judgement.found.relative_bias
    yield word, f"{text.partition(';')[0]}; relative bias {signed_percent(bias)}" if bias else text
    yield from list(_blanks(judgement))[:1]


def lab_report(found: JudgedTable, samples: Sequence[str] = ()) -> str:
    """Return the report as one self-contained HTML document.

    No date, no network, no script: the same batch gives the same bytes. ``samples`` as for
    `lab_summary`.
    """
    terms = Terms((("from", found.source), *(("note", note) for note in found.notes)))
    sections = [
        Section("batch", "", (terms, Items(LAB_REMARKS))),
        *(Section("analyte", f"{j.batch.analyte} [{j.batch.unit}]", tuple(_blocks(j)))
          for j in found.judgements),
        *([Section("samples", "Samples and streams", (Items(tuple(samples)),))] if samples else []),
    ]  # fmt: skip
    return page(
        f"Laboratory batch {found.title}", sections, about=f"{found.title}: laboratory batch",
        closing="",
    )  # fmt: skip


def _blocks(judgement: Judgement) -> Iterator[Block]:
    """Yield what one analyte shows."""
    yield Boxed("verdict", f"Verdict: {' '.join(judgement.verdict)}")
    yield Terms(tuple(_words(judgement)))
    for chart in judgement.charts:
        yield Picture(
            control_chart_svg(judgement, chart),
            f"Control chart of {chart.name}. Readings in the order of the batch. One sd is that of "
            "a reading and of the certificate together. Rings: beyond 3 sd, or the second of two "
            "among three beyond 2 sd on one side. By chance 0.3 % and 0.2 % of readings have one.",
        )
    duplicates, blanks = duplicates_svg(judgement), blanks_svg(judgement)
    if duplicates:
        fitted = (
            " By the fitted sd = a + b × grade a half of the pairs lies below the solid line, 19 "
            "of 20 below the dashed one. Rings: pairs that differ too much."
        )
        yield Picture(
            duplicates,
            f"Duplicates. Each pair by its mean and its difference.{fitted * bool(judgement.fit)} "
            "Hollow, at the lower edge: no difference, or less than the plot shows.",
        )
    if blanks:
        yield Picture(
            blanks,
            "Blanks. Each blank by what was assayed before it; a line that rises is carry-over. "
            "Hollow: below detection, drawn at half the limit. A blank before which nothing was "
            "assayed is not drawn.",
        )
    yield from (table for table in (_standards(judgement), _pairs(judgement)) if table.rows)


def _standards(judgement: Judgement) -> ResultTable:
    rows = []
    for chart in judgement.charts:
        for place, z in zip(chart.places, chart.chart.z, strict=True):
            s = judgement.batch.standards[place]
            certified, sd = format_with_sd(s.certified, s.certified_sd or None)
            own = format_number(chart.sd, 2)
            row = [s.sample, chart.name, f"{s.measured:g}", certified, sd, own, f"{z:+.1f}"]
            rows.append((place, row))
    header = ["reading", "standard", "measured", "certified", "±", "sd of a reading", "z"]
    caption = "Standards, in the order of the batch"
    return ResultTable(caption, header, [row for _, row in sorted(rows)], 2)


def _pairs(judgement: Judgement) -> ResultTable:
    fit, rows = judgement.fit, []
    for p in judgement.batch.pairs:
        gap = p.first - p.second
        sd = None if fit is None else 2.0**0.5 * fit.sd((p.first + p.second) / 2.0)
        z = format_number(None) if not sd else f"{gap / sd:+.1f}"
        shown = format_number(sd, 2) if sd else format_number(None)
        rows.append([p.name, f"{p.first:g}", f"{p.second:g}", format_number(gap, 3), shown, z])
    header = ["pair", "first", "second", "difference", "sd of it", "z"]
    return ResultTable("Duplicate pairs", header, rows, 1)


def _words(judgement: Judgement) -> Iterator[tuple[str, str]]:
    """Return (what, sentence) for one analyte; a blank 'what' goes on with the one before."""
    yield from _duplicates(judgement)
    yield from _standard_words(judgement)
    yield from _blanks(judgement)
    for note in judgement.batch.notes:
        yield "note", note


def _duplicates(judgement: Judgement) -> Iterator[tuple[str, str]]:
    batch, fit, pooled = judgement.batch, judgement.fit, judgement.pooled
    if not batch.pairs:
        yield "duplicates", "none: nothing is known of the precision"
        return
    count = f"{len(batch.pairs)} pair{'s' if len(batch.pairs) > 1 else ''}"
    if pooled is not None:
        count += (
            f"; pooled relative sd {100.0 * pooled.sd:.2g} % ({100.0 * pooled.low:.2g} to "
            f"{100.0 * pooled.high:.2g})"
        )
    yield "duplicates", count
    if fit is None:
        yield "", judgement.no_fit
        return
    a, b = format_number(fit.a, 2), format_number(100.0 * fit.b, 2)
    yield (
        "",
        f"sd of one assay = {a} {batch.unit} + {b} % of the grade, between "
        f"{format_number(fit.lowest, 3)} and {format_number(fit.highest, 3)} ({fit.method.value}, "
        f"limits {format_number(fit.a_limits[0], 2)} to {format_number(fit.a_limits[1], 2)} and "
        f"{format_number(100 * fit.b_limits[0], 2)} to {format_number(100 * fit.b_limits[1], 2)})",
    )
    for off in judgement.off:
        yield (
            "",
            f"pair '{batch.pairs[off.index].name}' ({off.first:g}, {off.second:g}) differs by "
            f"{abs(off.z):.1f} sd, limit {off.limit:.1f}; it was used all the same",
        )


def _standard_words(judgement: Judgement) -> Iterator[tuple[str, str]]:
    found = judgement.found
    if found is None:
        count = len(judgement.batch.bounded_standards)
        only = f"{count} without a number: nothing is known of the bias"
        none = count and not judgement.batch.standards
        yield "standards", only if none else judgement.no_bias
        return
    many = "1 standard" if found.n_materials == 1 else f"{found.n_materials} standards"
    source = "the duplicates and the certificate" if judgement.fit else "the certificate alone"
    readings = "1 reading" if len(found.z) == 1 else f"{len(found.z)} readings"
    yield "standards", f"{readings} of {many}; errors from {source}"
    if found.relative_bias is not None:
        yield "", f"relative bias {signed_percent(found.relative_bias)}"
    for i, chart in enumerate(judgement.charts):
        yield "chart" if i == 0 else "", _chart(judgement, chart)
        if chart.relative_bias is not None and len(judgement.charts) > 1:
            yield "", f"relative bias of it {signed_percent(chart.relative_bias)}"


def _chart(judgement: Judgement, c: StandardChart) -> str:
    """Return one standard's readings in order, and the rules that they break."""
    batch = judgement.batch
    value, error = format_with_sd(c.certified, c.certified_sd or None)
    z = " ".join(f"{z:+.1f}".replace("-0.0", "+0.0") for z in c.chart.z)
    broken = []
    for rule, places in (("beyond 3 sd", c.chart.beyond_action),
                         ("two of three beyond 2 sd", c.chart.two_of_three)):  # fmt: skip
        if places:
            names = ", ".join(f"'{batch.standards[c.places[i]].sample}'" for i in places)
            broken.append(f"{rule}: {names}")
    return (
        f"{c.name}, certified {value} ± {error} {batch.unit}, sd of a reading "
        f"{format_number(c.sd, 2)}; z in order: {z}; {'; '.join(broken) or 'no rule is broken'}"
    )


def _blanks(judgement: Judgement) -> Iterator[tuple[str, str]]:
    batch, found, carry = judgement.batch, judgement.blanks, judgement.carry_over
    above = "; ".join(f"'{b.sample}' {b.found.text}" for b in batch.bounded_blanks)
    if found is None:
        yield "blanks", above or "none: carry-over would go unseen"
        return
    text = f"{len(batch.blanks)}, highest {format_number(found.highest, 3)} {batch.unit}"
    text += f"; beside {above}" if above else ""
    if batch.detection is None:
        yield "blanks", f"{text}; no detection limit stands in the batch, so no limit for them"
    else:
        limit = format_number(found.limit, 3)
        yield "blanks", f"{text}; may show {BLANK_TIMES:g} detection limits, {limit} {batch.unit}"
    if carry is not None:
        yield (
            "",
            f"carry-over {100.0 * carry.slope:.2g} ± {100.0 * carry.sd:.2g} % of the sample "
            f"before, p {format_p(carry.p)}",
        )
