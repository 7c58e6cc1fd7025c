"""Standards in the batches of a campaign: does the laboratory read high, has it begun to drift.

One series for each analyte and material: how far the mean of its readings in a batch lies from the
certified value, in percent of that. The error of the certificate is the same in all batches.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from oretally.recon.trends.series import AnswerSeries

__all__ = ["STANDARD", "StandardInBatch", "series_of_standards"]

STANDARD = "standard"
_FLOOR = 1e-6  # percent: of a batch of which no error is known


@dataclass(frozen=True, slots=True)
class StandardInBatch:
    """One material in one batch, in any one unit.

    Attributes
    ----------
    number, label, time
        Of the survey: its place in the timeline, what it is called, when it was.
    analyte, material : str
    measured : tuple of float
    certified, certified_sd : float
    method_sd : float or None
        Of one reading, as duplicates of the batch tell; None: as the readings scatter.
    """

    number: int
    label: str
    time: float
    analyte: str
    material: str
    measured: tuple[float, ...]
    certified: float
    certified_sd: float
    method_sd: float | None


def series_of_standards(rows: Sequence[StandardInBatch], clock: str) -> tuple[AnswerSeries, ...]:
    """Return the series of each analyte and material that stands in two batches or more.

    Examples
    --------
    >>> row = StandardInBatch(0, "a", 0.0, "Sn", "OX1", (1.02, 1.04), 1.0, 0.01, 0.02)
    >>> again = StandardInBatch(1, "b", 1.0, "Sn", "OX1", (0.99,), 1.0, 0.01, 0.02)
    >>> (series,) = series_of_standards([row, again], "days")
    >>> [round(v, 3) for v in series.value], [round(v, 3) for v in series.sd]
    ([3.0, -1.0], [1.414, 2.0])
    """
    groups: dict[tuple[str, str], list[StandardInBatch]] = {}
    for row in rows:
        groups.setdefault((row.analyte, row.material), []).append(row)
    return tuple(
        _series(analyte, material, own, clock)
        for (analyte, material), own in groups.items()
        if len(own) > 1
    )


def _series(analyte: str, material: str, rows: list[StandardInBatch], clock: str) -> AnswerSeries:
    value, sd, certificate = list[float](), list[float](), list[float]()
    for row in rows:
        n = len(row.measured)
        mean = math.fsum(row.measured) / n
        own = row.method_sd
        if own is None:
            own = math.sqrt(math.fsum((v - mean) ** 2 for v in row.measured) / max(n - 1, 1))
        value.append(100.0 * (mean - row.certified) / row.certified)
        sd.append(max(100.0 * own / row.certified / math.sqrt(n), _FLOOR))
        certificate.append(100.0 * row.certified_sd / row.certified)
    common = {f"certificate of {material}": tuple(certificate)} if any(certificate) else {}
    return AnswerSeries(
        f"standard {material} for {analyte}", STANDARD, material, analyte, "%",
        tuple(r.label for r in rows), tuple(r.time for r in rows), tuple(value), tuple(sd), common,
        0.0, clock, (), tuple(r.number for r in rows),
    )  # fmt: skip
