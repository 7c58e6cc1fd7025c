"""From entries to measurements: numbers checked, errors found, replicates pooled."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import oretally.recon.laboratory as laboratory
from oretally.flowsheet import (
    Analyte,
    Basis,
    Dimension,
    Fault,
    Measurement,
    Survey,
    Unit,
    parse_unit,
)
from oretally.flowsheet.survey import Sourced, with_sources
from oretally.io.cells import OTHER_QUANTITIES, WATER, dissolved_name, entered
from oretally.io.definition import Definition, Scope
from oretally.io.files import Table, without_pasted
from oretally.io.laboratory import with_metallics
from oretally.io.measurements.dry_flows import DryFlows, dry_flows
from oretally.io.measurements.entries import EntryChecker
from oretally.io.measurements.nothing import assays_of_nothing
from oretally.io.measurements.replicates import Reading, pooled_replicates
from oretally.io.measurements.source_notes import source_notes
from oretally.io.measurements.table import EntryTable, read_entries
from oretally.io.measurements.water_flows import dissolved_analytes, water_flows
from oretally.io.sizes import SizesReading

__all__ = ["SurveyReading", "read_survey"]

_REPLICATES = "If they are replicates, number them in a column 'replicate'."


@dataclass(frozen=True, slots=True)
class SurveyReading:
    """A survey, what the reader should know of its numbers, and why they cannot be relied on.

    ``unlike``: weights of one stream that differ by more than their errors explain.
    """

    survey: Survey
    notes: tuple[str, ...]
    contradictions: tuple[str, ...] = ()
    unlike: tuple[str, ...] = ()


def read_survey(
    table: Table,
    definition: Definition,
    faults: list[Fault],
    *,
    metallics: Sequence[Measurement] = (),
    sizes: SizesReading | None = None,
    timed: Sequence[Measurement] = (),
) -> SurveyReading:
    """Read a measurements table; everything wrong with it is added to ``faults``.

    Parameters
    ----------
    table : Table
    definition : Definition
        Of its case. Without analytes, the headers say what is assayed; without names of streams,
        these are not judged. Its stocks are read with the measurements.
    faults : list of Fault
    metallics : sequence of Measurement
        Grades of screened metallics.
    sizes : SizesReading, optional
        Shares and grades of size classes.
    timed : sequence of Measurement
        Of a leach over time.

    Notes
    -----
    Rows of one stream are replicates: their mean, weighted by 1/sd^2, with the sd
    1/sqrt(sum 1/sd^2), where each sd is the one stated for that mean. Rows alike in every cell
    count once. A value below detection is taken as uniform between 0 and the limit: half the limit,
    with sd limit/sqrt(12) (JCGM 100:2008, GUM, 4.3.7).
    """
    sizes = sizes or SizesReading()
    basis, water, stocks = definition.basis, definition.water, definition.stocks
    pasted = [without_pasted(t) for t in (table, stocks) if t is not None]
    tables = [t for t, _ in pasted]
    alike = [f"{note} {_REPLICATES}" for _, told in pasted for note in told]
    names = [a.name for a in definition.analytes]
    reads = [(t, read_entries(t, basis, names, faults, water=water.balanced)) for t in tables]
    quantities: dict[str, Unit] = {}
    for name, shown in (pair for _, read in reads for pair in read.quantities):
        quantities.setdefault(name, shown)
    analytes = definition.analytes or _assayed(quantities, metallics, sizes)
    found, notes = _measured(reads, definition, analytes, faults)
    flow_unit = _flow_unit(quantities, basis, table, faults)
    apart, unlike = list[str](), list[str]()
    pooled, told = pooled_replicates(found, faults, apart, unlike)
    notes = [*alike, *notes]
    notes += [entered(f"{m.quantity} of '{m.stream}'", m.value, m.sd, m.unit, m.error_source)
              for m in pooled if m.bounded]  # fmt: skip
    pooled = with_metallics(pooled, metallics, faults)
    sourced = _sourced([*pooled, *sizes.measurements, *timed], definition, table, faults)
    balanced = _balanced(sourced, definition, flow_unit, faults)
    faults += assays_of_nothing(balanced.measurements, basis)
    scope = Scope(basis, definition.stream_names, analytes)
    of_sources = source_notes(definition.sources, sourced, scope, faults)
    named = [*quantities, *dict.fromkeys(m.quantity for m in timed)]
    survey = Survey(
        basis, flow_unit, analytes, tuple(balanced.measurements), definition.title,
        shared=tuple(balanced.shared), sizes=sizes.grid, water=water.balanced, stacks=sizes.stacks,
        dissolved=dissolved_analytes(water, analytes, named, faults, table.place),
    )  # fmt: skip
    notes = [*notes, *told, *balanced.notes, *of_sources, *sizes.notes]
    return SurveyReading(survey, tuple(notes), tuple(apart), tuple(unlike))


def _assayed(
    quantities: Mapping[str, Unit], metallics: Sequence[Measurement], sizes: SizesReading
) -> tuple[Analyte, ...]:
    """Return the analytes of the headers: of sizes, of metallics, of the measurements."""
    units = {a.name: a.unit for a in sizes.analytes}
    units |= {m.quantity: m.unit for m in metallics}
    grades = {n: u for n, u in quantities.items() if u.dimension is Dimension.GRADE}
    units |= {n: u for n, u in grades.items() if dissolved_name(n) is None}
    return tuple(Analyte(name, unit) for name, unit in units.items())


def _measured(
    reads: Sequence[tuple[Table, EntryTable]], definition: Definition,
    analytes: Sequence[Analyte], faults: list[Fault],
) -> tuple[list[Reading], list[str]]:  # fmt: skip
    """Return the readings of all entries, and notes on them."""
    found, told = list[Reading](), list[str]()
    for table, read in reads:
        checker = EntryChecker(table, read, definition, analytes, faults)
        found += [m for entry in read.entries if (m := checker.reading(entry)) is not None]
        checker.check_unmeasured()
        checker.report_missing()
        told += checker.notes
    return found, told


def _flow_unit(
    quantities: Mapping[str, Unit], basis: Basis, table: Table, faults: list[Fault]
) -> Unit:
    """Return the unit in which flows are shown; a fault is added if nothing gives a flow."""
    usual = "kg" if basis is Basis.BATCH else "t/h"
    flows = (basis.quantity, basis.quantity.replace("dry", "wet"))
    found = next((u for n, u in quantities.items() if n in flows), None)
    if found is None and not {"pulp", WATER} & quantities.keys() and not faults:
        faults.append(
            Fault(f"No column gives the {basis.quantity}.",
                  f"Add the column {basis.quantity} [{usual}], with a number for one stream at "
                  "least.", table.place)
        )  # fmt: skip
    return found or parse_unit(usual)


def _sourced(
    typed: Sequence[Measurement], definition: Definition, table: Table, faults: list[Fault]
) -> Sourced:
    """Return what was measured with its sources of error; without them, with a fault, if wrong."""
    try:
        return with_sources(typed, definition.sources)
    except laboratory.SamplingError as error:  # a grade above that of its mineral
        problem = f"A sampling error cannot be computed: {error.problem}."
        mend = "Correct the assay, or what [sources] says of the mineral."
        faults.append(Fault(problem, mend, table.place))
        return with_sources(typed, ())


def _balanced(
    sourced: Sourced, definition: Definition, flow_unit: Unit, faults: list[Fault]
) -> DryFlows:
    """Return what is balanced, made of what was measured."""
    incomplete: list[Fault] = []
    basis, water = definition.basis, definition.water
    if water.balanced:
        found = water_flows(sourced, basis, flow_unit, contents=water.contents, faults=incomplete)
    else:
        found = dry_flows(sourced, basis, flow_unit, faults=incomplete)
    if not any(f.place.quantity in OTHER_QUANTITIES for f in faults):
        faults.extend(incomplete)  # else they may follow from what was refused already
    return found
