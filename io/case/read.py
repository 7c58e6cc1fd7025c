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
    Missing,
    Place,
    Survey,
)
from oretally.flowsheet.circuit import Content, fold_name, reference_name
from oretally.io.case.certificate import difference_notes, stream_of_samples
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
from oretally.io.files import (
    EMPTY,
    NO_ROWS,
    Table,
    Workbook,
    collection_paused,
    is_file,
    readable_name,
)
from oretally.io.kinetics import KineticsReading, names_over_time, read_kinetics
from oretally.io.measurements import (
    assayed_analytes,
    held_against,
    leach_faults,
    read_survey,
    with_net_masses,
)
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
    contradictions : tuple of str
        Why the numbers are not to be relied on, as of a `Balance`: a laboratory batch that is not
        to be used, rows of one name that are two things.
    rates : ErrorRates
        How often its numbers are badly wrong, before looking at them.
    prices : tuple of Price
        Of metals, as far as they are stated.
    source : Path
        As given.
    mismatches : tuple of str
        Typed grades that are not the laboratory's, and weights of one stream that their errors do
        not explain, a sentence each; they are among the notes too.
    doubled : tuple of str
        Rows of one stream that differ by more than their errors explain, a sentence each: those of
        the contradictions and of the mismatches.
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
    contradictions: tuple[str, ...] = ()
    mismatches: tuple[str, ...] = ()
    doubled: tuple[str, ...] = ()

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
    rows, tables, book = case_parts(path, faults, more=("kinetics", "metallics", "sizes"))
    table = tables.get("measurements")
    if "kinetics" in tables:
        rows.timed = names_over_time(tables["kinetics"])
    batches, samples = _batches(path, rows, book, faults, ways := list[str]())
    definition, wrong = define(rows, _lab_rules(rows, batches))
    faults.extend(wrong)
    reading, timed, rates, prices = None, None, ErrorRates(), tuple[Price, ...]()
    mismatches: tuple[str, ...] = ()
    gone = list[str]()
    if table is not None:
        if rows.weighing is not None:
            table = with_net_masses(table, rows.weighing, definition.containers, faults)
        definition = replace(definition, title=definition.title or readable_name(path.stem))
        streams, analytes = definition.stream_names, definition.analytes
        metallics = list[Measurement]()
        if "metallics" in tables:
            metallics, more = laboratory.read_metallics(
                tables["metallics"], streams, analytes, faults
            )
            ways += more
        sizes = _sizes(tables.get("sizes"), definition, table, faults)
        timed = _timed(tables.get("kinetics"), definition, table, faults)
        definition = _over_time(definition, timed)
        reading = read_survey(
            table, definition, faults, metallics=metallics, sizes=sizes,
            timed=() if timed is None else timed.measurements,
        )  # fmt: skip
        ways += () if timed is None else timed.notes
        if samples or rows.lab is not None:
            labels = stream_of_samples(rows, definition, definition.title, samples, faults, gone)
            held = held_against(
                table,
                laboratory.matched(samples, labels),
                definition.analytes,
                definition.basis,
                water=definition.water.balanced,
            )
            mismatches = tuple(difference_notes(held, readable_name(path.name)))
        mismatches += reading.unlike
        if definition.circuit is not None and not faults:
            faults.extend(leach_faults(definition.circuit, reading.survey))
        named = [row.name for row in rows.sources]
        rates = error_rates(definition.doubts, reading.survey, named, faults)
        prices = read_metal_prices(definition.prices, reading.survey.analytes, faults)
    if faults or definition.circuit is None or reading is None or not definition.feeds:
        raise InputError(faults)
    assayed = {m.quantity for m in reading.survey.measurements}
    condemned = laboratory.condemned(batches, assayed, path) if batches else ()
    return Case(
        circuit=definition.circuit,
        survey=replace(
            reading.survey,
            containers=definition.containers,
            measurements=(*reading.survey.measurements, *definition.losses),
            course=None if timed is None else timed.course,
        ),
        feeds=definition.feeds,
        products=definition.products,
        lost=definition.lost,
        title=reading.survey.title,
        notes=(
            *mismatches,
            *reading.notes,
            *ways,
            *gone,
            *_declared(definition.circuit, definition.losses),
        ),
        rates=rates,
        prices=prices,
        source=path,
        contradictions=(*condemned, *reading.contradictions),
        mismatches=mismatches,
        doubled=(*reading.contradictions, *reading.unlike),
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


def _timed(
    kinetics: Table | None, definition: Definition, table: Table, faults: list[Fault]
) -> KineticsReading | None:
    """Return what a case says of a leach over time; None if that is nothing."""
    if kinetics is None:
        return None
    water = definition.water.balanced
    analytes = definition.analytes or assayed_analytes(table, definition.basis, water=water)
    return read_kinetics(kinetics, definition, analytes, faults)


def _over_time(definition: Definition, timed: KineticsReading | None) -> Definition:
    """Return the definition with the circuit of a leach over time."""
    if timed is None:
        return definition
    streams = timed.circuit.streams
    contents = {**definition.water.contents, **{s.name: s.content for s in streams}}
    return replace(
        definition, circuit=timed.circuit, stream_names=timed.circuit.stream_names,
        water=replace(definition.water, contents=contents),
    )  # fmt: skip


def _batches(
    path: Path, rows: DefinitionRows, book: Workbook | None, faults: list[Fault], notes: list[str]
) -> tuple[Sequence[laboratory.LabBatch] | None, Sequence[laboratory.SampleReading]]:
    """Return the laboratory batch of a case, an analyte each, and its assays of samples.

    Where an error is to come from it, what is wrong with it is a fault, and it is None then; else a
    note.
    """
    before, wanted = len(faults), _from_lab(rows)
    layout = lab_layout(rows.lab, faults)
    if len(faults) > before:
        return None if wanted else (), ()
    if not wanted and not laboratory.has_batch(path, layout, book):
        return (), ()
    try:
        found = laboratory.read_lab(path, layout, book)
    except InputError as error:
        if wanted:
            faults.extend(error.faults)
            return None, ()
        if not {f.problem for f in error.faults} & {EMPTY, NO_ROWS, laboratory.NO_ASSAY}:
            name = readable_name(path.name)
            notes.append(f"The laboratory batch cannot be read: see 'oretally lab {name}'.")
        return (), ()
    return found.batches, found.samples


def _from_lab(rows: DefinitionRows) -> bool:
    """Tell whether any error is to come from the laboratory batch."""
    return any(str(row.absolute).strip().casefold() == FROM_LAB for row in rows.errors)


def _lab_rules(
    rows: DefinitionRows, batches: Sequence[laboratory.LabBatch] | None
) -> dict[str, ErrorRule] | None:
    """Return the errors wanted of a batch, by folded analyte; None if it is faulty."""
    if batches is None:
        return None
    if not _from_lab(rows):
        return {}
    fitted = ((fold_name(b.analyte), laboratory.error_rule(b)) for b in batches)
    return {name: rule for name, rule in fitted if rule is not None}


def unfilled(case: Case) -> InputError | None:
    """Return what to say of a case without a single number; None if it has one."""
    if case.survey.measurements:
        return None
    flow = case.survey.basis.quantity
    where = "measurements" if is_file(case.source) else ""
    place = Place(file=case.source.name if where else MEASUREMENTS_FILE, sheet=where)
    mend = (
        f"Write the {flow} of one stream at least and what was assayed, each in the row of its "
        "stream, with its error beside it."
    )
    return InputError([Fault("No number is filled in yet.", mend, place, Missing("number"))])
