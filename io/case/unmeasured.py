"""A case before its measurements: what is to be weighed and assayed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

from oretally.flowsheet import (
    Analyte,
    Fault,
    InputError,
    Stream,
)
from oretally.io.case.certificate import label_of_streams, sampled_streams, stream_of_samples
from oretally.io.case.source import CIRCUIT_FILE, EXPECTED_FILE, MEASUREMENTS_FILE, case_parts
from oretally.io.definition import (
    STOCKS_FILE,
    Definition,
    DefinitionRows,
    LabSample,
    define,
    read_circuit_text,
)
from oretally.io.files import Table, is_file, is_folder, read_csv_table, readable_name
from oretally.io.kinetics import KINETICS_FILE
from oretally.io.measurements import assayed_analytes, error_titles, mass_unit, stated_masses
from oretally.io.sizes import SIZES_FILE

if TYPE_CHECKING:
    from oretally.io.laboratory import SampleReading

__all__ = ["UnmeasuredCase", "read_unmeasured"]

_NOT_YET = ("measurements", "kinetics", "sizes")  # sheets of which nothing need be there


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
    table : Table or None
        Of its measurements, as it stands; None if there is none that can be read.
    kinetics : tuple of tuple of str
        Header of the table of times, then its rows: the time alone, the rest to be filled in.
        Empty if the case has none.
    mass_unit : str or None
        Of the masses of a batch, as the header of the measurements has it.
    sized : bool
        Whether it has a table of size classes.
    """

    rows: DefinitionRows
    definition: Definition
    analytes: tuple[Analyte, ...]
    title: str
    errors: Mapping[str, str]
    masses: Mapping[str, float]
    table: Table | None = None
    kinetics: tuple[tuple[str, ...], ...] = ()
    mass_unit: str | None = None
    sized: bool = False

    @property
    def sampled(self) -> tuple[Stream, ...]:
        """Streams that are weighed or sampled: all but declared losses."""
        return sampled_streams(self.definition)

    @property
    def labels(self) -> dict[str, str]:
        """Label of the sample of each of these streams."""
        return label_of_streams(self.rows, self.definition, self.title)

    def streams_of_labels(
        self, samples: Iterable[SampleReading], faults: list[Fault],
        said: Sequence[LabSample] = (),
    ) -> dict[str, str]:  # fmt: skip
        """Return the stream of each label that a sample can have; see `stream_of_samples`.

        ``said`` is whose samples are which beyond what the case states.
        Of labels without a result nothing is said here: the balance notes them.
        """
        return stream_of_samples(
            self.rows, self.definition, self.title, samples, faults, [], said=said
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
    timed: Table | None = None
    sized = is_file(path / SIZES_FILE)
    if is_folder(path) and is_file(path / CIRCUIT_FILE):
        rows, table = read_circuit_text(path / CIRCUIT_FILE, CIRCUIT_FILE), None
        if is_file(path / KINETICS_FILE):
            timed, _ = read_csv_table(path / KINETICS_FILE, KINETICS_FILE)
        if is_file(path / MEASUREMENTS_FILE):
            table, _ = read_csv_table(path / MEASUREMENTS_FILE, MEASUREMENTS_FILE)
        if is_file(path / STOCKS_FILE):  # its header says which errors are stated
            stocks, _ = read_csv_table(path / STOCKS_FILE, STOCKS_FILE)
            rows.stocks = None if stocks is None else replace(stocks, rows=())
    else:
        rows, tables, _ = case_parts(path, found, more=("kinetics", "sizes"))
        table, timed = tables.get("measurements"), tables.get("kinetics")
        sized = "sizes" in tables
    rows.planned = True
    definition, wrong = define(rows)
    # what is wrong with the measurements does not matter here: there may be none yet
    faults = [f for f in found if f.place.sheet not in _NOT_YET] + wrong
    if faults or definition.circuit is None:
        raise InputError(faults)
    analytes = definition.analytes
    if not analytes and table is not None:
        analytes = assayed_analytes(table, definition.basis, water=definition.water.balanced)
    names, water = [a.name for a in analytes], definition.water.balanced
    errors: dict[str, str] = {}
    weighed: str | None = None
    if table is not None:
        weighed = mass_unit(table, definition.basis, names, water=water)
        errors = error_titles(table, definition.basis, names, water=water)
    expected = None
    if is_file(path / EXPECTED_FILE):
        expected, _ = read_csv_table(path / EXPECTED_FILE, EXPECTED_FILE)
    masses: dict[str, float] = {}
    for given in (expected, table):  # what was measured goes before what is expected
        if given is not None:
            masses |= stated_masses(given, definition.basis, names, water=water)
    title = definition.title or readable_name(path.stem)
    times = () if timed is None else _times(timed)
    return UnmeasuredCase(rows, definition, analytes, title, errors, masses, table, times, weighed,
                          sized)  # fmt: skip


def _times(table: Table) -> tuple[tuple[str, ...], ...]:
    """Return the header of a table of times, and its rows with the time alone."""
    header = tuple(cell.text for cell in table.header)
    at = next((j for j, word in enumerate(header) if word.casefold().startswith("time")), None)
    if at is None:
        return ()
    rows = (row[at].text for row in table.rows if row[at].text)
    return header, *(tuple(t if j == at else "" for j in range(len(header))) for t in rows)
