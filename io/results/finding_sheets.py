"""Sheets of the result workbook that speak of errors."""

from __future__ import annotations

from collections.abc import Iterable

from oretally.io.files import Sheet
from oretally.io.wording import explanation_name, slip_sentence
from oretally.recon.result import Balance

__all__ = ["finding_sheets"]


def finding_sheets(balance: Balance) -> Iterable[Sheet]:
    """Yield title, header and rows of each sheet; a pair (value, sd) is shown with its digits."""
    gross_errors = balance.gross_errors
    yield (
        "suspects",
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
        "explanations",
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
        "unseen",
        ("stream", "quantity", "error", "unit", "checked", "moves the recovery of", "to",
         "points"),
        [
            (h.stream, h.quantity, (h.size, h.size), h.unit, h.checked, h.analyte, h.product,
             (h.points, 0.1))
            for h in gross_errors.hidden
        ],
    )  # fmt: skip
    yield (
        "groups",
        ("number", "stream or node", "quantity", "correlation"),
        [
            (i, place.where, place.quantity or place.kind, (g.correlation, 0.0001))
            for i, g in enumerate(gross_errors.groups, start=1)
            for place in g.members
        ],
    )
    yield (
        "dispersion",
        ("quantity", "variance factor", "from", "to", "confidence", "checks", "suspects set aside",
         "stated errors are"),
        [
            (d.quantity or "all", (d.factor, 0.01), (d.low, 0.01), (d.high, 0.01), d.confidence,
             (d.checks, 0.1), d.left_out, d.verdict)
            for d in gross_errors.variance_factors
        ],
    )  # fmt: skip
