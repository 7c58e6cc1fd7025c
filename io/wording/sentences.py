"""Sentences about a balance, shared by summary, report and workbook."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from oretally.flowsheet.digits import (
    DASH,
    format_chi_square,
    format_number,
    format_p,
    format_with_sd,
)
from oretally.flowsheet.survey import DECLARED_LOSS
from oretally.recon.result import Balance, BalancedValue

__all__ = [
    "BRIEF_CLOSING",
    "CLOSING",
    "NOT_A_BALANCE",
    "SD_LEGEND",
    "agreement",
    "certificate_figures",
    "counts",
    "fit_words",
    "held_within_errors",
    "largest_move",
    "listed",
    "notes_of",
    "one_in",
    "quoted",
    "recovery_sentences",
]

SD_LEGEND = "± is one standard deviation (sd) throughout."
CLOSING = (
    f"{SD_LEGEND} These results describe the samples that were weighed and assayed. They are no "
    "resource statement, valuation or settlement."
)
BRIEF_CLOSING = "Follow local codes. ± is one sd. No resource statement, valuation or settlement."
NOT_A_BALANCE = (
    "There is no balance of these numbers, so no answers are given. Below stand what was measured, "
    "what is in the way, and what would help."
)

_MOVED = 1e-6  # chi-square above which something had to move
_LIMIT = 3.84  # the 95 % limit of chi-square on 1 degree of freedom
_NAMED = 3  # answers of doubtful ± named


def counts(balance: Balance) -> tuple[tuple[str, str], ...]:
    """Return what was balanced, as (word, sentence) pairs."""
    circuit, survey = balance.circuit, balance.survey
    if not balance.converged:
        return _measured_counts(balance)
    declared = [v for v in balance.values if v.error_source == DECLARED_LOSS]
    measured = [v for v in balance.values if v.measured is not None and v not in declared]
    free = [v for v in balance.values if v.measured is None]
    redundant = sum(v.value_class.value == "redundant" for v in measured)
    unobservable = sum(v.value_class.value == "unobservable" for v in free)
    names = ", ".join(a.name for a in survey.analytes) or "none"
    size = f"{_many(len(circuit.nodes), 'node')}, {_many(len(circuit.streams), 'stream')}"
    open_ = f"{unobservable} of them not determined" if unobservable else "all determined"
    return (
        ("circuit", f"{size}; basis {survey.basis.value}; analytes: {names}"),
        ("measured", f"{_many(len(measured), 'number')}, {redundant} of them checked by others"),
        *((("declared", f"{_many(len(declared), 'number')}, not measured"),) if declared else ()),
        ("unmeasured", _many(len(free), "number") + (f", {open_}" if free else "")),
    )  # fmt: skip


def _measured_counts(balance: Balance) -> tuple[tuple[str, str], ...]:
    """Return what was measured, where there is no balance of it."""
    circuit, survey = balance.circuit, balance.survey
    typed = sum(m.error_source != DECLARED_LOSS for m in survey.measurements)
    names = ", ".join(a.name for a in survey.analytes) or "none"
    size = f"{_many(len(circuit.nodes), 'node')}, {_many(len(circuit.streams), 'stream')}"
    return (
        ("circuit", f"{size}; basis {survey.basis.value}; analytes: {names}"),
        ("measured", _many(typed, "number")),
    )


def _many(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def agreement(balance: Balance) -> str:
    """Return whether the numbers agree with each other, in one sentence."""
    test = balance.global_test
    if test.consistent is None and test.statistic > _MOVED:
        return _held(test.statistic)
    if test.consistent is None:
        return "No number is checked by another, so nothing can be said about their agreement."
    figures = (
        f"chi-square {format_chi_square(test.statistic)} on {test.dof} degrees of freedom, "
        f"p {format_p(test.p)}"
    )
    if test.consistent:
        return f"The numbers agree within their stated errors ({figures})."
    if balance.mildly_off:
        return (
            f"The numbers agree poorly ({figures}): one sound survey in {one_in(test.p)} is as far "
            "off, or errors are stated too small. Use the answers with care."
        )
    return (
        f"The numbers do not agree within their stated errors ({figures}): at least one of them "
        "is wrong, or errors are stated too small. Until that is settled, do not rely on the "
        "answers."
    )


def one_in(p: float | None) -> str:
    """Return among how many one is to be expected.

    Examples
    --------
    >>> one_in(0.0074), one_in(0.014), one_in(0.049)
    ('140', '71', '20')
    """
    return DASH if not p else f"{float(f'{1.0 / p:.2g}'):.0f}"


def fit_words(statistic: float, dof: int, p: float | None) -> str:
    """Return how well numbers agree, in a few words."""
    if dof == 0:
        return "no number is checked by another"
    degrees = "1 degree" if dof == 1 else f"{dof} degrees"
    chance = "" if p is None else f", p {format_p(p)}"
    return f"chi-square {format_chi_square(statistic)} on {degrees} of freedom{chance}"


def listed(names: Sequence[str], joint: str = "and") -> str:
    """Return words as they are listed in a sentence.

    Examples
    --------
    >>> listed(["Sn"]), listed(["Sn", "W"]), listed(["Sn", "W", "Ta"], "or")
    ('Sn', 'Sn and W', 'Sn, W or Ta')
    """
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} {joint} {names[-1]}"


def quoted(names: Iterable[str]) -> str:
    """Return names between quotes, listed."""
    return listed([f"'{name}'" for name in names])


def held_within_errors(statistic: float) -> bool:
    """Whether the stated errors explain that numbers which nothing checks had to move."""
    return statistic <= _LIMIT


def _held(statistic: float) -> str:
    """Return that numbers which nothing checks were moved, since a bound was in their way."""
    told = (
        "No number is checked by another, yet they would put a flow or a grade beyond its bounds "
        f"and had to be moved: chi-square {format_chi_square(statistic)}, "
    )
    if held_within_errors(statistic):
        return told + "which the stated errors explain."
    return told + (
        "more than the stated errors explain. At least one of them is wrong, or errors are stated "
        "too small: until that is settled, do not rely on the answers."
    )


def notes_of(balance: Balance, *, simulated: bool = False) -> tuple[str, ...]:
    """Return what the reader must know; first which ± are doubtful, unless a simulation tells."""
    names = balance.doubtful
    notes = (*balance.contradictions, *balance.notes)
    if simulated or not names:
        return notes
    rest = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    guide = "are rough guides" if len(names) > 1 else "is a rough guide"
    return (
        f"The ± of {', '.join(names[:_NAMED])}{rest} {guide} only (close to a bound, or "
        "above a fifth of the value); limits: oretally balance CASE --draws 2000",
        *notes,
    )


def certificate_figures(balance: Balance) -> list[tuple[str, str]]:
    """Return what the examination of the balance found, each figure with its name."""
    c = balance.certificate
    if c is None:
        return []
    verdict = "passed" if c.holds else "failed: " + ", ".join(map(_named, c.failures))
    return [
        ("examined as stated", verdict),
        ("largest relative imbalance", f"{c.imbalance:.1e}"),
        ("slope left, of its terms", f"{c.stationarity:.1e}"),
        ("bounds pulling the wrong way", f"{c.complementarity:.1e}"),
        ("what another step could gain", f"{c.fall:.1e} of chi-square + 1"),
        ("best factor on all flows", f"{c.scale:.6f}"),
        ("directions bending down", str(c.bends_down)),
    ]


def _named(figure: str) -> str:
    return figure.replace("_", " ")


def recovery_sentences(balance: Balance) -> tuple[str, ...]:
    """Return one sentence an analyte: its recovery to each product."""
    sentences = []
    for analyte in balance.survey.analytes:
        parts, open_ = [], []
        for r in balance.recoveries:
            if r.analyte == analyte.name and r.product:
                value, sd = format_with_sd(r.recovery, r.sd)
                known = value if sd == DASH else f"{value} ± {sd}"
                known = r.limit or known
                if r.recovery is None:
                    open_.append(r.stream)
                else:
                    parts.append(f"{known} % to {r.stream}")
        told = [", ".join(parts)] if parts else []
        if open_:
            told.append(f"not determined to {', '.join(open_)}, see the notes")
        if told:
            sentences.append(f"Recovery of {analyte.name}: {'; '.join(told)}.")
    return tuple(sentences)


def largest_move(values: Iterable[BalancedValue]) -> str:
    """Return the largest standardised adjustment of measurements in words; empty without any.

    Nothing declared counts. Of those that the data cannot tell apart, which differ by rounding
    alone, the first is told.
    """
    moved = [v for v in values if v.standardised is not None and v.error_source != DECLARED_LOSS]
    most = max(moved, key=lambda v: round(abs(v.standardised or 0.0), 6), default=None)
    if most is None:
        return ""
    now, _ = format_with_sd(most.adjusted, most.adjusted_sd)
    return (
        f"{most.quantity} of '{most.stream}', {format_number(most.measured)} -> {now} "
        f"{most.unit}, standardised {most.standardised:+.1f}"
    )
