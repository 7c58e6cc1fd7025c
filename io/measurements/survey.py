"""From entries to measurements: numbers checked, errors found, replicates pooled."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from oretally.flowsheet import (
    Analyte,
    Basis,
    Dimension,
    ErrorModel,
    ErrorSource,
    Fault,
    Measurement,
    Survey,
    Unit,
    parse_unit,
)
from oretally.flowsheet.survey import SizeGrid, SizeRule, with_sources
from oretally.io.cells import OTHER_QUANTITIES, WATER, dissolved_name, entered
from oretally.io.definition import Scope, WaterBalance
from oretally.io.files import Table, collection_paused
from oretally.io.laboratory import with_metallics
from oretally.io.measurements.dry_flows import dry_flows
from oretally.io.measurements.entries import EntryChecker
from oretally.io.measurements.replicates import pooled_replicates
from oretally.io.measurements.source_notes import source_notes
from oretally.io.measurements.table import read_entries
from oretally.io.measurements.water_flows import dissolved_analytes, water_flows
from oretally.io.sizes import SizesReading
from oretally.recon.laboratory import SamplingError

__all__ = ["SurveyReading", "read_survey"]


@dataclass(frozen=True, slots=True)
class SurveyReading:
    """A survey and what the reader should know of its numbers."""

    survey: Survey
    notes: tuple[str, ...]


def read_survey(
    table: Table,
    *,
    basis: Basis,
    streams: Sequence[str],
    analytes: Sequence[Analyte],
    errors: ErrorModel,
    title: str,
    faults: list[Fault],
    rules_in_doubt: frozenset[str] = frozenset(),
    sources: Sequence[ErrorSource] = (),
    metallics: Sequence[Measurement] = (),
    sizes: SizesReading | None = None,
    water: WaterBalance | None = None,
    more: Sequence[Table] = (),
) -> SurveyReading:
    """Read a measurements table; everything wrong with it is added to ``faults``.

    Parameters
    ----------
    table : Table
    basis : Basis
    streams : sequence of str
        Names of the circuit's streams; empty if they could not be read: then names are not judged.
    analytes : sequence of Analyte
        If empty, the headers say what is assayed.
    errors : ErrorModel
        Used where a row states no error.
    title : str
    faults : list of Fault
    rules_in_doubt : frozenset of str
        Folded quantities whose error rules were refused already ('*' for all): that a measurement
        then has no error is not reported again.
    sources : sequence of ErrorSource
        Come on top of the stated errors.
    metallics : sequence of Measurement
        Grades of screened metallics.
    sizes : SizesReading, optional
        Shares and grades of size classes.
    water : WaterBalance, optional
        What streams carry, where water is balanced too.
    more : sequence of Table
        Other tables with the same columns.

    Notes
    -----
    Rows of one stream are replicates: their mean, weighted by 1/sd^2, with the sd
    1/sqrt(sum 1/sd^2), where each sd is the one stated for that mean. A value below detection is
    taken as uniform between 0 and the limit: half the limit, with sd limit/sqrt(12) (JCGM 100:2008,
    GUM, 4.3.7).
    """
    water = water or WaterBalance()
    tables = (table, *more)
    names = [a.name for a in analytes]
    reads = [read_entries(t, basis, names, faults, water=water.balanced) for t in tables]
    quantities: dict[str, Unit] = {}
    for name, shown in (pair for read in reads for pair in read.quantities):
        quantities.setdefault(name, shown)
    if not analytes:
        units = {n: u for n, u in quantities.items() if u.dimension is Dimension.GRADE}
        units = {n: u for n, u in units.items() if dissolved_name(n) is None}
        units = {m.quantity: m.unit for m in metallics} | units
        units = {a.name: a.unit for a in (sizes.analytes if sizes else ())} | units
        analytes = [Analyte(name, unit) for name, unit in units.items()]
    found, told = list[tuple[Measurement, SizeRule | None]](), list[str]()
    for t, read in zip(tables, reads, strict=True):
        checker = EntryChecker(t, read, streams=streams, analytes=analytes, errors=errors,
                               in_doubt=rules_in_doubt, faults=faults)  # fmt: skip
        with collection_paused():
            found += [m for entry in read.entries if (m := checker.measurement(entry)) is not None]
        told += checker.notes
    flows = (basis.quantity, basis.quantity.replace("dry", "wet"))
    flow_unit = next((u for n, u in quantities.items() if n in flows), None)
    if flow_unit is None and not {"pulp", WATER} & quantities.keys() and not faults:
        faults.append(
            Fault(
                f"No column gives the {basis.quantity}.",
                f"Add the column {basis.quantity} "
                f"[{'kg' if basis is Basis.BATCH else 't/h'}], with a number for one stream at "
                "least.",
                table.place,
            )
        )
    rules = [rule for _, rule in found]
    pooled, notes = pooled_replicates([m for m, _ in found], faults, rules)
    notes = [
        *(entered(f"{m.quantity} of '{m.stream}'", m.value, m.sd, m.unit, m.error_source)
          for m in pooled if m.bounded),
        *notes,
    ]  # fmt: skip
    unit = flow_unit or _any_unit(basis)
    incomplete: list[Fault] = []
    pooled = with_metallics(pooled, metallics, faults)
    pooled += sizes.measurements if sizes else ()
    try:
        sourced = with_sources(pooled, sources)
    except SamplingError as error:  # a grade above that of its mineral
        problem = f"A sampling error cannot be computed: {error.problem}."
        mend = "Correct the assay, or what [sources] says of the mineral."
        faults.append(Fault(problem, mend, table.place))
        sourced = with_sources(pooled, ())
    typed, shared = sourced.measurements, sourced.shared
    if water.balanced:
        dry = water_flows(typed, basis, unit, water.contents, incomplete, shared)
    else:
        dry = dry_flows(typed, basis, unit, incomplete, shared)
    if not any(f.place.quantity in OTHER_QUANTITIES for f in faults):
        faults.extend(incomplete)  # else they may follow from what was refused already
    of_sources = source_notes(sources, sourced, Scope(basis, streams, analytes), faults)
    survey = Survey(
        basis, unit, tuple(analytes), tuple(dry.measurements), title, shared=tuple(dry.shared),
        sizes=sizes.grid if sizes else SizeGrid(), water=water.balanced,
        stacks=sizes.stacks if sizes else frozenset(),
        dissolved=dissolved_analytes(water, analytes, list(quantities), faults, table.place),
    )  # fmt: skip
    told += [*notes, *dry.notes, *of_sources, *(sizes.notes if sizes else ())]
    return SurveyReading(survey, tuple(told))


def _any_unit(basis: Basis) -> Unit:
    return parse_unit("kg" if basis is Basis.BATCH else "t/h")
