"""What is asked of a plan: answers in words, and a budget."""

from __future__ import annotations

import math
from collections.abc import Sequence

from oretally.flowsheet import Fault, Place
from oretally.flowsheet.circuit import Content, fold_name
from oretally.flowsheet.faults import did_you_mean
from oretally.io.plan.case import PlanCase
from oretally.recon.plan import PlanAnswer, recovery_of, value_of, yield_of

__all__ = ["default_answers", "read_answers", "read_budget"]

_FORMS = (
    "Write 'recovery of ANALYTE to STREAM', 'yield of STREAM' or 'QUANTITY of STREAM', as in "
    "--for \"recovery of Sn to concentrate\"."
)  # fmt: skip


def read_budget(text: str | None, faults: list[Fault]) -> float | None:
    """Return a budget; None, with a fault if it cannot be read, if there is none."""
    if text is None:
        return None
    try:
        money = float(text.replace("\N{MINUS SIGN}", "-").strip())
    except ValueError:
        money = math.nan
    if not (math.isfinite(money) and money >= 0.0):
        faults.append(
            Fault(f"The budget is '{text}'; it is a number of at least 0, without a currency.",
                  "Write for example --budget 400.", Place(cell="option --budget"))
        )  # fmt: skip
        return None
    return money


def default_answers(case: PlanCase) -> list[PlanAnswer]:
    """Return the recoveries of all analytes to the products; a declared loss is none."""
    answers = case.point.answers
    declared = {s.name for s in case.circuit.streams
                if s.declared or s.content is Content.DISSOLVED}  # fmt: skip
    products = [j for j in answers.products
                if j != answers.feed and answers.streams[j] not in declared]  # fmt: skip
    found = (recovery_of(answers, k, j) for k in range(len(answers.analytes)) for j in products)
    named = [a for a in found if a is not None]
    return named or [yield_of(answers, j) for j in products]


def read_answers(asked: Sequence[str], case: PlanCase, faults: list[Fault]) -> list[PlanAnswer]:
    """Return the answers asked for; faults are added."""
    found: list[PlanAnswer] = []
    for text in asked:
        place = Place(cell=f'option --for "{text}"')
        answer = _answer(" ".join(text.split()), case, place, faults)
        if answer is None:
            continue
        if any(answer.name == a.name for a in found):
            faults.append(Fault("This answer is asked for twice.", "Take one out.", place))
        else:
            found.append(answer)
    return found


def _answer(text: str, case: PlanCase, place: Place, faults: list[Fault]) -> PlanAnswer | None:
    answers = case.point.answers
    what, of, rest = text.partition(" of ")
    if not of:
        faults.append(Fault(f"'{text}' is no answer that can be planned for.", _FORMS, place))
        return None
    if fold_name(what) == "recovery":
        analyte, to, stream = rest.partition(" to ")
        if not to:
            faults.append(Fault("The recovery does not say to which stream.", _FORMS, place))
            return None
        k = _index(analyte, answers.analytes, "analyte", place, faults)
        j = _index(stream, answers.streams, "stream", place, faults)
        if k is None or j is None:
            return None
        found = None if j == answers.feed else recovery_of(answers, k, j)
        if found is None:
            faults.append(
                Fault(f"Recoveries refer to '{answers.streams[answers.feed]}'; this one is 100 % "
                      "or has no meaning.", "Ask for the recovery to another stream.", place)
            )  # fmt: skip
        return found
    if fold_name(what) == "yield":
        j = _index(rest, answers.streams, "stream", place, faults)
        if j is None:
            return None
        if j == answers.feed:
            faults.append(Fault("The yield of the feed is 100 %.", "Ask for another stream's.",
                                place))  # fmt: skip
            return None
        return yield_of(answers, j)
    quantities = list(dict.fromkeys(row.quantity for row in case.places.rows))
    q = _index(what, quantities, "quantity", place, faults)
    j = _index(rest, answers.streams, "stream", place, faults)
    if q is None or j is None:
        return None
    for row in case.places.rows:
        if (row.stream, row.quantity) == (answers.streams[j], quantities[q]):
            m = case.survey.measured(row.stream, row.quantity)
            unit = row.meaning.unit if m is None else m.unit
            name = f"{row.quantity} of {row.stream}"
            return value_of(case.point.tangent, name, place=row.place, unit=unit)
    faults.append(Fault(f"'{answers.streams[j]}' has no {quantities[q]}.", "Ask for what it has.",
                        place))  # fmt: skip
    return None


def _index(
    name: str, known: Sequence[str], what: str, place: Place, faults: list[Fault]
) -> int | None:
    """Return the position of a name; None, with a fault, if there is none."""
    folded = [fold_name(k) for k in known]
    name = name.strip().strip("'\"")
    if fold_name(name) in folded:
        return folded.index(fold_name(name))
    mend = did_you_mean(name, known)
    faults.append(Fault(f"There is no {what} '{name}' in this case.", mend, place))
    return None
