"""The reduced problem: equal grades merged, flows from few free ones, what can be determined.

Read ``presolve``, then ``observability``.
"""

from oretally.recon.reduction.alike_grades import grades_at
from oretally.recon.reduction.analyte_problem import AnalyteProblem, AnalyteRows
from oretally.recon.reduction.best_grades import BestGrades, best_grades, without_idle_bounds
from oretally.recon.reduction.classification import classes_of, classify
from oretally.recon.reduction.flow_basis import FlowBasis
from oretally.recon.reduction.grade_pattern import GradePattern
from oretally.recon.reduction.observability import Classes
from oretally.recon.reduction.presolve import presolve
from oretally.recon.reduction.reduced_problem import ReducedProblem
from oretally.recon.reduction.remedies import (
    require_scale,
    scale_is_missing,
    undetermined,
    useful_measurements,
)

__all__ = [
    "AnalyteProblem",
    "AnalyteRows",
    "BestGrades",
    "Classes",
    "FlowBasis",
    "GradePattern",
    "ReducedProblem",
    "best_grades",
    "classes_of",
    "classify",
    "grades_at",
    "presolve",
    "require_scale",
    "scale_is_missing",
    "undetermined",
    "useful_measurements",
    "without_idle_bounds",
]
