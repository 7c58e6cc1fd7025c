"""Standards in the laboratory batches of the surveys of a campaign."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from pathlib import Path
from typing import NamedTuple

import oretally.io.laboratory as laboratory
from oretally.flowsheet import InputError
from oretally.io.campaign import Campaign, SurveyEntry
from oretally.io.files import given_contents

__all__ = ["StandardReadings", "standards_of"]


class StandardReadings(NamedTuple):
    """One material in one batch; figures in the unit of the batch.

    ``method_sd`` is that of one reading, as duplicates tell; None if they do not.
    """

    analyte: str
    material: str
    measured: tuple[float, ...]
    certified: float
    certified_sd: float
    method_sd: float | None


def standards_of(
    campaign: Campaign, entries: Sequence[SurveyEntry]
) -> Iterator[tuple[SurveyEntry, tuple[StandardReadings, ...]]]:
    """Yield the standards in the batch of each survey that has a batch.

    One that cannot be read has none: its own balance says so.
    """
    by_number = {entry.number: entry for entry in entries}
    for number, files in campaign.files([*by_number]):
        found = tuple(_standards(files))
        if found:
            yield by_number[number], found


def _standards(files: Mapping[str, bytes]) -> Iterator[StandardReadings]:
    contents = {Path(name): content for name, content in files.items()}
    case = Path(next(iter(contents)).parts[0])
    try:
        with given_contents(contents):
            if not laboratory.has_own_batch(case):
                return
            judged = laboratory.judged_table(laboratory.read_lab(case), "")
    except InputError:
        return
    for judgement in judged.judgements:
        rows = judgement.batch.standards
        for chart in judgement.charts:
            method = (chart.sd**2 - chart.certified_sd**2) ** 0.5
            yield StandardReadings(
                judgement.batch.analyte, chart.name.strip("'"),
                tuple(rows[i].measured for i in chart.places), chart.certified,
                chart.certified_sd, method if method > 1e-9 * chart.sd else None,
            )  # fmt: skip
