"""The verdict on a balance in plain words: sound, one number to check first, or not to be used.

What comes after it, in the order of the first screen: what was recovered, the next test, cautions.
"""

from __future__ import annotations

from oretally.flowsheet.digits import DASH, format_chance, format_with_sd
from oretally.flowsheet.survey import DECLARED_LOSS
from oretally.io.wording import (
    cautions_of,
    held_within_errors,
    is_quiet,
    listed,
    next_test,
    obstacles,
    quoted,
    remedy,
    repair_sentences,
    said_of,
    unexplained_sentence,
)
from oretally.recon.result import Balance

__all__ = ["CHECK", "NOT_CHECKED", "SOUND", "STOP", "caution_lines", "kept_sentences", "next_step",
           "verdict_sentences"]  # fmt: skip

SOUND, CHECK, STOP = "Sound: use it.", "Check one number first:", "Do not use:"
NOT_CHECKED = "Not checked:"
"""How a verdict begins."""

_LIKELY = 0.5  # probability from which a further suspect is counted


def verdict_sentences(balance: Balance) -> tuple[str, ...]:
    """Return the verdict with its reason, then what follows from it."""
    if not balance.converged:
        return _no_balance(balance)
    if balance.contradictions:
        return tuple(f"{STOP} {sentence[0].lower()}{sentence[1:]}" if i == 0 else sentence
                     for i, sentence in enumerate(balance.contradictions))  # fmt: skip
    if balance.suspects and not is_quiet(balance):
        return _suspected(balance)
    test = balance.global_test
    if test.consistent is None and not held_within_errors(test.statistic):
        return (f"{STOP} the numbers would need a flow or a grade beyond its bounds, by more than "
                "their stated errors explain. One of them is wrong.",)  # fmt: skip
    if test.consistent is None:
        return (f"{NOT_CHECKED} no number here checks another, so a wrong one would not show. "
                "Use the answers with care.",)  # fmt: skip
    if not test.consistent:
        return (f"{STOP} the numbers do not agree within their stated errors, and no single one "
                "explains it. Several are wrong, or errors are stated too small.",)  # fmt: skip
    told = f"{SOUND} {_checked(balance)} agree within their stated errors, and none stands out."
    if test.dof > 1:
        return (told,)
    return (told, "It is one check only: a wrong number would show, but not which one it is.")


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
    what, step = said_of(balance, first), remedy(balance, first.group[0])
    if first.together:
        step = "look up which is which, or measure them again"
    more = sum((s.probability or 0.0) > _LIKELY for s in balance.suspects) - 1
    begin = CHECK if first.group[0].kind == "measurement" and not first.together else "Check first:"
    if unexplained_sentence(balance):
        begin = f"{STOP} more than one number is wrong. Begin with this:"
    elif more > 0:
        begin = f"Check {more + 1} numbers first, beginning with this:"
    chance = format_chance(first.probability)
    action = f"{step[0].upper()}{step[1:]}, mend it, and balance again: all below rests on it."
    return (f"{begin} {what}", f"That is {chance} likely. {action}")


def kept_sentences(balance: Balance, most: int | None = None) -> tuple[str, ...]:
    """Return the recovery of each analyte into what is kept, and the extractions, each with ±.

    Of ``most`` analytes, where it is given; of the others the number is told.
    """
    into: dict[tuple[str, ...], list[str]] = {}
    for k in balance.losses.kept[:most]:
        limit = next((r.limit for r in balance.recoveries
                      if (r.stream,) == k.streams and r.analyte == k.analyte), "")  # fmt: skip
        told_as = f"{limit} %" if limit else _percent(*k.percent)
        into.setdefault(k.streams, []).append(f"{told_as} of the {k.analyte}")
    told = [
        f"{listed(shares)} {'goes to' if i else 'in'} {quoted(streams)}"
        for i, (streams, shares) in enumerate(into.items())
    ]
    if len(balance.losses.kept[:most]) < len(balance.losses.kept):
        told.append(f"{len(balance.losses.kept[most:])} more: --show recoveries")
    leached = [
        f"{_percent(e.reconciled, e.reconciled_sd)} of the {e.analyte} at '{e.node}'"
        for e in balance.extractions if e.reconciled is not None
    ]  # fmt: skip
    alone = (
        f" of {quoted(balance.feeds)} alone" if balance.circuit.feeds_beside(balance.feeds) else ""
    )
    found = [(f"Recovered{alone}", told), ("Extracted", leached)]
    rows = [f"{word}: {'; '.join(parts)}." for word, parts in found if parts]
    if told and balance.suspects and not is_quiet(balance):
        rows[0] = f"Not to be used yet. {rows[0]}{_otherwise(balance)}"
    assayed = {m.quantity.partition(" in ")[0] for m in balance.survey.measurements}
    missing = [a.name for a in balance.survey.analytes if a.name not in assayed]
    if missing:
        rows.append(f"No {listed(missing, 'or')} was measured: no recovery of it can be told.")
    return tuple(rows)


def _otherwise(balance: Balance) -> str:
    """Return the first recovery as it would be if the first suspect is what is wrong."""
    first, kept = balance.suspects[0], balance.losses.kept[0]
    likely = next((e for e in balance.gross_errors.explanations if e.places), None)
    if likely is None or not set(likely.places) <= set(first.group) or len(kept.streams) != 1:
        return ""
    for r in likely.recoveries:
        if (r.stream, r.analyte) == (kept.streams[0], kept.analyte) and r.recovery is not None:
            return f" With that mended {_percent(r.recovery, r.sd)} of the {kept.analyte}."
    return ""


def _percent(value: float | None, sd: float | None) -> str:
    shown, by = format_with_sd(value, sd)
    return f"{shown} %" if by == DASH else f"{shown} ± {by} %"


def next_step(balance: Balance) -> str:
    """Return the test that would tell most about the greatest loss, in one line; or nothing.

    Nothing while a number is to be checked first: that is the next step then.
    """
    if not balance.converged or balance.contradictions:
        return ""
    if balance.suspects and not is_quiet(balance):
        return ""
    return next_test(balance)


def caution_lines(balance: Balance) -> tuple[str, ...]:
    """Return the cautions that the case calls for, one line each."""
    return tuple(caution.short for caution in cautions_of(balance))
