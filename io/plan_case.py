"""A case read for a plan: the point of the balances, what can be measured, and how well."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from oretally.flowsheet import (
    Arrangement,
    Circuit,
    ErrorSource,
    Fault,
    InputError,
    Place,
    Survey,
    arrangement,
    parse_unit,
)
from oretally.io.case import MEASUREMENTS_FILE, Plan, read_case, read_plan
from oretally.io.csv_table import read_csv_table
from oretally.io.measurements import read_survey
from oretally.io.plan_candidates import Candidates
from oretally.io.prices_table import SAMPLE, PriceTable, one_each, read_prices
from oretally.recon.measurement_plan import Candidate, Prices
from oretally.recon.plan_point import PlanPoint, balanced_point

__all__ = ["EXPECTED_FILE", "PRICES_FILE", "PlanCase", "read_plan_case"]

EXPECTED_FILE, PRICES_FILE = "expected.csv", "prices.csv"


@dataclass(frozen=True)
class PlanCase:
    """What a plan starts from.

    Attributes
    ----------
    circuit : Circuit
    survey : Survey
        Measured values, and expected ones where nothing was measured.
    point : PlanPoint
        Their balance.
    places : Arrangement
        Of that survey, without its shared sources.
    candidates : tuple of Candidate
    prices : Prices
    currency : str
    sources : tuple of ErrorSource
    title : str
    notes : tuple of str
    """

    circuit: Circuit
    survey: Survey
    point: PlanPoint
    places: Arrangement
    candidates: tuple[Candidate, ...]
    prices: Prices
    currency: str
    sources: tuple[ErrorSource, ...]
    title: str
    notes: tuple[str, ...]


def read_plan_case(
    source: Path, prices: Path | None = None, expected: Path | None = None
) -> PlanCase:
    """Read a case, its expected values and its prices.

    Raises
    ------
    InputError
        With every fault found in the file that stops the reading.
    """
    plan = read_plan(source)
    definition = plan.definition
    circuit = definition.circuit
    if circuit is None or definition.feed is None:  # read_plan has refused it
        raise InputError([Fault("The circuit cannot be read.", "Run 'oretally check'.")])
    if expected is None and (source / EXPECTED_FILE).is_file():
        expected = source / EXPECTED_FILE
    if prices is None and (source / PRICES_FILE).is_file():
        prices = source / PRICES_FILE
    notes: list[str] = []
    measured = _measured(source, expected is not None)
    survey = today = measured or Survey(definition.basis, parse_unit("kg"), plan.analytes, ())
    if expected is not None:
        survey, today = _with_expected(plan, measured, expected, notes)
    if survey.sizes.n_classes:
        raise InputError([
            Fault("The case has size classes, and sieve analyses are not planned yet.",
                  "Plan for the bulk grades: leave the size data out of a copy of the case.",
                  Place(file=str(source)))
        ])  # fmt: skip
    point = balanced_point(circuit, survey, definition.feed, definition.products)
    places = arrangement(circuit, replace(survey, shared=()))
    quantities = list(dict.fromkeys(row.quantity for row in places.rows))
    faults: list[Fault] = []
    table: PriceTable | None = one_each(quantities)
    if prices is not None:
        table = read_prices(prices, circuit.stream_names, quantities, faults)
    else:
        notes.append(
            "No prices were given: each reading counts 1, and the budget is a number of "
            f"readings. Write {PRICES_FILE} with the columns quantity and price."
        )
    if table is None or faults:
        raise InputError(faults)
    candidates = Candidates(plan.definition, today, point, places, table, notes, faults).all()
    if faults:
        raise InputError(faults)
    notes += [s.note for s in definition.sources if s.note]
    sample = {s: table.price(s, SAMPLE) or 0.0 for s in circuit.stream_names}
    return PlanCase(circuit, survey, point, places, tuple(candidates),
                    Prices(table.least_charge, sample), table.currency, definition.sources,
                    plan.title, tuple(notes))  # fmt: skip


def _measured(source: Path, may_be_blank: bool) -> Survey | None:
    """Return the survey of the case; None if it has no numbers yet and need not have any."""
    if source.is_dir():
        file = source / MEASUREMENTS_FILE
        table = read_csv_table(file, MEASUREMENTS_FILE)[0] if file.is_file() else None
        at = [] if table is None else [c.text.casefold() == "stream" for c in table.header]
        blank = table is None or all(
            cell.blank
            for row in table.rows
            for cell, names in zip(row, at, strict=True)
            if not names
        )
        if blank and may_be_blank:
            return None
        if blank:
            raise InputError([
                Fault("There is nothing to plan from: no number is measured, and none is expected.",
                      f"Write what you expect into {EXPECTED_FILE}: columns as in "
                      f"{MEASUREMENTS_FILE}.", Place(file=str(source)))
            ])  # fmt: skip
    return read_case(source).survey


def _with_expected(
    plan: Plan, measured: Survey | None, expected: Path, notes: list[str]
) -> tuple[Survey, Survey]:
    """Return the survey of the point, and the measured one."""
    faults: list[Fault] = []
    table, wrong = read_csv_table(expected, expected.name, key="stream")
    faults.extend(wrong)
    d = plan.definition
    if d.rules_in_doubt:
        faults.append(
            Fault("An error comes from the laboratory batch; expected values need it stated.",
                  "Write relative or absolute figures under [errors].", Place(file=expected.name))
        )  # fmt: skip
    if table is None or faults:
        raise InputError(faults)
    found = read_survey(
        table, basis=d.basis, streams=d.stream_names, analytes=plan.analytes, errors=d.errors,
        title=plan.title, faults=faults, rules_in_doubt=d.rules_in_doubt, water=d.water,
    ).survey  # fmt: skip
    if faults:
        raise InputError(faults)
    if measured is None:
        notes.append(f"Nothing is measured yet: the plan works from the values of {expected.name}.")
        return found, replace(found, measurements=(), shared=())
    known = {(m.stream, m.quantity) for m in measured.measurements}
    more = [m for m in found.measurements if (m.stream, m.quantity) not in known]
    notes.append(f"{len(more)} values of {expected.name} stand where nothing is measured.")
    return replace(measured, measurements=(*measured.measurements, *more)), measured
