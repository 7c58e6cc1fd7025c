"""What is asked of a plan: answers in words, and a budget."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import product

from oretally.flowsheet import Fault, Place
from oretally.flowsheet.circuit import Content
from oretally.io.cells import (
    asked_answer,
    curve_names,
    grade_names,
    pull_names,
    recovery_names,
    unknown_answer,
    value_names,
)
from oretally.io.plan.case import PlanCase
from oretally.recon.plan import PlanAnswer, curve_answers, pull_of, recovery_of, value_of

__all__ = ["default_answers", "read_answers", "read_budget"]


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
    """Return the recoveries of all analytes to the products; a declared loss is none.

    Nor is a product into which all of the feed goes: 100 % needs no plan.
    """
    answers = case.point.answers
    declared = {s.name for s in case.circuit.streams
                if s.declared or s.content is Content.DISSOLVED}  # fmt: skip
    products = [j for j in answers.products
                if j not in answers.feeds and answers.streams[j] not in declared]  # fmt: skip
    feeds = {answers.streams[j] for j in answers.feeds}
    beside = [s for s in case.circuit.streams
              if None in (s.source, s.target) and s.name not in feeds]  # fmt: skip
    if len(beside) == 1:
        return []
    found = (recovery_of(answers, k, j) for k in range(len(answers.analytes)) for j in products)
    named = [a for a in found if a is not None]
    return named or [pull_of(answers, j) for j in products]


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
    answers, rows = case.point.answers, case.places.rows
    over_time = curve_answers(answers)
    each = [a.name.split(" of ", 1) for a in over_time]
    alone = len({analyte for _, analyte in each}) == 1
    at = asked_answer(text, [curve_names(*name, alone=alone) for name in each])
    if at is not None:
        return over_time[at]
    streams, analytes = answers.streams, answers.analytes
    recoveries = list(product(range(len(analytes)), range(len(streams))))
    known = [recovery_names(analytes[k], streams[j]) for k, j in recoveries]
    known += [pull_names(stream) for stream in streams]
    known += [
        (grade_names if row.quantity in analytes else value_names)(row.quantity, row.stream)
        for row in rows
    ]
    at = asked_answer(text, known)
    if at is None:
        shown = [n[0] for n, (_, j) in zip(known, recoveries, strict=False)
                 if not answers.is_reference(j)]  # fmt: skip
        shown += [names[0] for names in known[len(recoveries) :]]
        shown += [a.name for a in over_time]
        mend = unknown_answer(text, shown)
        faults.append(Fault(f"'{text}' is no answer of this case.", mend, place))
        return None
    pull = at - len(recoveries)
    value = pull - len(streams)
    if value >= 0:
        row = rows[value]
        m = case.survey.measured(row.stream, row.quantity)
        unit = row.meaning.unit if m is None else m.unit
        return value_of(case.point.tangent, known[at][0], place=row.place, unit=unit)
    j = pull if pull >= 0 else recoveries[at][1]
    found = None
    if not answers.is_reference(j):
        found = pull_of(answers, j) if pull >= 0 else recovery_of(answers, *recoveries[at])
    if found is None:
        faults.append(
            Fault(f"Recoveries and mass pulls refer to '{answers.reference}'; this one is "
                  "100 % or has no meaning.", "Ask for another stream's.", place)
        )  # fmt: skip
    return found
