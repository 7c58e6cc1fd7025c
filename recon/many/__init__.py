"""Many surveys of one circuit: arrays of readings, grouped by what is missing, balanced together.

What this does not take is told, and is for `oretally.recon.reconcile`, one survey at a time.

Read ``survey_table``, then ``pattern``; ``many_balances`` has what comes out.
"""

from oretally.recon.many.columns import AnswerColumns, ColumnName, in_a_row
from oretally.recon.many.many_balances import GLOBAL, Asked, ManyBalances
from oretally.recon.many.pattern import Pattern
from oretally.recon.many.survey_table import SurveyTable, tables_of

__all__ = [
    "GLOBAL",
    "AnswerColumns",
    "Asked",
    "ColumnName",
    "ManyBalances",
    "Pattern",
    "SurveyTable",
    "in_a_row",
    "tables_of",
]
