"""A comparison as text and as a page: the verdict first, what to know and what hurts last."""

from __future__ import annotations

from collections.abc import Iterator
from textwrap import wrap

from oretally.flowsheet.digits import format_number, format_p, format_with_sd
from oretally.io.compare.picture import MOST_ROWS, comparison_svg
from oretally.io.compare.wording import (
    cautions,
    deciding_sd,
    difference_table,
    difference_unit,
    hazards,
    needed_tests,
    of_these_tests,
    verdicts,
)
from oretally.io.report import (
    SCREEN_COLUMNS,
    Block,
    Boxed,
    Items,
    Paragraphs,
    Picture,
    Section,
    first_screen,
    narrow,
    page,
)
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


def comparison_text(found: Comparison, *, full: bool = False) -> str:
    """Return the comparison as plain text, verdict first: one screen, or all that is known."""
    return _full(found) if full else _brief(found)


def _full(found: Comparison) -> str:
    lines = [line for verdict in verdicts(found) for line in wrapped(" ".join(verdict))]
    lines += PIPE.table(difference_table(found))
    lines += [line for caution in cautions(found) for line in wrapped(caution, "- ")]
    hurts = hazards(found)
    if hurts:
        lines += ["", CAUTIONS_HEADING]
        lines += [line for caution in hurts for line in wrapped(f"CAUTION {brief(caution)}", "- ")]
        lines += wrapped(defer())
    return "\n".join(lines) + "\n"


def _brief(found: Comparison) -> str:
    told = list(verdicts(found))
    whole = [line for verdict in told for line in narrow(" ".join(verdict))]
    first = [line for verdict in told for line in narrow(verdict[0])]
    rows = ["", *_rows(found)]
    notes = [line for note in of_these_tests(found) for line in narrow(note, "- ")]
    notes = ["", *notes] if notes else []
    hurts = "; ".join(caution.title for caution in hazards(found))
    where = "All figures, limits and the method: add --full."
    if hurts:
        where = f"What can hurt: {hurts}. How to keep safe, all figures and the method: add --full."
    drafts = [[*whole, *rows, *notes], [*first, *rows, *notes], [*first, *rows], [*first]]
    return first_screen(drafts, where)


def _rows(found: Comparison) -> Iterator[str]:
    """Yield the differences as a table of one screen's width; what mirrors another is left out.

    ``tests`` are those of each kind that would decide.
    """
    header = ("answer", "difference", "±", "", "verdict", "tests")
    rows = []
    for d in found.differences:
        if d.mirror_of is None:
            arms = f", {found.arm_label(d.second)} - {found.arm_label(d.first)}"
            value, sd = format_with_sd(d.difference, deciding_sd(d))
            answer = f"{d.answer}{arms * (len(found.arms) > 2)}"
            unit = difference_unit(d)
            rows.append((answer, value, sd, unit, d.verdict.value, needed_tests(d)))
    wide = [max(len(row[j]) for row in (header, *rows)) for j in range(len(header))]
    room = SCREEN_COLUMNS - sum(wide[1:]) - 2 * len(wide[1:])
    for answer, value, sd, unit, verdict, tests in (header, *rows):
        *above, name = wrap(answer, room) or [""]
        yield from above
        yield (
            f"{name:<{min(wide[0], room)}}  {value:>{wide[1]}}  {sd:>{wide[2]}}  "
            f"{unit:<{wide[3]}}  {verdict:<{wide[4]}}  {tests}"
        ).rstrip()


def comparison_report(found: Comparison) -> str:
    """Return the report as one self-contained HTML document.

    No date, no network, no script: the same tests give the same bytes.
    """
    labels = [found.arm_label(i) for i in range(len(found.arms))]
    title = " against ".join((labels[0], ", ".join(labels[1:])))
    answers = sum(d.mirror_of is None for d in found.differences)
    hurts = [Boxed("CAUTION", brief(caution)) for caution in hazards(found)]
    sections = [
        Section(
            "verdict",
            "",
            tuple(Boxed("Verdict", f"Verdict: {' '.join(v)}") for v in verdicts(found)),
        ),
        Section("differences", "", (difference_table(found), *_picture(found, answers))),
        Section("tests", "The tests", (_tests(found),)),
        Section("notes", "What to know", (Items(tuple(cautions(found))),)),
        Section("cautions", CAUTIONS_HEADING, (*hurts, Paragraphs((defer(),)))),
    ]
    return page(title, sections if hurts else sections[:-1], about=f"Compared: {title}",
                closing=SD_LEGEND)  # fmt: skip


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
