"""What a measurements table says of itself before its case is read: analytes, masses."""

from __future__ import annotations

from collections.abc import Sequence

from oretally.flowsheet import Analyte, Basis, Dimension
from oretally.flowsheet.circuit import fold_name
from oretally.io.cells import WET, dissolved_name, plain_number
from oretally.io.files import Table
from oretally.io.measurements.table import read_entries

__all__ = ["assayed_analytes", "stated_masses"]


def assayed_analytes(table: Table, basis: Basis, *, water: bool) -> tuple[Analyte, ...]:
    """Return the analytes that the headers of the measurements name, of solids only."""
    read = read_entries(table, basis, (), [], water=water)
    grades = ((n, u) for n, u in read.quantities if u.dimension is Dimension.GRADE)
    return tuple(Analyte(n, u) for n, u in grades if dissolved_name(n) is None)


def stated_masses(
    table: Table, basis: Basis, analytes: Sequence[str], *, water: bool = False
) -> dict[str, float]:
    """Return the mass of each stream of a batch, dry or wet, as far as plain numbers state it, kg.

    Parameters as for `read_entries`. Of several the largest; by streams in folded names.
    """
    if basis is not Basis.BATCH or "stream" not in {c.text.casefold() for c in table.header}:
        return {}
    masses: dict[str, float] = {}
    for entry in read_entries(table, basis, analytes, [], water=water).entries:
        number = plain_number(entry.value)
        if fold_name(entry.quantity) in (Basis.BATCH.quantity, WET[Basis.BATCH]) and number:
            stream = fold_name(entry.stream.text)
            masses[stream] = max(masses.get(stream, 0.0), entry.unit.to_base(number))
    return masses
