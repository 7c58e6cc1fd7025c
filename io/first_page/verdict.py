"""The verdict on a balance in plain words: sound, one number to check first, or not to be used.

What comes after it, in the order of the first screen: what was recovered, the next test, cautions.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

from oretally.flowsheet.digits import DASH, format_with_sd
from oretally.flowsheet.survey import DECLARED_LOSS
from oretally.io.first_page.agreeing import (
    beyond_what_was_reported,
    mild_sentences,
    missing_solids,
    one_check,
)
from oretally.io.first_page.first_suspect import (
    one_of,
    one_of_sentences,
    perhaps_none,
    recoveries_if_mended,
    said_of,
)
from oretally.io.leach_course import brief_sentences
from oretally.io.timed import by_the_end, checked_by_course, course_verdict, rate_sentences
from oretally.io.wording import (
    assay_sentence,
    cautions_of,
    held_within_errors,
    is_quiet,
    listed,
    loss_by_size,
    next_test,
    obstacles,
    quoted,
    remedy,
    repair_sentences,
    unexplained_sentence,
)
from oretally.recon.result import Balance, KeptShare

__all__ = ["CHECK", "NOT_CHECKED", "NOT_YET", "SOUND", "STOP", "caution_lines",
           "extracted_figures", "kept_figures", "kept_sentences", "lost_sizes", "next_step",
           "verdict_sentences"]  # fmt: skip

SOUND, CHECK, STOP = "Sound: use it.", "Check one number first:", "Do not use:"
NOT_CHECKED = "Not checked:"
"""How a verdict begins."""
NOT_YET = "Not to be used yet."
"""How recoveries begin that rest on a number that is probably wrong."""

_LIKELY = 0.5  # probability from which a further suspect is counted
_OPEN = 100.0 / math.sqrt(12.0)  # sd of a recovery of which nothing is known, in percent


def verdict_sentences(balance: Balance) -> tuple[str, ...]:
    """Return the verdict with its reason, then what follows from it."""
    if not balance.converged:
        return _no_balance(balance)
    return (*_judged(balance), *missing_solids(balance))


def _judged(balance: Balance) -> tuple[str, ...]:
    """Return the verdict on what was balanced, with what follows from it."""
    if balance.contradictions:
        first, *rest = balance.contradictions
        suspected = balance.suspects and not is_quiet(balance)
        return (f"{STOP} {first[0].lower()}{first[1:]}", *rest,
                *(_suspected(balance) if suspected else ()))  # fmt: skip
    if balance.suspects and not is_quiet(balance):
        return _suspected(balance)
    test = balance.global_test
    if course := course_verdict(balance):
        first, *rest = course
        return (f"{CHECK} {first}", *rest)
    if outside := beyond_what_was_reported(balance):
        more = (f"And {len(outside) - 1} more such: --show notes.",) if outside[1:] else ()
        return (f"{CHECK} {outside[0]}", *more)
    if test.consistent is None and not held_within_errors(test.statistic):
        return (f"{STOP} the numbers would need a flow or a grade beyond its bounds, by more than "
                "their stated errors explain. One of them is wrong.",)  # fmt: skip
    believed = test.consistent is not False or balance.mildly_off
    if believed and (useless := _useless(balance)):
        return (useless,)
    if test.consistent is None and checked_by_course(balance):
        return (f"{NOT_CHECKED} no balance checks these numbers. Their course over time does: a "
                "curve holds, and no timed product stands out; feed and tails nothing "
                "checks.",)  # fmt: skip
    if test.consistent is None:
        return (f"{NOT_CHECKED} no number here checks another, so a wrong one would not show. "
                "Use the answers with care.",)  # fmt: skip
    if balance.mildly_off:
        return mild_sentences(balance)
    if not test.consistent:
        return (f"{STOP} the numbers do not agree within their stated errors, and no single one "
                "explains it. Several are wrong, or errors are stated too small.",)  # fmt: skip
    told = f"{SOUND} {_checked(balance)} agree within their stated errors, and none stands out."
    if test.dof > 1:
        return (told,)
    return (told, one_check(balance))


def _useless(balance: Balance) -> str:
    """Say why nothing can be made of numbers that agree, or nothing."""
    if any(e.reconciled is not None for e in balance.extractions):
        return ""
    products = [r.recovery for r in balance.recoveries if r.stream in balance.products]
    if products and all(recovery is None for recovery in products):
        return ("Not enough was measured: no recovery into a product follows from these numbers. "
                "'oretally check' says what to measure.")  # fmt: skip
    sds = [k.percent[1] for k in balance.losses.kept]
    if sds and all(sd is not None and sd >= _OPEN for sd in sds):
        return "Too uncertain to use: the stated errors leave every recovery open."
    return ""


def _checked(balance: Balance) -> str:
    """Return how many numbers could disagree."""
    measured = [v for v in balance.values
                if v.measured is not None and v.error_source != DECLARED_LOSS]  # fmt: skip
    checked = sum(v.value_class.value == "redundant" for v in measured)
    if checked == len(measured):
        return f"The {checked} numbers"
    return f"{checked} of the {len(measured)} numbers are checked by others; they"


def _no_balance(balance: Balance) -> tuple[str, ...]:
    why, repairs = obstacles(balance), repair_sentences(balance)
    measure = [sentence for word, sentence in why if word == "measure"]
    reason = why[0][1] if why else f"The search ended without one: {balance.status}."
    return (f"{STOP} there is no balance of these numbers. {reason}",
            *measure[:1], *(sentence for _, sentence in repairs[:1]))  # fmt: skip


def _suspected(balance: Balance) -> tuple[str, ...]:
    """Return the first suspect with its slip, and one action."""
    first = balance.suspects[0]
    rest = "and balance again: all below rests on it."
    unexplained = bool(unexplained_sentence(balance))
    more = sum((s.probability or 0.0) > _LIKELY for s in balance.suspects) - 1
    if several := one_of(first):
        what, step = one_of_sentences(balance, first)
        is_wrong = "may be" if perhaps_none(balance) else "is"
        begin = f"Check {len(several)} numbers first, of which one {is_wrong} wrong:"
        if unexplained:
            begin = f"{STOP} more than one number is wrong. Begin with one of these:"
        elif more > 0:
            begin = "Check first, as more than one number is wrong, which of these is:"
        return (f"{begin} {what}", f"{step}, {rest}")
    (what, likely), step = said_of(balance, first), remedy(balance, first.group[0])
    if first.together:
        step = "look up which is which, or measure them again"
    begin = CHECK if first.group[0].kind == "measurement" and not first.together else "Check first:"
    if unexplained:
        begin = f"{STOP} more than one number is wrong. Begin with this:"
    elif more > 0:
        begin = f"Check {more + 1} numbers first, beginning with this:"
    return (f"{begin} {what}", f"{likely} {step[0].upper()}{step[1:]}, mend it, {rest}")


def kept_figures(balance: Balance) -> tuple[tuple[str, tuple[str, ...], str], ...]:
    """Return analyte, streams that are kept, and the recovery into them with its ±."""
    limits = {(r.stream, r.analyte): r.limit for r in balance.recoveries}

    def figure(k: KeptShare) -> str:
        limit = limits.get((k.streams[0], k.analyte), "") if len(k.streams) == 1 else ""
        return f"{limit} %" if limit else _percent(*k.percent)

    return tuple((k.analyte, k.streams, figure(k)) for k in balance.losses.kept)


def extracted_figures(balance: Balance) -> tuple[tuple[str, str, str], ...]:
    """Return analyte, leach, and the extraction there with its ±."""
    return tuple((e.analyte, e.node, _percent(e.reconciled, e.reconciled_sd))
                 for e in balance.extractions if e.reconciled is not None)  # fmt: skip


def kept_sentences(balance: Balance, most: int | None = None) -> tuple[str, ...]:
    """Return the recovery of each analyte into what is kept, and the extractions, each with ±.

    Of ``most`` analytes, where it is given; of the others the number is told.
    """
    into: dict[tuple[str, ...], list[str]] = {}
    for analyte, streams, figure in kept_figures(balance)[:most]:
        into.setdefault(streams, []).append(f"{figure} of the {analyte}")
    told = [
        f"{listed(shares)} {'goes to' if i else 'in'} {quoted(streams)}"
        for i, (streams, shares) in enumerate(into.items())
    ]
    if len(balance.losses.kept[:most]) < len(balance.losses.kept):
        told.append(f"{len(balance.losses.kept[most:])} more: --show recoveries")
    leached = [f"{figure} of the {analyte} at '{node}'"
               for analyte, node, figure in extracted_figures(balance)]  # fmt: skip
    alone = (
        f" of {quoted(balance.feeds)} alone" if balance.circuit.feeds_beside(balance.feeds) else ""
    )
    recovered = [f"Recovered{alone}: {'; '.join(told)}."] if told else []
    if recovered and (timed := by_the_end(balance)):
        recovered = [timed]
    not_yet = bool(told) and bool(balance.contradictions)
    if told and not not_yet and balance.suspects and not is_quiet(balance):
        not_yet, recovered = True, [f"{recovered[0]}{recoveries_if_mended(balance)}"]
    extracted = [f"Extracted: {'; '.join(leached)}."] if leached else []
    # what was poured off at the end of a leach is a part of what left the ore by then
    rows = [*extracted, *recovered] if balance.courses else [*recovered, *extracted]
    if not_yet:
        rows[0] = f"{NOT_YET} {rows[0]}"
    rates = (*rate_sentences(balance), *brief_sentences(balance))
    left = len(rates) - len(rates[:most])
    more = [f"Rates of {left} more: --show kinetics."] if left else []
    return (*rows, *rates[:most], *more, *_untold(balance))


def _untold(balance: Balance) -> Iterator[str]:
    """Yield why no recovery of an analyte is told."""
    found: dict[str, list[float]] = {}
    for m in balance.survey.measurements:
        found.setdefault(m.quantity.partition(" in ")[0], []).append(m.value)
    names = [a.name for a in balance.survey.analytes]
    told = {r.analyte for r in balance.recoveries if r.recovery is not None and r.product}
    missing = [name for name in names if name not in found]
    nothing = [name for name in names if name in found and not any(found[name])]
    if missing:
        yield f"No {listed(missing, 'or')} was measured: no recovery of it can be told."
    if nothing:
        yield (f"Every {listed(nothing, 'and every')} reads 0: no recovery of it can be told. 0 "
               "means that there was none: leave a cell empty if it was not assayed.")  # fmt: skip
    unknown = [n for n in names if n not in told and n not in missing and n not in nothing]
    leached = {e.analyte for e in balance.extractions if e.reconciled is not None}
    if balance.courses:  # of a leach over time the extraction is what is asked for
        unknown = [n for n in unknown if n not in leached]
    if unknown:
        yield (f"These numbers do not tell the recovery of {listed(unknown, 'or')}: see --show "
               "notes.")  # fmt: skip


def _percent(value: float | None, sd: float | None) -> str:
    shown, by = format_with_sd(value, sd)
    return f"{shown} %" if by == DASH else f"{shown} ± {by} %"


def next_step(balance: Balance) -> str:
    """Return what would tell most, in one line; or nothing.

    That is an assay that is missing where it would at least halve the ± of a recovery, else the
    test of the greatest loss. Nothing while a number is to be checked first: that is the next step
    then.
    """
    if not balance.converged or balance.contradictions:
        return ""
    if balance.suspects and not is_quiet(balance):
        return ""
    missing = balance.losses.missing_assay
    return next_test(balance) if missing is None else assay_sentence(missing)


def lost_sizes(balance: Balance) -> str:
    """Return in which sizes the metal is lost, in one line; nothing before the numbers hold."""
    return loss_by_size(balance) if next_step(balance) else ""


def caution_lines(balance: Balance) -> tuple[str, ...]:
    """Return the cautions that the case calls for, one line each."""
    return tuple(caution.short for caution in cautions_of(balance))
