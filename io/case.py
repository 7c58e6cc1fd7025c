"""Read a case: a folder or a workbook, to a circuit and a survey, or to all that is wrong."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from oretally.flowsheet import (
    Analyte,
    Circuit,
    Dimension,
    ErrorRule,
    Fault,
    InputError,
    Measurement,
    Place,
    Stream,
    Survey,
)
from oretally.flowsheet.carriers import linked_by_size
from oretally.flowsheet.streams import Content, fold_name
from oretally.io.circuit_sheets import read_circuit_sheets
from oretally.io.circuit_text import read_circuit_text
from oretally.io.csv_table import read_csv_table
from oretally.io.declared_losses import loss_note
from oretally.io.definition import Definition, DefinitionRows, define
from oretally.io.dissolving_leaches import dissolving_notes
from oretally.io.doubts import error_rates
from oretally.io.error_rules import FROM_LAB
from oretally.io.lab_columns import lab_layout
from oretally.io.lab_judgement import error_rule
from oretally.io.lab_table import read_lab
from oretally.io.measurement_table import error_titles, read_entries
from oretally.io.measurements import read_survey
from oretally.io.metal_prices import Price, read_metal_prices
from oretally.io.metallics_table import metallics_measurements
from oretally.io.quantity_names import dissolved_name
from oretally.io.sizes_table import SizesReading, read_sizes, sizes_table
from oretally.io.stocks_table import STOCKS_FILE
from oretally.io.table import Table
from oretally.io.water_flows import leach_faults
from oretally.io.workbook import SUFFIXES, read_workbook
from oretally.recon.findings import ErrorRates

__all__ = [
    "CIRCUIT_FILE",
    "MEASUREMENTS_FILE",
    "SHEETS",
    "Case",
    "Plan",
    "read_case",
    "read_plan",
]

SHEETS = (
    "circuit", "nodes", "analytes", "errors", "sources", "report", "containers", "doubts",
    "lab columns", "stocks", "losses", "prices", "measurements",
)  # fmt: skip

CIRCUIT_FILE = "circuit.toml"
MEASUREMENTS_FILE = "measurements.csv"


@dataclass(frozen=True, slots=True)
class Case:
    """What was read.

    Attributes
    ----------
    circuit, survey : Circuit, Survey
    feed, products : str, tuple of str
        Reference stream of the recoveries, and the streams among which they are shared.
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
    feed: str
    products: tuple[str, ...]
    lost: tuple[str, ...]
    title: str
    notes: tuple[str, ...]
    rates: ErrorRates
    prices: tuple[Price, ...]
    source: Path


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
    rows, table = _parts(path, faults)
    definition, wrong = define(rows, _lab_rules(path, rows, faults))
    faults.extend(wrong)
    reading, rates, prices, ways = None, ErrorRates(), tuple[Price, ...](), list[str]()
    if table is not None:
        streams = definition.stream_names if rows.streams_read else ()
        metallics, ways = metallics_measurements(path, streams, definition.analytes, faults)
        reading = read_survey(
            table,
            basis=definition.basis,
            streams=streams,
            analytes=definition.analytes,
            errors=definition.errors,
            title=definition.title or path.stem,
            faults=faults,
            rules_in_doubt=definition.rules_in_doubt,
            sources=definition.sources,
            metallics=metallics,
            sizes=_sizes(path, definition, table, streams, faults),
            water=definition.water,
            more=() if definition.stocks is None else (definition.stocks,),
        )
        if definition.circuit is not None and not faults:
            faults.extend(leach_faults(definition.circuit, reading.survey))
        named = [row.name for row in rows.sources]
        rates = error_rates(definition.doubts, reading.survey, named, faults)
        prices = read_metal_prices(definition.prices, reading.survey.analytes, faults)
    if faults or definition.circuit is None or reading is None or definition.feed is None:
        raise InputError(faults)
    return Case(
        circuit=definition.circuit,
        survey=replace(
            reading.survey,
            containers=definition.containers,
            measurements=(*reading.survey.measurements, *definition.losses),
        ),
        feed=definition.feed,
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
    gone = {s.name for s in circuit.streams if s.content is Content.DISSOLVED}
    losses = [loss_note(m) for m in flows if m.stream not in gone]
    return [*losses, *dissolving_notes(circuit.streams, flows)]


def _sizes(
    path: Path, definition: Definition, table: Table, streams: Sequence[str], faults: list[Fault]
) -> SizesReading | None:
    """Return the size data of a case; None if it has none.

    Analytes are spelt as in the definition, else as in the headers of the measurements.
    """
    sizes = sizes_table(path, faults)
    if sizes is None:
        return None
    analytes, circuit = definition.analytes, definition.circuit
    parts = circuit.streams if circuit is not None else ()
    return read_sizes(
        sizes,
        streams=streams,
        solutions=[s.name for s in parts if not s.content.has_solids],
        analytes=analytes or _assayed(table, definition),
        errors=definition.errors,
        faults=faults,
        rules_in_doubt=definition.rules_in_doubt,
        listed=bool(analytes),
        linked=dict(zip(circuit.stream_names, linked_by_size(circuit), strict=True))
        if circuit is not None
        else {},
    )


def _assayed(table: Table, definition: Definition) -> tuple[Analyte, ...]:
    """Return the analytes that the headers of the measurements name, of solids only."""
    read = read_entries(table, definition.basis, (), [], water=definition.water.balanced)
    grades = ((n, u) for n, u in read.quantities if u.dimension is Dimension.GRADE)
    return tuple(Analyte(n, u) for n, u in grades if dissolved_name(n) is None)


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
        batches = read_lab(path, layout).batches
    except InputError as error:
        faults.extend(error.faults)
        return None
    fitted = ((fold_name(b.analyte), error_rule(b)) for b in batches)
    return {name: rule for name, rule in fitted if rule is not None}


@dataclass(frozen=True, slots=True)
class Plan:
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
    """

    rows: DefinitionRows
    definition: Definition
    analytes: tuple[Analyte, ...]
    title: str
    errors: Mapping[str, str]

    @property
    def sampled(self) -> tuple[Stream, ...]:
        """Streams that are weighed or sampled: all but declared losses."""
        circuit, losses = self.definition.circuit, {m.stream for m in self.definition.losses}
        return tuple(
            s
            for s in (circuit.streams if circuit else ())
            if s.name not in losses and s.content is not Content.DISSOLVED
        )


def read_plan(source: str | Path) -> Plan:
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
        rows, table = _parts(path, found)
    rows.planned = True
    definition, wrong = define(rows)
    # what is wrong with the measurements does not matter here: there may be none yet
    faults = [f for f in found if f.place.sheet != "measurements"] + wrong
    if faults or definition.circuit is None:
        raise InputError(faults)
    analytes = definition.analytes
    if not analytes and table is not None:
        analytes = _assayed(table, definition)
    errors: dict[str, str] = {}
    if table is not None:
        names = [a.name for a in analytes]
        water = definition.water.balanced
        errors = error_titles(table, definition.basis, names, water=water)
    return Plan(rows, definition, analytes, definition.title or path.stem, errors)


def _parts(path: Path, faults: list[Fault]) -> tuple[DefinitionRows, Table | None]:
    """Return the definition rows and the measurements table; stop at once if there is nothing."""
    name = str(path)
    if path.is_dir():
        return _folder(path, faults)
    if not path.exists():
        raise InputError(
            [
                Fault(
                    "There is no such file or folder.",
                    f"Check the spelling; a case is a folder with {CIRCUIT_FILE} and "
                    f"{MEASUREMENTS_FILE}, or a workbook.",
                    Place(file=name),
                )
            ]
        )
    if path.suffix.casefold() not in SUFFIXES:
        raise InputError(
            [
                Fault(
                    "This is not a case.",
                    f"Give the folder that holds {CIRCUIT_FILE} and {MEASUREMENTS_FILE}, or a "
                    f"workbook ({', '.join(SUFFIXES)}).",
                    Place(file=name),
                )
            ]
        )
    sheets, wrong = read_workbook(path, path.name, SHEETS)
    faults.extend(wrong)
    if not sheets:
        raise InputError(
            faults
            or [
                Fault(
                    "The workbook has none of the sheets of a case.",
                    f"Name them {', '.join(SHEETS)}.",
                    Place(file=path.name),
                )
            ]
        )
    if "measurements" not in sheets:
        faults.append(
            Fault(
                "There is no sheet 'measurements'.",
                "Add it: one row a stream, one column a quantity.",
                Place(file=path.name),
            )
        )
    return read_circuit_sheets(sheets, path.name), sheets.get("measurements")


def _folder(path: Path, faults: list[Fault]) -> tuple[DefinitionRows, Table | None]:
    circuit, measurements = path / CIRCUIT_FILE, path / MEASUREMENTS_FILE
    missing = [
        Fault(f"There is no {file.name} in the folder.", mend, Place(file=str(path)))
        for file, mend in (
            (circuit, "Write it, or start from 'oretally new'."),
            (measurements, "Write it: one row a stream, one column a quantity."),
        )
        if not file.is_file()
    ]
    if missing:
        raise InputError(missing)
    rows = read_circuit_text(circuit, CIRCUIT_FILE)
    if (path / STOCKS_FILE).is_file():
        rows.stocks, wrong = read_csv_table(path / STOCKS_FILE, STOCKS_FILE)
        faults.extend(wrong)
    table, wrong = read_csv_table(measurements, MEASUREMENTS_FILE)
    faults.extend(wrong)
    return rows, table
