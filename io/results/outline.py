"""What the report of a balance holds, in one order: terminal, page and PDF only draw it.

Read `outline` first: it lists the sections. What a section holds is built below it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

import oretally.io.pictures as pictures
import oretally.io.wording as words
from oretally.flowsheet.digits import format_number
from oretally.io.definition import Price
from oretally.io.report import (
    Block,
    Boxed,
    Format,
    Items,
    Lead,
    Paragraphs,
    Picture,
    Section,
    Suspects,
    Terms,
)
from oretally.io.wording import ResultTable, Simulated
from oretally.recon.result import Balance, WhatIf

__all__ = ["FRONT", "PARTS", "outline"]

PARTS = (
    "summary", "obstacles", "repairs", "what-if", "circuit", "flows", "suspects", "simulation",
    "recoveries", "worth", "losses", "cautions", "notes", "agreement", "sizes", "values",
    "budgets", "adjustments", "tests", "closures", "method",
)  # fmt: skip
"""Keys of the sections, in their order."""
FRONT = frozenset({"summary", "obstacles", "repairs", "what-if", "circuit", "flows"})
"""Keys of the sections that everybody reads: they stand on the first page."""

# what a terminal shows; of more, the rest is left to the page and the JSON
_SUSPECTS_SHOWN = 3
_AMOUNTS_SHOWN = 6  # rows of metal in mass, where no price asks for them
_CHANGES_SHOWN = 12  # values that change in a what if
_BUDGETS_SHOWN = 12  # recoveries
_PRODUCTS_SHOWN = 8  # rows of the table of products
_LINES = 23  # of a first screen, less the empty lines and what stands at its end
_LEAST = 9  # lines of a table of products: fewer recoveries and cautions are told before that
_TOLD = (None, 4, 2)  # recoveries and cautions, as many as fit
_AROUND = 5  # lines of that table that are no products
_WIDTHS = {Format.TERMINAL: 80, Format.PAGE: 110, Format.PDF: 100}  # characters of that table
_Pairs = tuple[tuple[str, str], ...]  # a word, and what stands beside it
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
    summary, method = ("summary", "", _summary(balance, shown, prices)), _method(balance, shown)
    if balance.converged:
        told = [
            summary,
            ("what-if", "What if", _what_if(otherwise, shown)),
            ("circuit", "The circuit, balanced", _circuit(balance, shown)),
            *_flows(balance, shown),
            ("suspects", words.SUSPECTS_HEADING, _suspects(balance, shown)),
            ("simulation", "Simulation", _simulation(simulated, shown)),
            ("recoveries", "Recoveries", _recoveries(balance, shown, prices)),
            ("worth", "What the metal is worth", _worth(balance, prices)),
            ("losses", words.LOSS_HEADING, _losses(balance, shown)),
            ("cautions", words.CAUTIONS_HEADING, _cautions(balance)),
            ("notes", "Notes", [Items(notes)] if notes else []),
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
        terms = Terms((*words.counts(balance), ("why", words.agreement(balance))))
        obstacles = zip(("obstacles", "repairs"), words.unbalanced_blocks(balance), strict=False)
        labels, brief = words.class_labels(balance.survey), shown is Format.TERMINAL
        told = [
            summary,
            *((key, heading, [Terms(tuple(lines))]) for key, (heading, lines) in obstacles),
            ("what-if", "What if", _what_if(otherwise, shown)),
            ("circuit", "The circuit, as measured", _circuit(balance, shown)),
            ("notes", "Notes", [Items(notes)] if notes else []),
            ("agreement", "What was measured", [Boxed("NO BALANCE", words.NOT_A_BALANCE), terms]),
            ("values", "The numbers", words.measured_tables(balance, labels, brief=brief)),
            ("closures", "Before any adjustment", _closures(balance)),
            ("method", "How it was computed", method),
        ]
    sections = (Section(key, heading, tuple(blocks)) for key, heading, blocks in told)
    return [section for section in sections if section.blocks]


def _held(*tables: ResultTable) -> Iterator[ResultTable]:
    return (table for table in tables if table.rows)


def _summary(balance: Balance, shown: Format, prices: Sequence[Price]) -> Iterator[Block]:
    """Yield what everybody wants to know: is it sound, what was recovered, what next."""
    lead = words.verdict_sentences(balance)
    yield Lead(lead)
    if not balance.converged:
        return
    most = lines = None
    if shown is Format.TERMINAL:
        kept, pairs, lines = _on_screen(balance, " ".join(lead), prices)
        most = min(_PRODUCTS_SHOWN, lines - _AROUND)
    else:
        kept, pairs = _told(balance, prices)
    if kept:
        yield Paragraphs(kept)
    yield from words.product_tables(balance, _WIDTHS[shown], most=most, lines=lines)
    if pairs:
        yield Terms(pairs)


def _on_screen(
    balance: Balance, lead: str, prices: Sequence[Price]
) -> tuple[tuple[str, ...], _Pairs, int]:
    """Return what is told on the first screen, and how many lines that leaves for products."""
    left = _LINES - max(1, len(words.screen_lines(balance.survey.title)))
    for most in _TOLD:
        kept, pairs = _told(balance, prices, most)
        texts = [lead, *kept, *map(": ".join, pairs)]
        lines = left - sum(len(words.screen_lines(text)) for text in texts)
        if lines >= _LEAST:
            break
    return kept, pairs, max(lines, _LEAST)


def _told(
    balance: Balance, prices: Sequence[Price], most: int | None = None
) -> tuple[tuple[str, ...], _Pairs]:
    """Return what was recovered, and what comes next with the cautions; ``most`` of each."""
    worth, step = words.worth_sentence(balance, prices), words.next_step(balance)
    kept = (*words.kept_sentences(balance, most), *([worth] if worth else []))
    cautions = words.caution_lines(balance)
    shown = cautions[:most]
    more = [f"{len(cautions) - len(shown)} more: --show cautions."] * (len(shown) < len(cautions))
    after = [("Next", step)] if step else []
    return kept, (*after, *(("Caution", line) for line in (*shown, *more)))


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
        yield from _held(*words.loss_tables(balance), tests)


def _cautions(balance: Balance) -> Iterator[Block]:
    found = words.cautions_of(balance)
    if found:
        yield from found
        yield Paragraphs((words.defer(),))


def _circuit(balance: Balance, shown: Format) -> Iterator[Block]:
    if shown is not Format.TERMINAL:
        labels, what = pictures.measured_labels(balance.survey), "What was measured"
        if balance.converged:
            labels, what = pictures.balance_labels(balance), "Adjusted mass and grades"
        yield Picture(
            pictures.circuit_svg(balance.circuit, labels),
            f"{what} on every stream; a line that ends free leaves the circuit (name in bold).",
        )


def _flows(balance: Balance, shown: Format) -> Iterator[_Part]:
    """Yield where each analyte goes, a section each."""
    known = {r.analyte for r in balance.recoveries if r.recovery is not None}
    for name in (a.name for a in balance.survey.analytes if shown is not Format.TERMINAL):
        if name in known:
            caption = f"Lines are as wide as the share of the feed's {name} that they carry."
            picture = Picture(pictures.flow_svg(balance, name), caption)
            yield "flows", f"Where the {name} goes", [picture]


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
        *words.certificate_figures(balance),
    ))  # fmt: skip
