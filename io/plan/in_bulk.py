"""A survey with sieve analyses as a plan takes it: its bulk, with no size classes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from oretally.flowsheet import Measurement, Survey
from oretally.flowsheet.survey import SizeGrid, meanings
from oretally.recon import Balance

__all__ = ["in_bulk", "values_with_sizes"]

_SOURCE = "balance with sizes"


def in_bulk(survey: Survey) -> Survey:
    """Return a survey without its size classes."""
    known = meanings(survey)
    by_size = {q for q, meaning in known.items() if meaning.run is not None}
    return replace(
        survey, sizes=SizeGrid(), stacks=frozenset(),
        measurements=tuple(m for m in survey.measurements if m.quantity not in by_size),
        shared=tuple(s for s in survey.shared if s.quantity not in by_size),
    )  # fmt: skip


def values_with_sizes(balance: Balance, names: Sequence[tuple[str, str]]) -> list[Measurement]:
    """Return what a balance that has the sizes as well gives of values, where it does."""
    found, known = [], meanings(balance.survey)
    for stream, quantity in names:
        value = balance.value(stream, quantity)
        if value.adjusted and value.adjusted_sd:
            unit = known[quantity].unit
            found.append(Measurement(stream, quantity, value.adjusted, unit, value.adjusted_sd,
                                     _SOURCE))  # fmt: skip
    return found
