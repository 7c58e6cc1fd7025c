"""The main path: from a circuit and a survey to a consistent balance."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import oretally.recon.no_balance as no_balance
from oretally.flowsheet import BalanceModel, Circuit, Position, Survey, parse_unit
from oretally.flowsheet.circuit import timed_streams
from oretally.flowsheet.problem import check_survey, reference_streams
from oretally.recon.answers import (
    Answers,
    analyte_amounts,
    balanced_values,
    bounded_notes,
    calculated_heads,
    closures,
    combined_feed,
    formula_recoveries,
    never_by_size,
    open_notes,
    ratio_notes,
    recovery_budgets,
    reference_notes,
    solver_notes,
    vague_notes,
    worth_totals,
)
from oretally.recon.draws import doubtful_answers
from oretally.recon.gross_errors import gross_errors
from oretally.recon.kinetics import (
    LeachEvidence,
    TimedTest,
    timed_leach,
    timed_products,
    with_timed_suspects,
)
from oretally.recon.leach_and_stocks import (
    dissolution_notes,
    dissolutions,
    extraction_notes,
    extractions,
    impossible_stocks,
    inventories,
    stock_notes,
)
from oretally.recon.leach_over_time import courses, reagent_uses
from oretally.recon.losses import losses_of
from oretally.recon.other_surveys import UsualReading
from oretally.recon.propagation import global_test
from oretally.recon.reduction import classes_of, require_scale
from oretally.recon.result import (
    Balance,
    BalancedValue,
    CalculatedHead,
    CombinedFeed,
    ErrorRates,
    GrossErrors,
    ValueClass,
)
from oretally.recon.sizes import by_size
from oretally.recon.solver import propagate, released_bounds, solve_certified

__all__ = ["reconcile", "solved_answers"]


def reconcile(
    circuit: Circuit,
    survey: Survey,
    *,
    feed: str | Sequence[str] | None = None,
    products: Sequence[str] | None = None,
    alpha: float = 0.05,
    starts: int | None = None,
    rates: ErrorRates | None = None,
    lost: Sequence[str] | None = None,
    prices: Mapping[str, float] | None = None,
    trials: int | None = None,
    second_opinions: bool = True,
    so_far: Callable[[Balance], None] | None = None,
    suspects: bool = True,
    usual: Mapping[tuple[str, str], UsualReading] | None = None,
) -> Balance:
    """Adjust all measurements so that everything balances, and say what follows.

    Parameters
    ----------
    circuit : Circuit
    survey : Survey
    feed : str or sequence of str, optional
        Stream to which recoveries refer, or several that count together; by default all feeds that
        bring solids (`Circuit.ore_feeds`).
    products : sequence of str, optional
        Streams among which recoveries are shared; by default all that leave the circuit.
    alpha : float
        Level of the global test and, over all measurements together, of the measurement test.
    starts : int, optional
        First flows to try, in search of a better balance; a note says how many agree.
    rates : ErrorRates, optional
        How often numbers are badly wrong, before looking at them; for the suspects.
    lost : sequence of str, optional
        Products that count as lost; by default all but the richest, analyte by analyte, and of a
        test over time those without a time.
    prices : mapping of str to float, optional
        Money per kg of an analyte, for what several are worth together.
    trials : int, optional
        Changes to try if there is no balance, to name some that make one possible: by default as
        many as the work allows (`oretally.recon.solver.work.WORK`), 24 at the most.
    second_opinions : bool
        Whether other methods are asked which number is wrong: it changes nothing else.
    so_far : callable, optional
        Told of a balance before it is asked which numbers are wrong and where metal is lost, which
        takes the longest: as yet without suspects, losses, worth and notes.
    suspects : bool
        Whether to look for wrong numbers at all; it takes most of the time.
    usual : mapping of (str, str) to UsualReading, optional
        What the other surveys of a campaign say of each number, by stream and quantity
        (`oretally.recon.other_surveys`): evidence of which number is wrong.

    Returns
    -------
    Balance
        Without adjusted values or answers if it did not converge; `Balance.unbalanced` says why.

    Raises
    ------
    InputError
        If ``feed``, ``products`` or ``lost`` name no stream, or a stream or analyte of the survey
        is unknown.
    NotBalanceable
        If nothing fixes the scale, or exact values contradict each other.

    Examples
    --------
    >>> from oretally.flowsheet import Analyte, Basis, Measurement, parse_unit
    >>> circuit = Circuit.build(
    ...     {"feed": (None, "table"), "conc": ("table", None), "tails": ("table", None)})
    >>> kg, percent = parse_unit("kg"), parse_unit("%")
    >>> survey = Survey(Basis.BATCH, kg, (Analyte("Sn", percent),), (
    ...     Measurement("feed", "dry mass", 25.0, kg, 0.1),
    ...     Measurement("feed", "Sn", 0.80, percent, 0.02),
    ...     Measurement("conc", "Sn", 30.0, percent, 0.5),
    ...     Measurement("tails", "Sn", 0.30, percent, 0.01)))
    >>> balance = reconcile(circuit, survey)
    >>> round(balance.recovery("conc", "Sn").recovery, 1)
    63.1
    """
    rates = ErrorRates() if rates is None else rates
    answers = solved_answers(circuit, survey, feed, products, starts)
    model, covariance = answers.model, answers.covariance
    solution = covariance.solution
    if not solution.converged:
        feeds, products = _names(answers)
        return no_balance.NoBalance(model, solution, feeds, products, alpha, rates).balance(trials)
    balance, places = _balance(answers, alpha=alpha)
    if so_far is not None:
        so_far(balance)
    leach = timed_leach(model, covariance)
    balance = replace(
        balance,
        gross_errors=gross_errors(
            answers if leach is None else replace(answers, covariance=leach.covariance),
            balance.values,
            places,
            test=balance.global_test,
            rates=rates,
            closures=len(balance.closures),
            second_opinions=second_opinions,
            course=None if leach is None else LeachEvidence(leach),
            usual=usual,
        )
        if suspects
        else GrossErrors(rates=rates),
        losses=losses_of(answers, lost or _left(answers)),
    )
    if leach is not None:
        balance = replace(balance, courses=courses(leach), reagents=reagent_uses(leach))
    elif balance.timed is not None:
        test = TimedTest(model, covariance.held, balance.feeds)
        balance = replace(balance, timed=with_timed_suspects(test, balance.timed, rates))
    return replace(
        balance, notes=_notes(balance, answers, asked_starts=starts is not None),
        worth=worth_totals(answers, balance.losses, prices) if prices else (),
        doubtful=doubtful_answers(balance, model.positions, solution),
        contradictions=impossible_stocks(model),
    )  # fmt: skip


def solved_answers(
    circuit: Circuit,
    survey: Survey,
    feed: str | Sequence[str] | None = None,
    products: Sequence[str] | None = None,
    starts: int | None = None,
) -> Answers:
    """Balance a survey and no more: each answer is worked out when it is asked for.

    Parameters and errors are those of `reconcile`. Whether there is a balance,
    ``covariance.solution.converged`` of the answers tells.
    """
    model = BalanceModel(circuit, survey)
    check_survey(model)
    feeds, products = reference_streams(circuit, feed, products)
    require_scale(survey, feeds)
    classes_of(model)  # exact values that contradict each other are named
    solution = solve_certified(model.problem, starts)
    return Answers.of(model, propagate(model.problem, solution), feeds=feeds, products=products)


def _balance(answers: Answers, *, alpha: float) -> tuple[Balance, list[Position]]:
    """Return a balance as far as `reconcile` tells of it, and where its values stand."""
    model, covariance, solution = answers.model, answers.covariance, answers.covariance.solution
    feeds, products = _names(answers)
    values, places = _missed(model, *balanced_values(model, covariance, alpha))
    test = global_test(solution.objective, solution.classes.degrees_of_freedom, alpha)
    released = released_bounds(model.problem, solution, len(model.survey.analytes))
    recoveries, gaps = answers.recoveries(released), closures(model)
    heads, together = calculated_heads(model, feeds, products), combined_feed(answers)
    balance = Balance(
        circuit=model.circuit,
        survey=model.survey,
        feeds=feeds,
        products=products,
        converged=True,
        status=solution.status.value,
        iterations=solution.iterations,
        objective=solution.objective,
        stationarity=solution.stationarity,
        certificate=solution.certificate,
        max_imbalance=solution.max_imbalance,
        global_test=test,
        values=values,
        closures=gaps,
        heads=tuple(_with_adjusted(head, values, together) for head in heads),
        recoveries=recoveries,
        separations=answers.separations(),
        formulas=formula_recoveries(model, recoveries),
        budgets=recovery_budgets(answers, recoveries),
        amounts=analyte_amounts(answers),
        sizes=by_size(model, covariance),
        extractions=extractions(model, covariance),
        dissolutions=dissolutions(model, covariance),
        inventories=inventories(model, covariance),
        gross_errors=GrossErrors(),
        notes=(),
        combined_feed=together,
        timed=timed_products(model, covariance, feeds),
    )
    return balance, places


def _names(answers: Answers) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return the names of the feeds, and those of the products."""
    feeds, products = (
        tuple(answers.streams[j] for j in some) for some in (answers.feeds, answers.products)
    )
    return feeds, products


def _left(answers: Answers) -> list[str] | None:
    """Return the products of a test over time that have none, which count as lost; or None."""
    timed = {s.name for s in timed_streams(answers.model.circuit.streams)}
    products = [answers.streams[j] for j in answers.products]
    left = [name for name in products if name not in timed]
    return left if timed and 0 < len(left) < len(products) else None


def _notes(balance: Balance, answers: Answers, *, asked_starts: bool) -> tuple[str, ...]:
    """Return what the reader must know."""
    model, covariance = answers.model, answers.covariance
    solution, stocks = covariance.solution, balance.inventories
    return (
        *solver_notes(model, solution, asked_starts=asked_starts),
        *open_notes(model, solution.classes),
        *vague_notes(model, covariance),
        *ratio_notes(balance.separations),
        *reference_notes(answers),
        *bounded_notes(model.survey, balance.values, balance.gross_errors.hidden),
        *stock_notes(
            model.circuit, balance.feeds, recoveries=balance.recoveries, inventories=stocks
        ),
        *extraction_notes(model, covariance),
        *dissolution_notes(model, balance.global_test),
    )


def _missed(
    model: BalanceModel, values: Sequence[BalancedValue], places: list[Position]
) -> tuple[tuple[BalancedValue, ...], list[Position]]:
    """Return the rows without classes that nothing determines and nobody looked for."""
    never = never_by_size(model)
    kept = [
        i
        for i, v in enumerate(values)
        if v.value_class is not ValueClass.UNOBSERVABLE or (v.stream, v.quantity) not in never
    ]
    return tuple(values[i] for i in kept), [places[i] for i in kept]


def _with_adjusted(
    head: CalculatedHead, values: Sequence[BalancedValue], together: CombinedFeed | None
) -> CalculatedHead:
    """Return the head with the adjusted feed grade beside it, in the same unit."""
    if together is not None:
        value, sd = together.grades[head.analyte] or (None, None)
        return replace(head, adjusted=value, adjusted_sd=sd)
    for v in values:
        if (v.stream, v.quantity) == (head.stream, head.analyte) and v.adjusted is not None:
            written, shown = parse_unit(v.unit), parse_unit(head.unit)
            sd = v.adjusted_sd
            return replace(
                head,
                adjusted=shown.from_base(written.to_base(v.adjusted)),
                adjusted_sd=None if sd is None else shown.from_base(written.to_base(sd)),
            )
    return head
