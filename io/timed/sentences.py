"""What a test over time says, in sentences: by the end, rate and plateau, what does not fit."""

from __future__ import annotations

from oretally.flowsheet.digits import DASH, format_number, format_p, format_with_sd
from oretally.io.wording import listed
from oretally.recon.result import (
    Balance,
    CurveParameter,
    RateCurve,
    RateModel,
    TimedProducts,
    TimedQuantity,
)

__all__ = [
    "by_the_end",
    "checked_by_course",
    "course_verdict",
    "parameter_words",
    "rate_sentences",
    "suspect_sentences",
]

_SHORT = {
    RateModel.FIRST_ORDER: "first order",
    RateModel.RECTANGULAR: "rectangular distribution of rates",
    RateModel.TWO_COMPONENTS: "two components",
}


def by_the_end(balance: Balance) -> str:
    """Return what was recovered by the last time; empty without times, or if that is not known."""
    timed = balance.timed
    if timed is None:
        return ""
    told = [
        f"{_with_sd(*q.recovery[-1])} % of the {q.quantity}"
        for q in timed.quantities if not q.is_mass and q.recovery[-1] is not None
    ]  # fmt: skip
    if not told:
        return ""
    mass = timed.quantities[0].recovery[-1]
    pull = f", in {_with_sd(*mass)} % of the mass" if mass else ""
    return f"Recovered by {timed.times[-1]:g} {timed.unit}: {listed(told)}{pull}."


def rate_sentences(balance: Balance) -> tuple[str, ...]:
    """Return one sentence for each analyte: rate and plateau, or why there is none."""
    timed = balance.timed
    if timed is None:
        return ()
    return tuple(_sentence(timed, q) for q in timed.quantities if not q.is_mass)


def course_verdict(balance: Balance) -> tuple[str, ...]:
    """Return what to check first by the course of the test; empty if nothing speaks up."""
    timed = balance.timed
    return () if timed is None or not timed.suspects else suspect_sentences(timed)


def checked_by_course(balance: Balance) -> bool:
    """Tell whether a curve that can fail holds for every analyte of a test over time."""
    timed = balance.timed
    best = [] if timed is None else [q.best for q in timed.quantities if not q.is_mass]
    return bool(best) and all(c is not None and c.holds for c in best)


def suspect_sentences(timed: TimedProducts) -> tuple[str, ...]:
    """Return which number the course of the test speaks against, and what explains it alike."""
    first, *others = timed.suspects
    close = [s for s in others if first.probability <= _ALIKE * s.probability]
    told = (
        f"{first.quantity} of '{first.stream}' does not fit the course of the test: it reads "
        f"{format_number(first.measured)} {first.unit}, the other times say about "
        f"{format_number(first.expected, 3)}"
    )
    told += f": {first.slip}? Then it is {format_number(first.meant)} {first.unit}." if (
        first.slip and first.meant is not None) else "."  # fmt: skip
    if not close:
        return (told,)
    also = ", or ".join(
        f"{s.quantity} of '{s.stream}' (about {format_number(s.expected, 3)} {s.unit})"
        for s in close
    )
    return (told, f"As well explained by {also}.")


_ALIKE = 3.0  # times as likely: not told apart


def _sentence(timed: TimedProducts, q: TimedQuantity) -> str:
    if all(x is None for x in q.recovery):
        return f"{q.quantity}: the balance does not tell its recovery by any time."
    best = q.best
    if best is None:
        why = q.curves[0].reason if q.curves else "no value by a time has an error."
        return f"{q.quantity}: no rate: {why}"
    told = f"{q.quantity}: {_curve_words(best, timed.unit)}."
    if best.reason:
        told += f" {best.reason[0].upper()}{best.reason[1:]}"
    if best.holds is False:
        return (f"{told} No curve holds (p {format_p(best.p)}): rate, plateau and their ± are "
                "rough.")  # fmt: skip
    if best.holds is None:
        told += " Too few times to tell whether the curve holds."
    if others := [_curve_words(c, timed.unit) for c in q.as_good if c.holds is not False]:
        told += f" As well explained: {'; '.join(others)}."
    return told


def _curve_words(curve: RateCurve, unit: str) -> str:
    name = _SHORT[curve.model]
    if curve.model is RateModel.TWO_COMPONENTS:
        share, fast, slow = (parameter_words(p) for p in curve.parameters)
        return f"{share} % fast at {fast} per {unit}, the rest at {slow} ({name})"
    plateau, rate = curve.parameters
    return f"plateau {parameter_words(plateau)} %, rate {parameter_words(rate)} per {unit} ({name})"


def parameter_words(p: CurveParameter) -> str:
    """Return a parameter with its ±, or with what bounds it where it has none."""
    if p.value is None:
        return DASH
    if p.sd is not None:
        return _with_sd(p.value, p.sd)
    if p.low is not None and p.high is None:
        return f"{format_number(p.value, 3)} (at least {format_number(p.low, 2)})"
    return format_number(p.value, 3)


def _with_sd(value: float, sd: float) -> str:
    shown, by = format_with_sd(value, sd)
    return shown if by == DASH else f"{shown} ± {by}"
