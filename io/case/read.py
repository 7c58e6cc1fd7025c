"""Read a case: a folder or a workbook, to a circuit and a survey, or to all that is wrong."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import oretally.io.laboratory as laboratory
from oretally.flowsheet import (
    Circuit,
    ErrorRule,
    Fault,
    InputError,
    Measurement,
    Place,
    Survey,
)
from oretally.flowsheet.circuit import Content, fold_name, reference_name
from oretally.io.case.source import MEASUREMENTS_FILE, case_parts
from oretally.io.definition import (
    FROM_LAB,
    Definition,
    DefinitionRows,
    Price,
    define,
    dissolving_notes,
    error_rates,
    lab_layout,
    loss_note,
    read_metal_prices,
)
from oretally.io.files import Table, collection_paused
from oretally.io.measurements import assayed_analytes, leach_faults, read_survey, with_net_masses
from oretally.io.sizes import SizesReading, read_sizes
from oretally.recon.result import ErrorRates

__all__ = ["Case", "read_case", "unfilled"]


@dataclass(frozen=True, slots=True)
class Case:
    """What was read.

    Attributes
    ----------
    circuit, survey : Circuit, Survey
    feeds, products : tuple of str
        Streams to which recoveries refer, all together, and those among which they are shared.
    lost : tuple of str
        Products that count as lost; empty if that is not said.
    title : str
    notes : tuple of str
        What the reader should know of the numbers: below detection, replicates that spread.
    rates : ErrorRates
        How often its numbers are badly wrong, before looking at them.
    prices : tuple of Price
        Of metals, as far as they are stated.
    source : Path
        As given.
    """

    circuit: Circuit
    survey: Survey
    feeds: tuple[str, ...]
    products: tuple[str, ...]
    lost: tuple[str, ...]
    title: str
    notes: tuple[str, ...]
    rates: ErrorRates
    prices: tuple[Price, ...]
    source: Path

    @property
    def feed(self) -> str:
        """What the feeds are called together; the name of the feed if there is one."""
        return reference_name(self.feeds)


@collection_paused()
def read_case(source: str | Path) -> Case:
    """Read a case folder or workbook.

    Parameters
    ----------
    source : str or Path
        Folder with circuit.toml and measurements.csv, or a workbook (.xlsx, .ods) with sheets of
        the same names.

    Raises
    ------
    InputError
        With every fault of circuit, errors and measurements, each located.

    Examples
    --------
    >>> read_case("no such folder")
    Traceback (most recent call last):
    ...
    oretally.flowsheet.faults.InputError: no such folder: There is no such file or folder.
    Check the spelling; a case is a folder with circuit.toml and measurements.csv, or a workbook.
    """
    path = Path(source)
    faults: list[Fault] = []
    rows, tables = case_parts(path, faults, more=("metallics", "sizes"))
    table = tables.get("measurements")
    definition, wrong = define(rows, _lab_rules(path, rows, faults))
    faults.extend(wrong)
    reading, rates, prices, ways = None, ErrorRates(), tuple[Price, ...](), list[str]()
    if table is not None:
        if rows.weighing is not None:
            table = with_net_masses(table, rows.weighing, definition.containers, faults)
        definition = replace(definition, title=definition.title or path.stem)
        streams, analytes = definition.stream_names, definition.analytes
        metallics = list[Measurement]()
        if "metallics" in tables:
            metallics, ways = laboratory.read_metallics(
                tables["metallics"], streams, analytes, faults
            )
        sizes = _sizes(tables.get("sizes"), definition, table, faults)
        reading = read_survey(table, definition, faults, metallics=metallics, sizes=sizes)
        if definition.circuit is not None and not faults:
            faults.extend(leach_faults(definition.circuit, reading.survey))
        named = [row.name for row in rows.sources]
        rates = error_rates(definition.doubts, reading.survey, named, faults)
        prices = read_metal_prices(definition.prices, reading.survey.analytes, faults)
    if faults or definition.circuit is None or reading is None or not definition.feeds:
        raise InputError(faults)
    return Case(
        circuit=definition.circuit,
        survey=replace(
            reading.survey,
            containers=definition.containers,
            measurements=(*reading.survey.measurements, *definition.losses),
        ),
        feeds=definition.feeds,
        products=definition.products,
        lost=definition.lost,
        title=reading.survey.title,
        notes=(*reading.notes, *ways, *_declared(definition.circuit, definition.losses)),
        rates=rates,
        prices=prices,
        source=path,
    )


def _declared(circuit: Circuit, flows: Sequence[Measurement]) -> list[str]:
    """Return the notes on declared losses and on solids that dissolve."""
    lost = {s.name: s.like for s in circuit.streams if s.content is not Content.DISSOLVED}
    losses = [loss_note(m, lost[m.stream]) for m in flows if m.stream in lost]
    return [*losses, *dissolving_notes(circuit.streams, flows)]


def _sizes(
    sizes: Table | None, definition: Definition, table: Table, faults: list[Fault]
) -> SizesReading | None:
    """Return the size data of a case; None if it has none.

    Analytes are spelt as in the definition, else as in the headers of the measurements.
    """
    if sizes is None:
        return None
    if definition.analytes:
        return read_sizes(sizes, definition, faults)
    assayed = assayed_analytes(table, definition.basis, water=definition.water.balanced)
    return read_sizes(sizes, definition, faults, assayed=assayed)


def _lab_rules(
    path: Path, rows: DefinitionRows, faults: list[Fault]
) -> dict[str, ErrorRule] | None:
    """Return the rules of the laboratory batch, if any error is to come from it.

    None if its table is faulty: the faults say so already.
    """
    before = len(faults)
    layout = lab_layout(rows.lab, faults)
    if not any(str(row.absolute).strip().casefold() == FROM_LAB for row in rows.errors):
        return {}
    if len(faults) > before:
        return None
    try:
        batches = laboratory.read_lab(path, layout).batches
    except InputError as error:
        faults.extend(error.faults)
        return None
    fitted = ((fold_name(b.analyte), laboratory.error_rule(b)) for b in batches)
    return {name: rule for name, rule in fitted if rule is not None}


def unfilled(case: Case) -> InputError | None:
    """Return what to say of a case without a single number; None if it has one."""
    if case.survey.measurements:
        return None
    flow = case.survey.basis.quantity
    where = "measurements" if case.source.is_file() else ""
    place = Place(file=case.source.name if where else MEASUREMENTS_FILE, sheet=where)
    mend = (
        f"Write the {flow} of one stream at least and what was assayed, each in the row of its "
        "stream, with its error beside it."
    )
    return InputError([Fault("No number is filled in yet.", mend, place)])
