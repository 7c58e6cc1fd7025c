"""The error of one reading, of a measurement that may be the mean of several."""

from __future__ import annotations

import re

from oretally.flowsheet import Measurement, Survey
from oretally.flowsheet.survey import PROPAGATED, STATED

__all__ = ["one_reading", "sd_of_one"]

_POOLED = re.compile(
    r"(?:weighted )?mean of (\d+) replicates"
)  # the note of `oretally.io.measurements.replicates`


def one_reading(survey: Survey, m: Measurement) -> tuple[float, int]:
    """Return the stated sd of one reading of a measurement in base units, and its readings.

    The stated error alone: what sources of error add to it is not in it. Of readings that differ in
    their errors it is that of as many equal ones with the same mean error.

    Examples
    --------
    >>> from oretally.flowsheet import Analyte, Basis, parse_unit
    >>> percent = parse_unit("%")
    >>> m = Measurement("tailings", "Sn", 0.3, percent, 0.01, note="mean of 4 replicates")
    >>> survey = Survey(Basis.BATCH, parse_unit("kg"), (Analyte("Sn", percent),), (m,))
    >>> one_reading(survey, m)
    (0.0002, 4)
    """
    if m.error_source == PROPAGATED:
        return float(survey.own_variance(m) ** 0.5), 1
    stated = next((p.sd for p in m.parts if p.source == STATED), m.sd)
    pooled = _POOLED.match(m.note)
    times = int(pooled[1]) if pooled else 1
    return m.unit.to_base(stated) * times**0.5, times


def sd_of_one(survey: Survey, m: Measurement) -> float:
    """Return the sd of one reading in base units, with what sources of error add to it.

    Replicates lessen the stated error, not the sources: only the former is undone.
    """
    one, times = one_reading(survey, m)
    if times == 1:
        return m.sd_base
    stays = max(m.sd_base**2 - one**2 / times, 0.0)
    return float((stays + one**2) ** 0.5)
