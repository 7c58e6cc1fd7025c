"""The answers of a balance as rows: values, recoveries, closures, formulas, budgets, notes.

Read ``recoveries`` first.
"""

from oretally.recon.answers.analyte_amounts import analyte_amounts
from oretally.recon.answers.closures import (
    Measured,
    calculated_heads,
    closures,
    measured_flow,
    reading,
    summed,
    total_amount,
)
from oretally.recon.answers.combined_feed import combined_feed
from oretally.recon.answers.error_budget import recovery_budgets
from oretally.recon.answers.named_answers import (
    GRADE,
    PLATEAU,
    PULL,
    RATE,
    RECOVERY,
    Answer,
    AnswerName,
    CaseAnswers,
)
from oretally.recon.answers.notes import (
    bounded_notes,
    determining_measurements,
    left_out_notes,
    open_notes,
    ratio_notes,
    reference_notes,
    solver_notes,
    vague_notes,
)
from oretally.recon.answers.recoveries import Answers
from oretally.recon.answers.textbook_formulas import formula_recoveries
from oretally.recon.answers.values import balanced_values, class_of, measured_value, never_by_size
from oretally.recon.answers.worth import worth_totals

__all__ = [
    "GRADE",
    "PLATEAU",
    "PULL",
    "RATE",
    "RECOVERY",
    "Answer",
    "AnswerName",
    "Answers",
    "CaseAnswers",
    "Measured",
    "analyte_amounts",
    "balanced_values",
    "bounded_notes",
    "calculated_heads",
    "class_of",
    "closures",
    "combined_feed",
    "determining_measurements",
    "formula_recoveries",
    "left_out_notes",
    "measured_flow",
    "measured_value",
    "never_by_size",
    "open_notes",
    "ratio_notes",
    "reading",
    "recovery_budgets",
    "reference_notes",
    "solver_notes",
    "summed",
    "total_amount",
    "vague_notes",
    "worth_totals",
]
