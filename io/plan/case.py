"""A case read for a plan: the point of the balances, what can be measured, and how well."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

from oretally.flowsheet import (
    Circuit,
    ErrorSource,
    Fault,
    InputError,
    Place,
    Positions,
    Survey,
    parse_unit,
)
from oretally.io.case import (
    EXPECTED_FILE,
    MEASUREMENTS_FILE,
    PRICES_FILE,
    Case,
    UnmeasuredCase,
    read_case,
    read_unmeasured,
)
from oretally.io.files import (
    Table,
    is_file,
    is_folder,
    read_csv_table,
    readable_name,
)
from oretally.io.measurements import read_survey
from oretally.io.plan.candidates import Candidates
from oretally.io.plan.in_bulk import in_bulk, values_with_sizes
from oretally.io.plan.no_point import named_values, no_point
from oretally.io.plan.prices import SAMPLE, PriceTable, one_each, read_prices
from oretally.recon import Balance, reconcile
from oretally.recon.plan import Candidate, Declared, NoPlanPoint, PlanPoint, Prices, balanced_point

__all__ = ["PlanCase", "read_plan_case"]

_SHEET = "measurements"


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
    places : Positions
        Of that survey, without its shared sources.
    candidates : tuple of Candidate
    declared : tuple of Declared
        What the case states of losses and of solids that dissolve.
    prices : Prices
    currency : str
    sources : tuple of ErrorSource
    title : str
    without_error : tuple of str
        Quantities that are on offer, but for which no error is stated.
    notes : tuple of str
    """

    circuit: Circuit
    survey: Survey
    point: PlanPoint
    places: Positions
    candidates: tuple[Candidate, ...]
    declared: tuple[Declared, ...]
    prices: Prices
    currency: str
    sources: tuple[ErrorSource, ...]
    title: str
    without_error: tuple[str, ...]
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
    plan = read_unmeasured(source)
    definition = plan.definition
    circuit = definition.circuit
    if circuit is None or not definition.feeds:  # read_plan has refused it
        raise InputError([Fault("The circuit cannot be read.", "Run 'oretally check'.")])
    if expected is None and is_file(source / EXPECTED_FILE):
        expected = source / EXPECTED_FILE
    if prices is None and is_file(source / PRICES_FILE):
        prices = source / PRICES_FILE
    notes: list[str] = []
    case = _measured(source, plan, expected is not None)
    measured = None if case is None else case.survey
    if case is not None and case.survey.course is not None:  # a chain of leaches, one a time
        circuit = case.circuit
        definition = replace(definition, circuit=circuit, stream_names=circuit.stream_names)
    survey = today = measured or Survey(definition.basis, parse_unit("kg"), plan.analytes, ())
    looked_for: Survey | None = None
    if expected is not None:
        looked_for = _expected(plan, expected)
        name = readable_name(expected.name)
        survey, today = _with_expected(plan, measured, looked_for, name, notes)
    whole = case if survey.sizes.n_classes else None
    if whole is not None:
        survey, today = in_bulk(survey), in_bulk(today)
        notes.append("Planned for the bulk: the sieve analyses are left out, and what they tell of "
                     "the bulk is not counted in any ±.")  # fmt: skip
    feeds = {"feed": definition.feeds, "products": definition.products}
    try:
        point = balanced_point(circuit, survey, **feeds)
    except NoPlanPoint as error:
        more = [] if whole is None else values_with_sizes(_balance(whole), error.unknown)
        if not more:
            raise no_point(error) from error
        named = named_values([(m.stream, m.quantity) for m in more])
        notes.append(f"{named}: expected as the balance with the sieve analyses has them.")
        survey = replace(survey, measurements=(*survey.measurements, *more))
        try:
            point = balanced_point(circuit, survey, **feeds)
        except NoPlanPoint as last:
            raise no_point(last) from last
    places = point.places
    quantities = {row.quantity: row.meaning.unit for row in places.rows}
    faults: list[Fault] = []
    table: PriceTable | None = one_each(list(quantities))
    if prices is not None:
        table = read_prices(prices, circuit.stream_names, quantities, faults)
    else:
        notes.append(
            "No prices were given: each reading counts 1, and the budget is a number of "
            f"readings. Write {PRICES_FILE} with the columns quantity and price."
        )
    if table is None or faults:
        raise InputError(faults)
    reader = Candidates(definition, today, looked_for, point=point, places=places, table=table,
                        notes=notes, faults=faults)  # fmt: skip
    candidates = reader.all()
    if faults:
        raise InputError(faults)
    notes += [s.note for s in definition.sources if s.note]
    sample = {s: table.price(s, SAMPLE) or 0.0 for s in circuit.stream_names}
    return PlanCase(circuit, survey, point, places, tuple(candidates), tuple(reader.declared),
                    Prices(table.least_charge, sample), table.currency, definition.sources,
                    plan.title, tuple(reader.without), tuple(notes))  # fmt: skip


def _balance(case: Case) -> Balance:
    return reconcile(
        case.circuit, case.survey, feed=case.feeds, products=case.products, suspects=False
    )


def _measured(source: Path, plan: UnmeasuredCase, may_be_blank: bool) -> Case | None:
    """Return the case as measured; None if it has no numbers yet and need not have any."""
    if _blank(plan.table):
        if may_be_blank:
            return None
        mend = (
            f"Write what you expect into {EXPECTED_FILE}: columns as in {MEASUREMENTS_FILE}."
            if is_folder(source)
            else f"Write what you expect into a CSV file with the columns of the sheet "
            f"'{_SHEET}', and name it: --expected FILE."
        )
        raise InputError([
            Fault("There is nothing to plan from: no number is measured, and none is expected.",
                  mend, Place(file=str(source)))
        ])  # fmt: skip
    return read_case(source)


def _blank(table: Table | None) -> bool:
    """Tell whether a table has no entry beside the names of streams."""
    if table is None:
        return True
    names = [c.text.casefold() == "stream" for c in table.header]
    return all(
        cell.blank
        for row in table.rows
        for cell, named in zip(row, names, strict=True)
        if not named
    )


def _expected(plan: UnmeasuredCase, expected: Path) -> Survey:
    """Return the expected values."""
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
    alone = replace(d, analytes=plan.analytes, title=plan.title, sources=(), stocks=None)
    found = read_survey(table, alone, faults).survey
    if faults:
        raise InputError(faults)
    return found


def _with_expected(
    plan: UnmeasuredCase, measured: Survey | None, expected: Survey, name: str, notes: list[str]
) -> tuple[Survey, Survey]:
    """Return the survey of the point, and the measured one; declared losses are in both."""
    declared = plan.definition.losses
    if measured is None:
        notes.append(f"Nothing is measured yet: the plan works from the values of {name}.")
        today = replace(expected, measurements=tuple(declared), shared=())
    else:
        today = measured
    own = {(m.stream, m.quantity) for m in declared}
    known = {(m.stream, m.quantity) for m in today.measurements} - own
    more = [m for m in expected.measurements if (m.stream, m.quantity) not in known]
    of_loss = {(m.stream, m.quantity) for m in more}
    kept = tuple(m for m in today.measurements if (m.stream, m.quantity) not in of_loss)
    shared = today.shared
    if measured is None:
        shared = expected.shared
    else:
        notes.append(f"{len(more)} values of {name} stand where nothing is measured.")
    return replace(today, measurements=(*kept, *more), shared=shared), today
