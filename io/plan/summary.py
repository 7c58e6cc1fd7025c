"""A plan of measurements as text."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from oretally.flowsheet.digits import DASH, format_number
from oretally.flowsheet.survey import meanings
from oretally.io.plan.case import PlanCase
from oretally.io.plan.methods import named_with
from oretally.io.plan.samples import SampleNeed, sample_needs
from oretally.io.sampling import mass_text
from oretally.io.wording import wrapped
from oretally.recon.plan import CURVE, MOST_TOLD, MeasurementPlan, Option

__all__ = ["PLAN_REMARKS", "plan_summary", "plan_warnings"]

_CURVE_ANSWERS = 12  # columns of answers in the table of budgets

PLAN_REMARKS = (
    "± is one standard deviation, to first order at the values above: with errors of more than "
    "some 20 % of a value, or other values than expected, it will differ. Costs are those of the "
    "table of prices.",
    "A plan counts the errors that are stated. What is not stated, such as a sample that does not "
    "stand for its stream, no number of assays mends.",
    "Sampling and assaying can hurt people: dust, lead, acids, cyanide, rotating machinery. Follow "
    "your local codes.",
)


def plan_summary(case: PlanCase, found: MeasurementPlan) -> str:
    """Return the plan as text."""
    lines = [f"Plan of measurements for '{case.title}'"]
    for word, sentence in _head(case, found):
        lines += wrapped(sentence, f"{word:13}")
    lines += ["", "Answers, ± now and by the plan", *_answers(found)]
    if found.best is not None:
        lines += ["", f"The best plan within {_money(found.budget, case)}"]
        lines += _shopping(found.best, keep=_kept(found))
    if found.curve:
        lines += ["", "What a budget buys", *_curve(found, case)]
    lines += ["", *_next_best(found)]
    lines += ["", *_identifiable(found, case)]
    lines += ["", *_samples(case, found)]
    notes = (*plan_warnings(case, found), *case.notes)
    if notes:
        lines += ["", "Notes"]
        lines += [line for note in notes for line in wrapped(note, "- ")]
    lines += ["", *(line for remark in PLAN_REMARKS for line in wrapped(remark))]
    return "\n".join(lines) + "\n"


def plan_warnings(case: PlanCase, found: MeasurementPlan) -> list[str]:
    """Return what the reader of a plan must know."""
    notes = []
    if found.never:
        notes.append(
            f"Nothing on offer determines the {', the '.join(found.never)}: left out of the plan. "
            "Offer more measurements: a price, and an error rule."
        )
    known = meanings(case.survey)
    if found.best and not any(known[r.quantity].is_flow for r in found.best.readings):
        quantity, unit = case.survey.basis.quantity, case.survey.flow_unit
        notes.append(
            "The plan weighs nothing. Recoveries need no weight, but a balance needs a scale: "
            f"enter for the feed a {quantity} of 100 {unit} with an error of 0.01 {unit}."
        )
    if case.point.at_zero:
        notes.append(
            f"The balance holds {', '.join(map(repr, case.point.at_zero))} at 0. A plan cannot "
            "know that it will again, and counts it as free within its ±: the ± now are those of "
            "the balance or a little larger."
        )
    open_ = [o for o in found.curve if o.gap > 0.0]
    if open_:
        worst = max(o.gap for o in open_)
        notes.append(
            f"{len(open_)} of the {len(found.curve)} plans are not proven best: the mean relative "
            f"variance of a better one may be lower by no more than {100.0 * worst:.2g} %."
        )
    return notes


def _head(case: PlanCase, found: MeasurementPlan) -> Iterable[tuple[str, str]]:
    today, best = found.today, found.best
    if today is not None:
        count = sum(r.times for r in today.readings)
        left_out = ""
        if today.unpriced:
            several = today.unpriced > 1
            left_out = (
                f", without {today.unpriced} number{'s' if several else ''} that "
                f"{'are' if several else 'is'} not to be had any more"
            )
        cost = f" They cost {_money(today.cost, case)} at these prices{left_out}."
        yield (
            "today",
            (
                f"{count} readings of {len(today.readings)} numbers."
                f"{cost if today.cost or left_out else ''}"
            ),
        )
    else:
        yield "today", f"Nothing is measured{', so that --keep keeps nothing' * found.keep}."
    if _kept(found):
        yield (
            "kept",
            "What is measured counts and costs nothing; the budget is for what comes on top.",
        )
    if best is not None:
        proof = "proven best" if best.gap == 0.0 else f"within {100.0 * best.gap:.2g} % of the best"
        new = sum(r.new for r in best.readings)
        yield "plan", f"{new} readings for {_money(best.cost, case)}; {proof}."
    elif found.least is not None:
        yield (
            "plan",
            f"No plan within {_money(found.budget, case)} determines every answer. The cheapest "
            f"found that does costs {_money(found.least.cost, case)}.",
        )
    elif found.answers:
        yield "plan", "No plan was found that determines every answer."


def _answers(found: MeasurementPlan) -> list[str]:
    rows = [("", "answer", "value", "unit", "± now", "± by plan")]
    for i, answer in enumerate(found.answers):
        rows.append((
            _letter(i), answer.name, format_number(answer.value), answer.unit,
            _sd(found.today, i), _sd(found.best, i),
        ))  # fmt: skip
    return _table(rows, "<<><>>")


def _kept(found: MeasurementPlan) -> bool:
    """Tell whether there is something that is kept."""
    return found.keep and found.today is not None


def _shopping(option: Option, *, keep: bool) -> list[str]:
    head = ["stream", "quantity", "times", "expected", "±", "unit"]
    rows = [tuple([*head, "of them new"] if keep else head)]
    for r in option.readings:
        row = [r.stream, named_with(r.quantity, r.method), f"{r.times}", format_number(r.value),
               format_number(r.sd, 2), r.unit]  # fmt: skip
        rows.append(tuple([*row, f"{r.new}"] if keep else row))
    return _table(rows, "<<>>><>")


def _curve(found: MeasurementPlan, case: PlanCase) -> list[str]:
    shown = found.answers[:_CURVE_ANSWERS]
    rows = [("budget", "cost", "readings", *(f"± {_letter(i)}" for i in range(len(shown))))]
    for option in found.curve:
        new = sum(r.new for r in option.readings)
        sds = (_sd(option, i) for i in range(len(shown)))
        rows.append((format_number(option.budget), format_number(option.cost), f"{new}", *sds))
    lines = _table(rows, ">" * len(rows[0]))
    if found.least is not None and len(found.curve) < len(CURVE):
        lines.append(f"  Below {_money(found.least.cost, case)} no plan was found that determines "
                     "every answer.")  # fmt: skip
    if len(shown) < len(found.answers):
        lines.append(f"  {len(found.answers) - len(shown)} more answers: see --json.")
    return lines


def _next_best(found: MeasurementPlan) -> list[str]:
    if found.today is None:
        return ["The next best single reading: nothing is measured to add it to."]
    if not found.more:
        return ["The next best single reading: none makes every answer better, or known."]
    shown = range(min(len(found.answers), _CURVE_ANSWERS))
    rows = [("one more reading", "cost", "mean variance", *(f"± {_letter(i)}" for i in shown))]
    rows.append(("none", "", "", *(_sd(found.today, i) for i in shown)))
    for more in found.more:
        cells = [f"{named_with(more.quantity, more.method)} of '{more.stream}'",
                 format_number(more.cost)]  # fmt: skip
        cells.append(DASH if more.gain is None else f"-{100.0 * more.gain:.3g} %")
        cells += [_change(found.today.sds[i], more.sds[i]) for i in shown]
        rows.append(tuple(cells))
    return [
        "The next best single reading on top of today's, the best for its price first: what it "
        "changes",
        *_table(rows, "<" + ">" * (len(rows[0]) - 1)),
    ]


def _change(now: float | None, then: float | None) -> str:
    """Return by how much the ± of an answer changes; the ± itself if it is not known now."""
    if then is None:
        return "not known"
    if now is None:
        return f"to {format_number(then, 3)}"
    if abs(then - now) < 5e-3 * now:  # less than is worth a reading
        return "0"
    return f"{'-' if then < now else '+'}{format_number(abs(then - now), 2)}"


def _identifiable(found: MeasurementPlan, case: PlanCase) -> list[str]:
    option = found.identifiable
    if option is None:
        return wrapped(
            "The cheapest plan that tells every error from every other: none was found among the "
            f"measurements on offer, with {_most(case)} of each."
        )
    proof = "none is cheaper" if found.identifiable_proven else "a cheaper one may exist"
    text = (
        "The cheapest plan in which a gross error in any reading can be told from one in any "
        "other (no two leave nearly the same in all the balances: correlations below 0.95): "
        f"{_money(option.cost, case)}, {proof}. Losses at nodes are not looked at."
    )
    return [*wrapped(text), *_shopping(option, keep=_kept(found))]


def _most(case: PlanCase) -> str:
    """Return in words how often a number was read at most where errors are told apart."""
    most = min(max((c.most for c in case.candidates), default=1), MOST_TOLD)
    return "one reading" if most <= 1 else f"up to {('two', 'three')[most - 2]} readings"


def _samples(case: PlanCase, found: MeasurementPlan) -> list[str]:
    if found.best is None:
        return ["Sample masses: there is no plan within the budget, and so none of its samples."]
    needs = sample_needs(case, found.best)
    if not needs:
        return wrapped(
            "Sample masses: the case does not describe the sampling of what is planned. 'oretally "
            "sample-mass' tells how much an ore needs; a source with sampling = { ... } brings it "
            "into the plan."
        )
    lines = ["Sample masses (Gy's fundamental error, beside a third of the sd of the readings)"]
    for need in needs:
        lines += wrapped(_need(need), "  ", "    ")
    return lines


def _need(need: SampleNeed) -> str:
    text = (
        f"{need.quantity} of '{need.stream}': {need.stage} leaves {100.0 * need.relative_sd:.2g} "
        f"%, a third of the readings' sd is {100.0 * need.wanted:.2g} %"
    )
    if need.enough:
        return f"{text}: enough."
    if need.needed_kg is None:
        return f"{text}: not enough, and no mass at that stage would do; crush finer first."
    return f"{text}: keep {mass_text(need.needed_kg)} there."


def _money(amount: float, case: PlanCase) -> str:
    return f"{format_number(amount)} {case.currency}".strip()


def _letter(i: int) -> str:
    """Return the letter that stands for an answer: A to Z, then A1 and so on."""
    return chr(ord("A") + i % 26) + (str(i // 26) if i >= 26 else "")


def _sd(option: Option | None, i: int) -> str:
    if option is None:
        return DASH
    sd = option.sds[i]
    return "not known" if sd is None else format_number(sd, 3)


def _table(rows: Sequence[Sequence[str]], sides: str) -> list[str]:
    """Return rows in columns; ``sides`` has '<' or '>' for each, and may have more."""
    widths = [max(len(row[j]) for row in rows) for j in range(len(rows[0]))]
    styles = [f"{side}{width}" for side, width in zip(sides, widths, strict=False)]
    return [
        ("  " + "  ".join(f"{cell:{s}}" for cell, s in zip(row, styles, strict=True))).rstrip()
        for row in rows
    ]
