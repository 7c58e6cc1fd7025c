"""The table of times of a leach, to a chain of leaches and what was measured on it.

Read ``table`` first.
"""

from oretally.io.kinetics.columns import KINETICS_COLUMNS
from oretally.io.kinetics.table import (
    KINETICS_FILE,
    KineticsReading,
    leach_of,
    names_over_time,
    read_kinetics,
)
from oretally.io.kinetics.values import USUAL_ERRORS

__all__ = ["KINETICS_COLUMNS", "KINETICS_FILE", "USUAL_ERRORS", "KineticsReading", "leach_of",
           "names_over_time", "read_kinetics"]  # fmt: skip
