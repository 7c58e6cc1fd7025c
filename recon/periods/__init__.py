"""Shifts into days and months: one balance of all, with stocks handed on and errors shared.

Read ``period``, then ``shifts`` and ``condensed``.
"""

from oretally.recon.periods.calendar import Gap
from oretally.recon.periods.choice import joint_balance
from oretally.recon.periods.condensed import condensed_balance
from oretally.recon.periods.joint import JointBalance, Jointly, ShiftPlace, ShiftReading
from oretally.recon.periods.period import balance_period
from oretally.recon.periods.rows import (
    CLOSING_STOCK,
    FED,
    LOST,
    OPENING_STOCK,
    PRODUCED,
    STOCK_CHANGE,
    Period,
    PeriodAmount,
    PeriodPart,
    PeriodRecovery,
    PeriodShare,
    PeriodShift,
    PeriodSuspect,
    SurveyLeftOut,
    Unaccounted,
)
from oretally.recon.periods.shifts import Coupled, SameReading, Source, coupled
from oretally.recon.periods.whole import one_circuit, whole_balance

__all__ = [
    "CLOSING_STOCK",
    "FED",
    "LOST",
    "OPENING_STOCK",
    "PRODUCED",
    "STOCK_CHANGE",
    "Coupled",
    "Gap",
    "JointBalance",
    "Jointly",
    "Period",
    "PeriodAmount",
    "PeriodPart",
    "PeriodRecovery",
    "PeriodShare",
    "PeriodShift",
    "PeriodSuspect",
    "SameReading",
    "ShiftPlace",
    "ShiftReading",
    "Source",
    "SurveyLeftOut",
    "Unaccounted",
    "balance_period",
    "condensed_balance",
    "coupled",
    "joint_balance",
    "one_circuit",
    "whole_balance",
]
