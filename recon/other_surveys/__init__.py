"""What the same numbers read in the other surveys of a campaign; no balance is asked.

Read ``usual_readings``: the one place that says how likely a number is by them. All that asks which
number of a survey is wrong reads it. ``far_from_others`` needs no suspicion.
"""

from oretally.recon.other_surveys.far_from_others import (
    LEAST_OTHERS,
    FarNumber,
    far_from_others,
)
from oretally.recon.other_surveys.usual_readings import UsualReading, UsualReadings, log_usual

__all__ = [
    "LEAST_OTHERS",
    "FarNumber",
    "UsualReading",
    "UsualReadings",
    "far_from_others",
    "log_usual",
]
