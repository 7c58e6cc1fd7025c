"""A case before its measurements: what is to be weighed and assayed."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

from oretally.flowsheet import (
    Analyte,
    Fault,
    InputError,
    Stream,
)
from oretally.flowsheet.circuit import Content
from oretally.io.case.source import CIRCUIT_FILE, EXPECTED_FILE, MEASUREMENTS_FILE, case_parts
from oretally.io.definition import (
    STOCKS_FILE,
    Definition,
    DefinitionRows,
    define,
    read_circuit_text,
)
from oretally.io.files import read_csv_table
from oretally.io.measurements import assayed_analytes, error_titles, stated_masses

__all__ = ["UnmeasuredCase", "read_unmeasured"]


@dataclass(frozen=True, slots=True)
class UnmeasuredCase:
    """A case before its measurements: what is to be weighed and assayed.

    Attributes
    ----------
    rows : DefinitionRows
        As written.
    definition : Definition
        Its circuit is there.
    analytes : tuple of Analyte
        From the definition, else from the headers of the measurements.
    title : str
    errors : mapping of str to str
        Headers of stated errors in the measurements, by quantity.
    masses : mapping of str to float
        Masses of a batch that are stated or expected, by stream in folded names, kg.
    """

    rows: DefinitionRows
    definition: Definition
    analytes: tuple[Analyte, ...]
    title: str
    errors: Mapping[str, str]
    masses: Mapping[str, float]

    @property
    def sampled(self) -> tuple[Stream, ...]:
        """Streams that are weighed or sampled: all but declared losses."""
        circuit, losses = self.definition.circuit, {m.stream for m in self.definition.losses}
        return tuple(
            s
            for s in (circuit.streams if circuit else ())
            if s.name not in losses and s.content is not Content.DISSOLVED
        )


def read_unmeasured(source: str | Path) -> UnmeasuredCase:
    """Read the definition of a case; its measurements may still be blank.

    Raises
    ------
    InputError
        With every fault of the definition, each located.
    """
    path = Path(source)
    found: list[Fault] = []
    if path.is_dir() and (path / CIRCUIT_FILE).is_file():
        rows, table = read_circuit_text(path / CIRCUIT_FILE, CIRCUIT_FILE), None
        if (path / MEASUREMENTS_FILE).is_file():
            table, _ = read_csv_table(path / MEASUREMENTS_FILE, MEASUREMENTS_FILE)
        if (path / STOCKS_FILE).is_file():  # its header says which errors are stated
            stocks, _ = read_csv_table(path / STOCKS_FILE, STOCKS_FILE)
            rows.stocks = None if stocks is None else replace(stocks, rows=())
    else:
        rows, tables = case_parts(path, found)
        table = tables.get("measurements")
    rows.planned = True
    definition, wrong = define(rows)
    # what is wrong with the measurements does not matter here: there may be none yet
    faults = [f for f in found if f.place.sheet != "measurements"] + wrong
    if faults or definition.circuit is None:
        raise InputError(faults)
    analytes = definition.analytes
    if not analytes and table is not None:
        analytes = assayed_analytes(table, definition.basis, water=definition.water.balanced)
    names, water = [a.name for a in analytes], definition.water.balanced
    errors: dict[str, str] = {}
    if table is not None:
        errors = error_titles(table, definition.basis, names, water=water)
    expected = None
    if (path / EXPECTED_FILE).is_file():
        expected, _ = read_csv_table(path / EXPECTED_FILE, EXPECTED_FILE)
    masses: dict[str, float] = {}
    for given in (expected, table):  # what was measured goes before what is expected
        if given is not None:
            masses |= stated_masses(given, definition.basis, names, water=water)
    title = definition.title or path.stem
    return UnmeasuredCase(rows, definition, analytes, title, errors, masses)
