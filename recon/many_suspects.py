"""Wrong numbers in many surveys of one circuit with values in the same places, side by side."""

from __future__ import annotations

from functools import partial

import numpy as np

from oretally.flowsheet import BalanceModel, Circuit
from oretally.flowsheet.arrays import Ints
from oretally.recon.gross_errors import Likeliest, likeliest_suspects
from oretally.recon.many import Pattern, SurveyTable
from oretally.recon.reduction import presolve
from oretally.recon.solver import LikeSurveys

__all__ = ["SEARCHED", "suspects_of_pattern"]

SEARCHED = 32
"""Surveys in which wrong numbers are looked for together: with more, what they hold is large."""


def suspects_of_pattern(
    circuit: Circuit, pattern: Pattern, like: LikeSurveys, table: SurveyTable
) -> tuple[Ints, list[Likeliest | None]]:
    """Return in which surveys of a pattern wrong numbers were looked for, and the likeliest ones.

    ``like`` has what the pattern has ready, with losses. Those of a table with a leach over time,
    and those that need care, are not among them.
    """
    if table.form.course is not None:
        return np.zeros(0, dtype=np.intp), []
    found = pattern.solved(table)
    done = np.flatnonzero(found.converged)
    if pattern.degrees_of_freedom <= 0:
        return done, [None] * done.size
    models = {i: BalanceModel(circuit, table.survey(i)) for i in done.tolist()}
    balanced = [
        (model, found.one(i, partial(presolve, model.problem))) for i, model in models.items()
    ]
    return done, likeliest_suspects(balanced, like)
