"""Answers, standards and closures over time: levels, changes, drifts, charts, kinds of runs.

Read ``series``, then ``answers_over_time``. ``pooled`` and ``run_lengths`` know neither.
"""

from oretally.recon.trends.answers_over_time import CLOSURE, HEADS, SeriesReader
from oretally.recon.trends.change_points import (
    LevelChange,
    LevelChanges,
    chance_of_gain,
    level_change,
    likely_places,
    several_changes,
)
from oretally.recon.trends.control_charts import (
    DECISION,
    FACTOR,
    REFERENCE,
    RUN,
    WEIGHT,
    Cusum,
    Ewma,
    Rules,
    cusum,
    ewma,
    runs_rules,
)
from oretally.recon.trends.kinds import KindDifference, differences_of_kinds
from oretally.recon.trends.pooled import Between, Pooled, pooled
from oretally.recon.trends.run_lengths import cusum_run_length, rules_run_length
from oretally.recon.trends.series import (
    LEAST_FOR_CHANGE,
    AnswerSeries,
    Change,
    ChangeKind,
    Trend,
    trends_of,
)
from oretally.recon.trends.standards_over_batches import (
    STANDARD,
    StandardInBatch,
    series_of_standards,
)
from oretally.recon.trends.weighted_fits import WeightedFit, weighted_fit

__all__ = [
    "CLOSURE",
    "DECISION",
    "FACTOR",
    "HEADS",
    "LEAST_FOR_CHANGE",
    "REFERENCE",
    "RUN",
    "STANDARD",
    "WEIGHT",
    "AnswerSeries",
    "Between",
    "Change",
    "ChangeKind",
    "Cusum",
    "Ewma",
    "KindDifference",
    "LevelChange",
    "LevelChanges",
    "Pooled",
    "Rules",
    "SeriesReader",
    "StandardInBatch",
    "Trend",
    "WeightedFit",
    "chance_of_gain",
    "cusum",
    "cusum_run_length",
    "differences_of_kinds",
    "ewma",
    "level_change",
    "likely_places",
    "pooled",
    "rules_run_length",
    "runs_rules",
    "series_of_standards",
    "several_changes",
    "trends_of",
    "weighted_fit",
]
