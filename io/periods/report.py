"""A period as text, as a page and as a PDF: the plain words first."""

from __future__ import annotations

from oretally.io.periods.tables import (
    budget_table,
    part_table,
    period_amounts,
    period_recoveries,
    screen_table,
    survey_table,
    suspects_table,
    unaccounted_table,
)
from oretally.io.periods.words import (
    agreement_of,
    budget_sentences,
    far_sentences,
    notes_of_period,
    produced_sentence,
    recovered_sentence,
    stock_sentences,
    unaccounted_sentences,
    what_was_summed,
    wrong_number_sentences,
)
from oretally.io.report import (
    Block,
    Items,
    Lead,
    Paragraphs,
    Section,
    first_screen,
    narrow,
    page,
    with_file_named,
)
from oretally.io.results import sections_pdf
from oretally.io.wording import BRIEF_CLOSING, CLOSING, PIPE, SD_LEGEND, ResultTable, wrapped
from oretally.recon.periods import Period

__all__ = ["period_pdf", "period_report", "period_sections", "period_text"]

_METHOD = (
    "One balance of all surveys together, by weighted least squares. What a survey leaves in a "
    "stockpile is what the next one finds there: one unknown, measured by both, by one or by "
    "neither. An error that surveys share (a scale, a laboratory batch, a moisture sample) is one "
    "unknown too. ± is one sd by "
    "linear propagation of the stated errors through the whole.",
    "A survey counts to the day on which it began. The balance of a part of the period uses all of "
    "the period, so that the parts add up to the whole.",
)
_WHERE = f"More: --full; or --html, --pdf, --xlsx, --json FILE. {BRIEF_CLOSING}"


def period_text(found: Period, title: str, file: str, *, full: bool = False) -> str:
    """Return the period as plain text: one screen, or all of it; ``file`` as the user named it."""
    return _full(found, title, file) if full else _brief(found, title, file)


def _brief(found: Period, title: str, file: str) -> str:
    lead = [with_file_named(text, file) for text in _lead(found, title)]
    first = [line for text in lead for line in narrow(text)]
    analytes = list(dict.fromkeys(r.analyte for r in found.whole.recoveries))
    flow = found.whole.amounts[0].quantity
    tables = {q: ["", *_rows(found, q)] for q in (*analytes, flow)}
    gaps = [line for text in unaccounted_sentences(found) for line in narrow(text, "- ")]
    gaps = ["", "Unaccounted for, as measured:", *gaps] if gaps else []
    known = ", where it is known" if any(u.missing for u in found.unaccounted) else ""
    fine = f"Unaccounted for, as measured: nothing that the errors do not explain{known}."
    bad = any(u.explained is False for u in found.unaccounted)
    short = gaps if bad or not gaps else ["", *narrow(fine)]
    budget = [line for text in budget_sentences(found) for line in narrow(text, "- ")]
    notes = [with_file_named(text, file) for text in notes_of_period(found)]
    notes = [line for text in notes for line in narrow(text, "- ")]
    notes = ["", *notes] if notes else []
    metal = [line for a in analytes for line in tables[a]]
    one = tables[analytes[0]] if analytes else tables[flow]
    drafts = [
        [*first, *tables[flow], *metal, *gaps, "", *budget, *notes],
        [*first, *metal, *gaps, "", *budget, *notes],
        [*first, *metal, *short, "", *budget, *notes],
        [*first, *metal, *short, "", *budget],
        [*first, *one, *short, "", *budget, *notes],
        [*first, *one, *short, "", *budget],
        [*first, *one, *short],
        [*first, *short],
        first,
    ]
    return first_screen(drafts, _WHERE)


def _lead(found: Period, title: str) -> list[str]:
    name = f"{title}: {found.name}" if title else found.name
    texts = [name, what_was_summed(found), agreement_of(found), *wrong_number_sentences(found),
             *far_sentences(found), "", recovered_sentence(found)]  # fmt: skip
    made = produced_sentence(found)
    return [*texts, *([made] if made else []), *stock_sentences(found)]


def _rows(found: Period, quantity: str) -> list[str]:
    rows = screen_table(found, quantity)
    wide = [max(len(row[j]) for row in rows) for j in range(3)]
    return [f"{a:<{wide[0]}}  {b:>{wide[1]}}  {c:>{wide[2]}}".rstrip() for a, b, c in rows]


def _full(found: Period, title: str, file: str) -> str:
    lines = [f"{title}: {found.name}" if title else found.name]
    for section in period_sections(found):
        if section.heading:
            lines += PIPE.heading(section.heading)
        for block in section.blocks:
            lines += _lines(block, file)
    return "\n".join([*lines, "", *PIPE.text(CLOSING)]) + "\n"


def _lines(block: Block, file: str) -> list[str]:
    if isinstance(block, ResultTable):
        return [*PIPE.table(block), *(line for s in block.legend for line in PIPE.sentence("", s))]
    if isinstance(block, Items):
        texts = [with_file_named(text, file) for text in block.texts]
        return [line for text in texts for line in wrapped(text, "- ")]
    if isinstance(block, Lead | Paragraphs):
        texts = [with_file_named(text, file) for text in block.texts]
        return [line for text in texts for line in PIPE.text(text)]
    raise TypeError(f"{type(block).__name__} has no place in the report of a period")


def period_sections(found: Period) -> list[Section]:
    """Return the report as sections, those that hold something."""
    lead = [what_was_summed(found), agreement_of(found), recovered_sentence(found),
            produced_sentence(found)]  # fmt: skip
    more = (*([lead[3]] if lead[3] else []), *stock_sentences(found))
    told = (*(t for t in lead[:2] if t), *wrong_number_sentences(found), *far_sentences(found))
    first: list[Block] = [
        Lead((lead[2],)), *([Paragraphs(more)] if more else []), Paragraphs(told)
    ]  # fmt: skip
    gaps, budget, notes = (
        tuple(f(found)) for f in (unaccounted_sentences, budget_sentences, notes_of_period)
    )
    analytes = dict.fromkeys(r.analyte for r in found.whole.recoveries)
    parts = [part_table(found, a) for a in analytes] if found.parts else []
    sections = [
        Section("summary", "", tuple(first)),
        Section("notes", "What to know", (Items(notes),) if notes else ()),
        Section("suspects", "Which number is wrong",
                (suspects_table(found),) if found.suspects else ()),
        Section("recoveries", "Recovered", (period_recoveries(found),)),
        Section("amounts", "Check-in and check-out", (period_amounts(found),)),
        Section("parts", "Period by period", tuple(parts)),
        Section("unaccounted", "Unaccounted for",
                (*((Items(gaps),) if gaps else ()), unaccounted_table(found))),
        Section("variance", "What the ± comes from",
                (*((Items(budget),) if budget else ()), budget_table(found))),
        Section("surveys", "The surveys", (survey_table(found),)),
        Section("method", "How it was done", (Paragraphs(_METHOD),)),
    ]  # fmt: skip
    return [s for s in sections if s.blocks]


def period_report(found: Period, title: str) -> str:
    """Return the report as one self-contained HTML document."""
    name = f"{title}: {found.name}" if title else found.name
    return page(name, period_sections(found), about=f"Period: {name}", closing=SD_LEGEND)


def period_pdf(found: Period, title: str) -> bytes:
    """Return the report as a PDF.

    Raises
    ------
    InputError
        If what sets it is not installed.
    """
    return sections_pdf(f"{title}: {found.name}" if title else found.name, period_sections(found))
