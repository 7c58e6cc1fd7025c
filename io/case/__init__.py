"""A case as a whole.

Read ``read`` first.
"""

from oretally.io.case.certificate import as_certified
from oretally.io.case.frames import survey_from_frame
from oretally.io.case.read import Case, read_case, unfilled
from oretally.io.case.source import (
    CIRCUIT_FILE,
    EXPECTED_FILE,
    MEASUREMENTS_FILE,
    PRICES_FILE,
    SHEETS,
)
from oretally.io.case.unmeasured import UnmeasuredCase, read_unmeasured

__all__ = [
    "CIRCUIT_FILE",
    "EXPECTED_FILE",
    "MEASUREMENTS_FILE",
    "PRICES_FILE",
    "SHEETS",
    "Case",
    "UnmeasuredCase",
    "as_certified",
    "read_case",
    "read_unmeasured",
    "survey_from_frame",
    "unfilled",
]
