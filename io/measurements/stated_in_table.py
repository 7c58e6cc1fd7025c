"""What a measurements table says of itself before its case is read: analytes, masses."""

from __future__ import annotations

from collections.abc import Sequence

from oretally.flowsheet import Analyte, Basis, Dimension
from oretally.flowsheet.circuit import fold_name
from oretally.io.cells import RELATIVE, WET, dissolved_name, plain_number
from oretally.io.files import Table
from oretally.io.measurements.table import EntryReader, read_entries

__all__ = ["assayed_analytes", "error_titles", "grade_columns", "mass_unit", "stated_masses"]


def error_titles(
    table: Table, basis: Basis, analytes: Sequence[str], *, water: bool = False
) -> dict[str, str]:
    """Return the headers of the stated errors in a table, by quantity; what is faulty is left out.

    Parameters as for `read_entries`; a table of stocks will do too.
    """
    words = [cell.text.casefold() for cell in table.header]
    if not {"stream", "node"} & set(words):
        return {}
    reader = EntryReader(table, basis, analytes, water, [])
    if "quantity" in words:
        stated = ((e.quantity, e.error_unit) for e in reader.long().entries
                  if e.error is not None and not e.error.blank)  # fmt: skip
    else:
        stated = ((c.name, c.unit) for c in reader.header()[2]
                  if c.is_error and reader.names.of_error(c.name))  # fmt: skip
    titles: dict[str, str] = {}
    for name, unit in stated:
        titles.setdefault(name, f"\N{PLUS-MINUS SIGN} {name} [{unit or RELATIVE}]")
    return titles


def grade_columns(
    table: Table, basis: Basis, analytes: Sequence[str], *, water: bool = False
) -> dict[str, int]:
    """Return where grades stand in a wide table: column by folded analyte, or 'X in solution'.

    Parameters as for `read_entries`; a long table has none.
    """
    words = [cell.text.casefold() for cell in table.header]
    if "stream" not in words or "quantity" in words:
        return {}
    columns = EntryReader(table, basis, analytes, water, []).header()[2]
    return {
        fold_name(c.name): c.cell.column
        for c in columns
        if not c.is_error and c.unit is not None and c.unit.dimension is Dimension.GRADE
    }  # fmt: skip


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


def mass_unit(
    table: Table, basis: Basis, analytes: Sequence[str], *, water: bool = False
) -> str | None:
    """Return the unit of the masses of a batch, as its header has it; None if it has none.

    Parameters as for `read_entries`.
    """
    if basis is not Basis.BATCH or "stream" not in {c.text.casefold() for c in table.header}:
        return None
    flows = (Basis.BATCH.quantity, WET[Basis.BATCH])
    quantities = read_entries(table, basis, analytes, [], water=water).quantities
    return next((unit.symbol for name, unit in quantities if fold_name(name) in flows), None)
