"""What the report of a balance holds, in one order: terminal, page and PDF only draw it.

Read `outline` first: it lists the sections. What a section holds is built below it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from math import inf

import oretally.io.leach_course as leach_course
import oretally.io.pictures as pictures
import oretally.io.wording as words
from oretally.flowsheet.digits import format_number
from oretally.io.definition import Price
from oretally.io.first_page import (
    KINETICS_HEADING,
    NOTES_HEADING,
    REAGENTS_HEADING,
    section_in_the_report,
    summary_blocks,
)
from oretally.io.report import (
    Block,
    Boxed,
    Format,
    Items,
    Paragraphs,
    Picture,
    Section,
    Suspects,
    Terms,
)
from oretally.io.timed import timed_blocks
from oretally.io.wording import ResultTable, Simulated
from oretally.recon.result import Balance, WhatIf

__all__ = ["FRONT", "PARTS", "outline"]

PARTS = (
    "summary", "obstacles", "repairs", "what-if", "circuit", "flows", "suspects", "simulation",
    "recoveries", "kinetics", "reagents", "worth", "losses", "cautions", "notes", "agreement",
    "sizes", "values", "budgets", "adjustments", "tests", "closures", "method",
)  # fmt: skip
"""Keys of the sections, in their order."""
FRONT = frozenset({"summary", "obstacles", "repairs", "what-if", "circuit", "flows"})
"""Keys of the sections that everybody reads: they stand on the first page."""

# what a terminal shows; of more, the rest is left to the page and the JSON
_SUSPECTS_SHOWN = 3
_AMOUNTS_SHOWN = 6  # rows of metal in mass, where no price asks for them
_CHANGES_SHOWN = 12  # values that change in a what if
_BUDGETS_SHOWN = 12  # recoveries
_FLOWS_ACROSS = 2  # drawings of where an analyte goes, where each takes a page across
_SHEET = 800.0  # how high a drawing may be on a page across, its text still 6 points
_Part = tuple[str, str, Iterable[Block]]  # key, heading and what a section holds


def outline(
    balance: Balance, shown: Format, *, prices: Sequence[Price] = (),
    otherwise: WhatIf | None = None, simulated: Simulated | None = None,
) -> list[Section]:  # fmt: skip
    """Return the sections of a report that hold something, in the order of reading.

    Parameters
    ----------
    balance : Balance
    shown : Format
    prices : sequence of Price, optional
        Then metal is shown in money too.
    otherwise : WhatIf, optional
        The answers with other measurements, shown beside.
    simulated : Simulated, optional
        What drawn surveys say of the answers.
    """
    notes = words.notes_of(balance, simulated=simulated is not None)
    drawn = tuple(_circuit(balance, shown))
    across = bool(drawn) and Section("circuit", "", drawn).across
    summary = ("summary", "", summary_blocks(balance, shown, prices, across=across))
    method = _method(balance, shown)
    if balance.converged:
        told = [
            summary,
            ("what-if", "What if", _what_if(otherwise, shown)),
            ("circuit", "The circuit, balanced", drawn),
            *_flows(balance, shown),
            ("suspects", words.SUSPECTS_HEADING, _suspects(balance, shown)),
            ("simulation", "Simulation", _simulation(simulated, shown)),
            ("recoveries", "Recoveries", _recoveries(balance, shown, prices)),
            (
                "kinetics",
                KINETICS_HEADING,
                [*timed_blocks(balance, shown), *_kinetics(balance, shown)],
            ),
            ("reagents", REAGENTS_HEADING, _reagents(balance)),
            ("worth", "What the metal is worth", _worth(balance, prices)),
            ("losses", words.LOSS_HEADING, _losses(balance, shown)),
            ("cautions", words.CAUTIONS_HEADING, _cautions(balance)),
            ("notes", NOTES_HEADING, [Items(notes)] if notes else []),
            ("agreement", "What the numbers say", _agreement(balance, shown)),
            ("sizes", "By size", _sizes(balance, shown)),
            ("values", "Measured against adjusted", _values(balance, shown)),
            ("budgets", "Where the uncertainty comes from", _budgets(balance, shown)),
            ("adjustments", "How far the measurements moved", _adjustments(balance, shown)),
            ("tests", "What the tests can and cannot see", _tests(balance, shown)),
            ("closures", "Before any adjustment", _closures(balance)),
            ("method", "How it was computed", method),
        ]
    else:
        obstacles = zip(("obstacles", "repairs"), words.unbalanced_blocks(balance), strict=False)
        labels, brief = words.class_labels(balance.survey), shown is Format.TERMINAL
        told = [
            summary,
            *((key, heading, [Terms(tuple(lines))]) for key, (heading, lines) in obstacles),
            ("what-if", "What if", _what_if(otherwise, shown)),
            ("circuit", "The circuit, as measured", drawn),
            ("notes", NOTES_HEADING, [Items(notes)] if notes else []),
            (
                "agreement",
                "What was measured",
                [Boxed("NO BALANCE", words.NOT_A_BALANCE), Terms(words.counts(balance))],
            ),
            ("values", "The numbers", words.measured_tables(balance, labels, brief=brief)),
            ("closures", "Before any adjustment", _closures(balance)),
            ("method", "How it was computed", method),
        ]
    sections = (Section(key, heading, tuple(blocks)) for key, heading, blocks in told)
    held = (section for section in sections if section.blocks)
    return [*(held if shown is Format.TERMINAL else map(section_in_the_report, held))]


def _held(*tables: ResultTable) -> Iterator[ResultTable]:
    return (table for table in tables if table.rows)


def _agreement(balance: Balance, shown: Format) -> Iterator[Block]:
    quiet = words.quiet_sentence(balance)
    if quiet and shown is Format.TERMINAL:
        quiet += " How likely each is wrong stands beside it in --html and --json."
    pairs = [
        *words.counts(balance),
        ("agreement", words.agreement(balance)),
        *(("recovery", sentence) for sentence in words.recovery_sentences(balance)),
        ("largest move", words.largest_move(balance.values)),
        ("sizes", words.class_sentence(balance) if shown is Format.TERMINAL else ""),
        *(("errors", sentence) for sentence in words.variance_factor_sentences(balance)),
        ("suspects", quiet),
        *(("unseen", sentence) for sentence in words.hidden_sentences(balance)),
    ]
    yield Terms(tuple(pair for pair in pairs if pair[1]))


def _suspects(balance: Balance, shown: Format) -> Iterator[Block]:
    if words.is_quiet(balance):
        return
    brief = shown is Format.TERMINAL
    rows, opinion = words.suspect_words(balance), words.opinion_sentence(balance)
    told = rows[:_SUSPECTS_SHOWN] if brief else rows
    if words.unexplained_sentence(balance):
        yield Paragraphs((words.unexplained_sentence(balance),))
    if told:
        yield Suspects(told)
    if len(told) < len(rows):
        yield Paragraphs((f"{len(rows) - len(told)} more: see --html or --json.",))
    if balance.gross_errors.explanations:
        yield words.explanation_table(balance) if brief else words.explanation_columns(balance)
        if brief and (more := words.beyond_alone(balance)):
            yield Paragraphs((more,))
    if rows and not brief:
        yield Paragraphs((words.UNTOUCHED,))
    if opinion and brief:
        yield Terms((("other methods", opinion),))


def _what_if(otherwise: WhatIf | None, shown: Format) -> Iterator[Block]:
    if otherwise is not None:
        yield Paragraphs(words.otherwise_sentences(otherwise))
        most = _CHANGES_SHOWN if shown is Format.TERMINAL else None
        yield from words.otherwise_tables(otherwise, most)


def _recoveries(balance: Balance, shown: Format, prices: Sequence[Price]) -> Iterator[Block]:
    amounts = words.amount_table(balance)
    many = len(amounts.rows) > _AMOUNTS_SHOWN and not prices
    yield from _held(
        words.recovery_table(balance),
        words.separation_table(balance),
        *words.amount_tables(balance),
        *([] if many and shown is Format.TERMINAL else [amounts]),
    )
    for curve, table in zip(balance.losses.curves, words.curve_tables(balance), strict=True):
        if shown is not Format.TERMINAL:
            yield Picture(
                pictures.grade_recovery_svg(curve),
                f"Grade against recovery of {curve.analyte}: products taken together from the "
                "richest down, each with the one before. Bars are one standard deviation.",
            )
        yield table


def _kinetics(balance: Balance, shown: Format) -> Iterator[Block]:
    """Yield extraction against time, the curves through it, and what is still to come."""
    doubted = frozenset(s.group[0].where for s in balance.suspects if s.over_time)
    for course in balance.courses:
        picture = "" if shown is Format.TERMINAL else pictures.leach_course_svg(course, doubted)
        if picture:
            yield Picture(
                picture,
                f"Extraction of {course.analyte} against time: dots by the balance, with bars of "
                "one standard deviation; rings by the solution as measured. The line is the curve "
                "preferred, broken where it does not agree with the times.",
            )
        yield leach_course.course_table(course)
        yield Paragraphs(tuple(leach_course.course_sentences(balance, course)))
        yield from _held(leach_course.extraction_curve_table(course))


def _reagents(balance: Balance) -> Iterator[Block]:
    """Yield what became of the reagents of a leach over time."""
    if balance.reagents:
        yield from (leach_course.reagent_table(use) for use in balance.reagents)
        sentences = tuple(leach_course.reagent_sentences(balance))
        yield from [Paragraphs(sentences)] if sentences else []


def _worth(balance: Balance, prices: Sequence[Price]) -> Iterator[Block]:
    if prices:
        yield words.worth_table(balance, prices)
        yield Boxed("CAUTION", words.MONEY_CAUTION)


def _simulation(simulated: Simulated | None, shown: Format) -> Iterator[Block]:
    if simulated is not None:
        yield Paragraphs(words.simulation_sentences(simulated))
        brief = shown is Format.TERMINAL
        yield words.simulation_table(simulated, brief=brief, shortest=shown is Format.PAGE)


def _losses(balance: Balance, shown: Format) -> Iterator[Block]:
    """Yield where the metal is lost, and the test that would tell why."""
    meaning = words.loss_meaning(balance)
    if meaning:
        yield Paragraphs((meaning,))
        yield from words.loss_readings(balance)
        tests = words.expectation_table(balance, brief=shown is Format.TERMINAL)
        by_size = words.recovery_by_size_tables(balance)
        yield from _held(*by_size, *words.loss_tables(balance), tests)


def _cautions(balance: Balance) -> Iterator[Block]:
    found = words.cautions_of(balance)
    if found:
        yield from found
        yield Paragraphs((words.defer(),))


def _circuit(balance: Balance, shown: Format) -> Iterator[Block]:
    if shown is not Format.TERMINAL:
        labels, what = pictures.measured_labels(balance.survey), "What was measured"
        if balance.converged:
            labels = pictures.balance_labels(balance)
            what = "Adjusted mass and up to three grades, with the recoveries (rec.) of products,"
        sheets = pictures.circuit_sheets(balance.circuit, labels, _highest(shown))
        yield from _sheets(sheets, f"{what} on every stream; names in bold leave the circuit.")


def _flows(balance: Balance, shown: Format) -> Iterator[_Part]:
    """Yield where each analyte goes, a section each."""
    known = {r.analyte for r in balance.recoveries if r.recovery is not None}
    turned, names = 0, [a.name for a in balance.survey.analytes if a.name in known]
    for name in names if shown is not Format.TERMINAL else []:
        caption = f"Lines are as wide as the share of the feed's {name} that they carry."
        drawn = _sheets(pictures.flow_sheets(balance, name, _highest(shown)), caption)
        if shown is Format.PDF and turned == _FLOWS_ACROSS - 1 and name != names[-1]:
            last = drawn[-1]
            drawn[-1] = Picture(last.svg, f"{last.caption} The HTML report draws the others.")
        heading = f"Where the {name} goes"
        turned += Section("flows", heading, tuple(drawn)).across
        if shown is Format.PDF and turned > _FLOWS_ACROSS:
            return
        yield "flows", heading, drawn


def _highest(shown: Format) -> float:
    """Return how high a drawing may be before it is cut into sheets."""
    return _SHEET if shown is Format.PDF else inf


def _sheets(svgs: Sequence[str], caption: str) -> list[Picture]:
    """Return a drawing on one sheet or several."""
    if len(svgs) == 1:
        return [Picture(svgs[0], caption)]
    runs_on = "Lines that end at an edge go on at the same place of the next sheet."
    return [
        Picture(svg, f"Sheet {i} of {len(svgs)}. {caption} {runs_on}")
        for i, svg in enumerate(svgs, start=1)
    ]


def _sizes(balance: Balance, shown: Format) -> Iterator[Block]:
    found, full = balance.sizes, shown is Format.PAGE
    if found.streams and shown is not Format.TERMINAL:
        yield Picture(
            pictures.passing_svg(found.streams),
            "What passes each opening, adjusted. Curves are joined by straight lines; names stand "
            "in the order of the curves at their coarse ends.",
        )
    yield from _held(
        words.p80_table(balance),
        *words.passing_tables(balance, brief=not full),
        words.metal_table(balance, brief=not full),
    )
    for partition, table in zip(found.partitions, words.partition_tables(balance), strict=True):
        picture = pictures.partition_svg(partition) if full else ""
        if picture:
            yield Picture(
                picture,
                f"Partition at {partition.node}. Bars are one standard deviation to each side; "
                "points of one class stand a little apart so that their bars can be told. The open "
                "classes at both ends have no size: they are in the table only.",
            )
        yield table
    yield from _held(
        *words.size_recovery_tables(balance),
        words.cut_table(balance, brief=not full),
        words.fit_table(balance, brief=not full),
        *([words.law_table(balance)] if full else []),
    )


def _values(balance: Balance, shown: Format) -> Iterator[Block]:
    labels, full = words.class_labels(balance.survey), shown is Format.PAGE
    classes = [words.class_value_table(balance, labels)] if full else []
    yield from _held(words.value_table(balance, brief=not full, without=labels), *classes)


def _budgets(balance: Balance, shown: Format) -> Iterator[Block]:
    many = len(balance.budgets) > _BUDGETS_SHOWN and shown is Format.TERMINAL
    recoveries = [] if many else [words.recovery_budget_table(balance)]
    yield from _held(*recoveries, words.error_part_table(balance))


def _adjustments(balance: Balance, shown: Format) -> Iterator[Block]:
    labels = words.class_labels(balance.survey)
    picture = pictures.adjustment_svg(balance, without=labels) if shown is Format.PAGE else ""
    if picture:
        caption = (
            "Each adjustment divided by its own standard deviation. Solid lines: limits for one "
            "measurement looked at alone. Dashed: for the largest of all. Triangles point to "
            "values beyond the edge."
        )
        if words.class_value_table(balance, labels).rows:
            caption += " Size classes are left out: theirs stand in their table."
        yield Picture(picture, caption)


def _tests(balance: Balance, shown: Format) -> Iterator[Block]:
    if shown is not Format.PAGE:
        return
    tables = _held(
        words.group_table(balance),
        words.hidden_table(balance),
        words.variance_factor_table(balance),
    )
    opinion = words.opinion_sentence(balance)
    for i, table in enumerate(tables):
        if i == 0 and balance.gross_errors.tests:
            yield Paragraphs((words.search_sentence(balance),))
        if i == 0 and opinion:
            yield Terms((("other methods find", opinion),))
        yield table


def _closures(balance: Balance) -> Iterator[Block]:
    return _held(
        words.closure_table(balance.closures),
        words.head_table(balance.heads, adjusted=balance.converged),
        words.formula_table(balance),
    )


def _method(balance: Balance, shown: Format) -> Iterator[Block]:
    """Yield how the solver ended, for those who want to know."""
    if shown is Format.TERMINAL:
        return
    yield Paragraphs((
        "Weighted least squares on all flows and grades together: every measurement moves as "
        "little as possible, in units of its stated error, so that every balance closes.",
    ))  # fmt: skip
    yield Terms((
        ("why it stopped", balance.status),
        ("iterations", str(balance.iterations)),
        ("sum of squared adjustments", format_number(balance.objective, 6)),
        ("degrees of freedom", str(balance.global_test.dof)),
        *(words.certificate_figures(balance) if shown is Format.PAGE else ()),
    ))  # fmt: skip
