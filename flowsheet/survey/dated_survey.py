"""One survey of a campaign: what was measured, when, and under which label."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from oretally.flowsheet.circuit import Circuit
from oretally.flowsheet.survey.survey import Survey

__all__ = ["DatedSurvey"]


@dataclass(frozen=True)
class DatedSurvey:
    """One of many surveys, in the order in which they were taken.

    Attributes
    ----------
    label : str
        What people call it; no two surveys of a campaign have one label.
    time : datetime or None
        When it was taken, or began; without an offset, the clock of the plant. None: not said.
    circuit : Circuit
    survey : Survey
    kind : str
        Kind of run it is compared under, such as 'night shift' or 'new collector'; may be empty.
    """

    label: str
    time: datetime | None
    circuit: Circuit
    survey: Survey
    kind: str = ""
