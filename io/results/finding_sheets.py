"""Sheets of the result workbook that speak of errors, and of metal that is not kept."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from oretally.io.files import Sheet, SheetTable, with_sd
from oretally.io.wording import (
    EXPLANATIONS,
    explanation_name,
    loss_meaning,
    loss_readings,
    slip_sentence,
)
from oretally.recon.result import Balance, Estimate

__all__ = ["finding_sheets"]

_NOTHING = (None, None)


def finding_sheets(balance: Balance) -> Iterable[Sheet]:
    """Yield what may be wrong, and where the rest of the metal is."""
    yield "suspects", list(_suspects(balance))
    yield "not kept", list(_losses(balance))  # 'losses' are the declared ones of a case


def _suspects(balance: Balance) -> Iterable[SheetTable]:
    """Yield suspects, explanations, groups, what would go unseen, sizes of stated errors."""
    gross_errors = balance.gross_errors
    yield (
        "Suspects",
        ("number", "probability of group", "probability", "stream or node", "quantity",
         "estimated error", "sd", "unit", "standardised", "p", "chi-square without",
         "degrees of freedom without", "slip"),
        [
            (i, (s.probability, 0.001), (share, 0.001), place.where, place.quantity or place.kind,
             (s.estimated_error, s.sd), (s.sd, s.sd), s.unit, (s.statistic, 0.1), s.p,
             s.objective_without, s.dof_without, slip_sentence(s.slips[0]) if s.slips else "")
            for i, s in enumerate(gross_errors.suspects, start=1)
            for place, share in zip(s.group, s.shares or [None] * len(s.group), strict=True)
        ],
    )  # fmt: skip
    yield (
        "Errors that would explain it, and the recoveries then",
        ("number", "if wrong", "probability", "chi-square", "degrees of freedom", "to", "analyte",
         "recovery [%]", "sd"),
        [
            (i + 1, explanation_name(balance, i), (e.probability, 0.001), e.objective, e.dof,
             r.stream, r.analyte, (r.recovery, r.sd), (r.sd, r.sd))
            for i, e in enumerate(gross_errors.explanations)
            for r in e.recoveries
        ],
    )  # fmt: skip
    yield (
        "Errors that would go unseen, and what they would move",
        ("stream", "quantity", "error", "unit", "checked", "moves the recovery of", "to",
         "points"),
        [
            (h.stream, h.quantity, (h.size, h.size), h.unit, h.checked, h.analyte, h.product,
             (h.points, 0.1))
            for h in gross_errors.hidden
        ],
    )  # fmt: skip
    yield (
        "Numbers that cannot be told apart",
        ("number", "stream or node", "quantity", "correlation"),
        [
            (i, place.where, place.quantity or place.kind, (g.correlation, 0.0001))
            for i, g in enumerate(gross_errors.groups, start=1)
            for place in g.members
        ],
    )
    yield (
        "Are the stated errors of the right size?",
        ("quantity", "variance factor", "from", "to", "confidence", "checks", "suspects set aside",
         "stated errors are"),
        [
            (d.quantity or "all", (d.factor, 0.01), (d.low, 0.01), (d.high, 0.01), d.confidence,
             (d.checks, 0.1), d.left_out, d.verdict)
            for d in gross_errors.variance_factors
        ],
    )  # fmt: skip


def _losses(balance: Balance) -> Iterable[SheetTable]:
    """Yield what is not kept, what the numbers support, and the tests that would tell."""
    found = balance.losses.found
    header: Sequence[str]
    header = ("product", "analyte", "unit", "of the feed's [%]", "sd", "of that in solution [%]",
              "sd", "grade of the solids", "sd", "kept in")  # fmt: skip
    yield "What is not kept", header, [
        (x.stream, x.analyte, x.unit, *with_sd(*x.percent), *_cells(x.in_solution),
         *_cells(x.grade), ", ".join(x.kept))
        for x in found
    ]  # fmt: skip
    said = [loss_meaning(balance)] if found else []
    for reading in loss_readings(balance):
        said += [*reading.sentences, *reading.tests]
    yield "What the numbers support", ("", ""), [(sentence,) for sentence in said]
    header = ("analyte", "of", "kept in", "class", "passed [um]", "retained [um]",
              "in the feed [%]", "sd", "recovered of it [%]", "sd", "lost [%]", "sd")  # fmt: skip
    yield "Recovery by size, of what is fed", header, [
        (r.analyte, r.of, ", ".join(r.kept), row.label, row.passed_um, row.retained_um,
         *(cell for pair in (row.of_feed, row.recovery, row.lost) for cell in _cells(pair)))
        for r in balance.losses.by_size
        for row in r.classes
    ]  # fmt: skip
    header = ("product", "analyte", "unit", "class", "passed [um]", "retained [um]",
              "of its solids [%]", "sd", "grade", "sd", "of its own [%]", "sd", "of feed [%]", "sd",
              "x grade of the whole", "sd", "x grade of the head", "sd")  # fmt: skip
    yield "By size", header, [
        (x.stream, x.analyte, x.unit, p.label, p.passed_um, p.retained_um,
         *(cell for pair in (p.solids, p.grade, p.of_loss, p.of_feed, p.against_loss,
                             p.against_head) for cell in _cells(pair)))
        for x in found
        for p in x.parts
    ]  # fmt: skip
    header = ("test of", "analyte", "unit", "class", "opening [um]", "difference", "sd",
              "chance to tell [%]", "if it is")  # fmt: skip
    yield "What the test would show under each explanation", header, [
        (x.stream, x.analyte, x.unit, t.part or "all", t.opening_um,
         *with_sd(e.value, e.sd), (100.0 * e.chance, 10.0), EXPLANATIONS[e.explanation])
        for x in found
        for t in x.tests
        for e in t.expected
    ]  # fmt: skip


def _cells(pair: Estimate | None) -> tuple[object, object]:
    """Return the cells of a value and its sd."""
    return with_sd(*(pair or _NOTHING))
