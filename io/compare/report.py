"""A comparison as text and as a page: the verdict first, what to know and what hurts last."""

from __future__ import annotations

from oretally.flowsheet.digits import format_number, format_p
from oretally.io.compare.picture import MOST_ROWS, comparison_svg
from oretally.io.compare.wording import cautions, difference_table, hazards, verdicts
from oretally.io.report import Block, Boxed, Items, Paragraphs, Picture, Section, page
from oretally.io.wording import (
    CAUTIONS_HEADING,
    PIPE,
    SD_LEGEND,
    ResultTable,
    brief,
    defer,
    wrapped,
)
from oretally.recon.comparison import Comparison

__all__ = ["comparison_report", "comparison_text"]


def comparison_text(found: Comparison) -> str:
    """Return the comparison as plain text."""
    lines = [line for verdict in verdicts(found) for line in wrapped(verdict)]
    lines += PIPE.table(difference_table(found))
    lines += [line for caution in cautions(found) for line in wrapped(caution, "- ")]
    hurts = hazards(found)
    if hurts:
        lines += ["", CAUTIONS_HEADING]
        lines += [line for caution in hurts for line in wrapped(f"CAUTION {brief(caution)}", "- ")]
        lines += wrapped(defer())
    return "\n".join(lines) + "\n"


def comparison_report(found: Comparison) -> str:
    """Return the report as one self-contained HTML document.

    No date, no network, no script: the same tests give the same bytes.
    """
    labels = [found.arm_label(i) for i in range(len(found.arms))]
    title = " against ".join((labels[0], ", ".join(labels[1:])))
    answers = sum(d.mirror_of is None for d in found.differences)
    hurts = [Boxed("CAUTION", brief(caution)) for caution in hazards(found)]
    sections = [
        Section("verdict", "", tuple(Boxed("Verdict", f"Verdict: {v}") for v in verdicts(found))),
        Section("differences", "", (difference_table(found), *_picture(found, answers))),
        Section("tests", "The tests", (_tests(found),)),
        Section("notes", "What to know", (Items(tuple(cautions(found))),)),
        Section("cautions", CAUTIONS_HEADING, (*hurts, Paragraphs((defer(),)))),
    ]
    return page(title, sections if hurts else sections[:-1], about=f"Compared: {title}",
                closing=SD_LEGEND, wide={"differences"})  # fmt: skip


def _picture(found: Comparison, answers: int) -> tuple[Block, ...]:
    if not answers:
        return ()
    caption = (
        "Bars are the 95 % limits of each answer alone: a bar that reaches over the line at 0 "
        "shows no difference. Filled dots are differences that are real, large or small, also "
        "when all answers are looked at together."
    )
    if answers > MOST_ROWS:
        caption += f" The first {MOST_ROWS} of {answers} answers are drawn."
    return (Picture(comparison_svg(found), caption),)


def _tests(found: Comparison) -> ResultTable:
    rows = [
        [t.label, t.model.survey.title, format_number(t.test.statistic), str(t.test.dof),
         format_p(t.test.p), format_number(t.factor**0.5, 3)]
        for t in found.tests
    ]  # fmt: skip
    header = ["test", "title", "chi-square", "degrees of freedom", "p", "errors scaled by"]
    caption = "Do the numbers of each test agree within their stated errors"
    return ResultTable(caption, header, rows, 2, wraps=True)
