"""The work of `oretally campaign FILE show` and `decide`."""

from __future__ import annotations

from collections.abc import Callable, Set
from dataclasses import replace

import oretally.io.results as results
from oretally.flowsheet import Circuit, Fault, InputError, NotBalanceable, Place, Survey
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.faults import nearest_name
from oretally.flowsheet.survey import without_measurement
from oretally.io.campaign import (
    LEAVE_OUT,
    TAKE_BACK,
    Campaign,
    SurveyEntry,
    author,
    open_campaign,
    survey_story,
)
from oretally.io.campaign_commands.beside_others import told_by_others
from oretally.io.case import Case
from oretally.io.first_page import kept_sentences
from oretally.io.report import narrow
from oretally.io.wording import this_terminal
from oretally.recon import reconcile
from oretally.recon.other_surveys import UsualReadings
from oretally.recon.result import Balance

__all__ = ["balanced_survey", "noted_decision", "shown_survey", "usual_readings"]

Named = Callable[[Circuit, Survey, str], tuple[str, str]]


def shown_survey(file: str, label: str, parts: tuple[str, ...]) -> tuple[str, bool]:
    """Return what the campaign knows of a survey, its balance below; and whether there is one.

    ``parts``: sections of the balance to print; none for the first screen.
    """
    campaign, terminal = open_campaign(file), this_terminal()
    entry = campaign.entry(label)
    story = survey_story(entry, campaign.history(entry), campaign.decisions(), terminal)
    others = usual_readings(campaign)
    try:
        case, balance = balanced_survey(campaign, entry, others)
    except NotBalanceable as error:
        return f"{story}\nThis cannot be balanced.\n{error}\n", False
    beside = told_by_others(campaign, entry, balance, others.surveys)
    text = results.summary(
        balance, case.prices, None, parts=parts, terminal=terminal, beside=beside
    )
    sure = "".join("\n".join([*narrow(told), ""]) for told in case.mismatches)
    return f"{story}\n{sure}{text}", balance.converged


def usual_readings(campaign: Campaign) -> UsualReadings:
    """Return what the surveys of a campaign that can be read say of each other's numbers."""
    return UsualReadings([s for _, s, _ in campaign.read_surveys() if s is not None])


def balanced_survey(
    campaign: Campaign, entry: SurveyEntry, others: UsualReadings
) -> tuple[Case, Balance]:
    """Return the case of a survey, and its balance without what is left out of it by decision.

    What the case says against its numbers stands in the balance, as 'oretally balance' has it.
    Which number is wrong is judged by ``others`` too, the surveys of the campaign.

    Raises
    ------
    InputError
        If this version refuses what an earlier one took.
    NotBalanceable
    """
    case = campaign.case(entry)
    survey = _without(case.survey, campaign.left_out().get(entry.number, frozenset()))
    found = reconcile(
        case.circuit, survey, feed=case.feeds, products=case.products, rates=case.rates,
        lost=case.lost or None, prices={p.analyte: p.per_kg for p in case.prices},
        usual=others.beside(entry.label),
    )  # fmt: skip
    return case, replace(
        found, notes=(*found.notes, *case.notes),
        contradictions=(*case.contradictions, *found.contradictions),
    )  # fmt: skip


def noted_decision(
    file: str, label: str, what: str, *, of: str | None, why: str, by: str | None, named: Named,
) -> str:  # fmt: skip
    """Note a decision, and return it in words; ``named`` reads how a measurement is written.

    Raises
    ------
    InputError
        If there is no such survey or measurement, or no reason is given.
    """
    campaign = open_campaign(file)
    entry = campaign.entry(label)
    what = " ".join(what.split())
    acts = (LEAVE_OUT, TAKE_BACK)
    told = next((known for known in acts if fold_name(what) == known), what)
    near = nearest_name(told, acts) if told not in acts else None
    if near is not None:
        problem = f"'{told}' is none of the words that act, but nearly one."
        mend = f"Did you mean '{near}'? A note that changes nothing needs other words."
        raise InputError([Fault(problem, mend, Place(cell="WHAT"))])
    faults = [
        Fault(f"The {name} is empty.", "Write it in words.", Place(cell=place))
        for name, text, place in (("decision", told, "WHAT"), ("reason", why.strip(), "--why"))
        if not text
    ]
    if faults:
        raise InputError(faults)
    stream = quantity = ""
    if of is not None:
        case = campaign.case(entry)
        stream, quantity = named(case.circuit, case.survey, of)
    out = campaign.left_out().get(entry.number, frozenset())
    is_out = (stream, quantity) in out
    name = f"The {quantity} of '{stream}' in '{entry.label}'" if stream else f"'{entry.label}'"
    if (told == LEAVE_OUT and is_out) or (told == TAKE_BACK and not is_out):
        state = "is left out already" if is_out else "is not left out"
        problem = f"{name} {state}."
        raise InputError([Fault(problem, "There is nothing to decide.", Place(file=campaign.name))])
    campaign.decide(
        entry, told, why=why.strip(), by=author() if by is None else by, stream=stream,
        quantity=quantity,
    )  # fmt: skip
    if told not in acts:
        return f"{name}: {told}.\nKept as a note: it changes nothing.\n"
    before, after = (_recovered(campaign, entry, left) for left in (
        out, campaign.left_out().get(entry.number, frozenset())))  # fmt: skip
    lines = [f"{name}: {told}.", *narrow(f"Before: {before}", rest="  "),
             *narrow(f"Now: {after}", rest="  ")]  # fmt: skip
    return "\n".join([*lines, ""])


def _recovered(campaign: Campaign, entry: SurveyEntry, out: Set[tuple[str, str]]) -> str:
    """Return what a survey recovers without what is left out of it, in one sentence."""
    if ("", "") in out:
        return "it counts in no answer of the campaign."
    case = campaign.case(entry)
    survey = _without(case.survey, out)
    try:
        balance = reconcile(case.circuit, survey, feed=case.feeds, products=case.products,
                            lost=case.lost or None, suspects=False)  # fmt: skip
    except NotBalanceable as error:
        return f"it cannot be balanced. {error.reason}"
    return " ".join(kept_sentences(balance)) or "no recovery is determined."


def _without(survey: Survey, out: Set[tuple[str, str]]) -> Survey:
    for stream, quantity in sorted(out - {("", "")}):
        survey = without_measurement(survey, stream, quantity)
    return survey
