"""A mass of 0 with an assay: a 0 that stands for 'not weighed', the usual mistake with it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from oretally.flowsheet import Basis, Dimension, Fault, Measurement
from oretally.io.cells import WATER, dissolved_name

__all__ = ["assays_of_nothing"]


def assays_of_nothing(measurements: Sequence[Measurement], basis: Basis) -> Iterator[Fault]:
    """Yield the streams that hold nothing by their mass, though they were assayed.

    A mass of 0 without an assay may be true: nothing came out there.
    """
    assays: dict[tuple[str, str], str] = {}
    for m in measurements:
        if m.unit.dimension is Dimension.GRADE:
            holder = WATER if dissolved_name(m.quantity) else basis.quantity
            assays.setdefault((m.stream, holder), m.quantity)
    for m in measurements:
        assayed = assays.get((m.stream, m.quantity))
        if assayed is not None and m.value == 0.0:
            yield Fault(
                f"The {m.quantity} is 0, but there is an assay of {assayed}: what is not there "
                "cannot be assayed.",
                "0 means that there was none: leave the cell empty if it was not weighed\n"
                "or clear the assays.", m.place.about(stream=m.stream, quantity=m.quantity),
            )  # fmt: skip
