"""The work of `oretally plan`: read, plan, show."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import click

from oretally.flowsheet import Fault, InputError
from oretally.io.commands.output_files import refuse_overwriting, write_whole
from oretally.io.commands.progress import progress
from oretally.io.files import toml_key
from oretally.io.plan import (
    PlanCase,
    default_answers,
    plan_json,
    plan_summary,
    read_answers,
    read_budget,
    read_plan_case,
)
from oretally.recon.plan import MeasurementPlan, plan_measurements

__all__ = ["planned", "written_plan"]


def planned(
    source: Path,
    *,
    asked: Sequence[str] = (),
    budget: str | None = None,
    prices: Path | None = None,
    expected: Path | None = None,
    keep: bool = False,
) -> tuple[PlanCase, MeasurementPlan]:
    """Return a case and the plan of its measurements; the options are those of the command.

    Raises
    ------
    InputError
        With every fault found.
    """
    faults: list[Fault] = []
    money = read_budget(budget, faults)
    try:
        case = read_plan_case(source, prices, expected)
    except InputError as error:
        raise InputError([*faults, *error.faults]) from None
    answers = read_answers(asked, case, faults) if asked else default_answers(case)
    if not faults and not answers:
        faults.append(
            Fault("There is no answer to plan for: the circuit has no product, or one that all of "
                  "the feed goes into.", "Ask for one: --for 'QUANTITY of STREAM'.")
        )  # fmt: skip
    on_offer = any(c.most > (c.today if keep else 0) for c in case.candidates)
    if not on_offer and case.without_error:
        faults.append(_without_error(case))
    elif not on_offer:
        faults.append(
            Fault("Nothing more is to be had at these prices.",
                  "Give a price for what can be measured, or more readings in the column 'most'.")
        )  # fmt: skip
    if faults:
        raise InputError(faults)
    found = plan_measurements(
        case.point.tangent, case.candidates, case.prices, answers=answers, declared=case.declared,
        budget=money, keep=keep,
    )  # fmt: skip
    if not found.answers:
        raise InputError([
            Fault(f"Nothing on offer determines the {', the '.join(found.never)}.",
                  "Offer more measurements: each needs a price that is not '-', and an error "
                  "rule under [errors].")
        ])  # fmt: skip
    return case, found


def _without_error(case: PlanCase) -> Fault:
    """Return what to do where nothing can be planned because no error is stated."""
    names = case.without_error
    return Fault(
        f"No error of one reading is stated for {', '.join(names)}, and a plan weighs errors: "
        "nothing can be planned.",
        f"Write a rule for each under [errors], as in {toml_key(names[0])} = {{ relative = 3 }} "
        f"(percent of the value, one standard deviation),\nor a column ± {names[0]} [rel %] beside "
        "the expected values.",
    )


@contextmanager
def _silent_libraries() -> Iterator[None]:
    """Let nothing but ours reach standard output: a library prints to it from C."""
    try:
        kept = os.dup(1)
    except OSError:  # it is closed: nothing reaches it
        yield
        return
    try:
        with open(os.devnull, "wb") as nothing:
            os.dup2(nothing.fileno(), 1)
        yield
    finally:
        os.dup2(kept, 1)
        os.close(kept)


def written_plan(
    source: Path, json_file: str | None, *, asked: Sequence[str], budget: str | None,
    prices: Path | None, expected: Path | None, keep: bool,
) -> str:  # fmt: skip
    """Return what the command prints; the file asked for is written."""
    refuse_overwriting([source, prices, expected], json_file)
    with progress("planning"), _silent_libraries():
        case, found = planned(
            source, asked=asked, budget=budget, prices=prices, expected=expected, keep=keep
        )
    if json_file == "-":
        return plan_json(case, found)
    if json_file is not None:
        write_whole(Path(json_file), plan_json(case, found))
        click.echo(f"written: {json_file}", err=True)
    return plan_summary(case, found)
