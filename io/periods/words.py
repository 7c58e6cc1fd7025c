"""What a period says, as sentences."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from datetime import timedelta

from oretally.flowsheet.digits import format_number, format_p, format_with_sd
from oretally.io.first_page import NOT_YET
from oretally.io.periods.what_stays import stays_sentences
from oretally.io.wording import listed
from oretally.recon.periods import (
    CLOSING_STOCK,
    OPENING_STOCK,
    PRODUCED,
    STOCK_CHANGE,
    Period,
    PeriodAmount,
    PeriodRecovery,
    PeriodShare,
    PeriodSuspect,
    Unaccounted,
)

__all__ = [
    "agreement_of",
    "amount_text",
    "budget_sentences",
    "far_sentences",
    "labels_text",
    "notes_of_period",
    "ounces_text",
    "produced_sentence",
    "recovered_sentence",
    "share_name",
    "stock_sentences",
    "unaccounted_sentences",
    "unaccounted_text",
    "what_was_summed",
    "wrong_number_sentences",
]

_MOST = 6  # labels told one by one
_MUCH = 1.05  # times the sd that errors of each survey for itself would give: told
_LITTLE = 0.05  # share of a variance below which a source is not named
_NAMED = 3  # sources
_DAYS = 72.0  # hours from which a time is told in days


def labels_text(names: Sequence[str], most: int = _MOST) -> str:
    """Return names as a list in a sentence, not all of many.

    Examples
    --------
    >>> labels_text(["a", "b", "c"], 2), labels_text(["a", "b"])
    ("'a', 'b' and 1 more", "'a' and 'b'")
    """
    told = [f"'{name}'" for name in names[:most]]
    if len(names) > most:
        return f"{', '.join(told)} and {len(names) - most} more"
    return " and ".join([", ".join(told[:-1]), told[-1]] if len(told) > 1 else told)


def what_was_summed(found: Period) -> str:
    """Return which surveys were balanced together."""
    n = len(found.shifts)
    first, last = found.shifts[0].time, found.shifts[-1].time
    when = f"{first:%Y-%m-%d %H:%M}" + ("" if n == 1 else f" to {last:%Y-%m-%d %H:%M}")
    text = f"{n} survey{'s' * (n > 1)}, {when}"
    text += ", balanced together" * (n > 1)
    if found.left_out:
        text += f"; {len(found.left_out)} left out"
    missing = sum(g.missing for g in found.gaps)
    if missing:
        text += f"; {missing} missing by their times"
    if found.handed_on:
        text += f"; stocks handed on {found.handed_on} time{'s' * (found.handed_on > 1)}"
    return f"{text}."


def agreement_of(found: Period) -> str:
    """Return whether the numbers agree."""
    test = found.test
    figures = f"chi-square {format_number(test.statistic)} on {test.dof}, p {format_p(test.p)}"
    if test.consistent is None:
        return "Not checked: no number here checks another."
    if test.consistent:
        return f"The numbers agree within their stated errors ({figures})."
    return (
        f"The numbers do not agree within their stated errors ({figures}): one is wrong, or errors "
        "are stated too small. The ± below is too small then."
    )


def wrong_number_sentences(found: Period) -> Iterator[str]:
    """Yield which number may be the wrong one, and what to type next."""
    yield from stays_sentences(found)
    rows = found.suspects[:_NAMED]
    if not rows:
        return
    first, stays = rows[0], found.persistent is not None and found.persistent.biases
    wrong = "Of single numbers likeliest wrong" if stays else "Likeliest wrong"
    if len(rows) == 1:
        yield f"{wrong}: {_suspect(first)}."
    else:
        yield f"{wrong}, one of {len(rows)}: {'; or '.join(_suspect(r) for r in rows)}."
    if first.test.consistent:
        yield f"Without {'it' if len(rows) == 1 else 'one of them'} the rest agrees."
    elif first.test.consistent is False:
        yield "Without it the rest still does not agree: more than one number is wrong."
    yield (
        f"Look it up, mend it in the file and add that again; or leave it out: oretally campaign "
        f'FILE decide "{first.label}" "left out" --of "{first.stream}:{first.quantity}" --why "..."'
    )


def far_sentences(found: Period) -> Iterator[str]:
    """Yield which numbers lie far from the same of all other surveys, whatever the balance says."""
    told = {(s.label, s.stream, s.quantity) for s in found.suspects}
    rows = [f for f in found.far if (f.label, f.stream, f.quantity) not in told]
    if not rows:
        return
    each = [
        f"{f.quantity} of '{f.stream}' in '{f.label}' reads {format_number(f.measured)} {f.unit}, "
        f"{f.others[0]} others {format_number(f.others[1])} to {format_number(f.others[2])}"
        for f in rows[:_NAMED]
    ]
    more = [f"{len(rows) - _NAMED} more"] if len(rows) > _NAMED else []
    them = "it" if len(rows) == 1 else "them"
    yield (f"Far from all other surveys: {'; '.join([*each, *more])}. Look {them} up: what no "
           "balance checks may be wrong unseen.")  # fmt: skip


def _suspect(s: PeriodSuspect) -> str:
    meant, sd = format_with_sd(s.meant, s.meant_sd)
    text = (
        f"{s.quantity} of '{s.stream}' in '{s.label}' ({_percent(s.probability)}) reads "
        f"{format_number(s.measured)} {s.unit}, the others say {meant} ± {sd}"
    )
    if s.usual is not None:
        n, low, high = (s.usual[0], *(format_number(x) for x in s.usual[1:]))
        text += f", one other survey has {low}" if n == 1 else (
            f", {n} other surveys lie between {low} and {high}")  # fmt: skip
    fits = "" if s.fits is None else f" Then it is {format_number(s.fits)} {s.unit}"
    return f"{text} ({s.slip}?{fits})" if s.slip else text


def _percent(p: float) -> str:
    return "above 99 %" if p > 0.99 else f"{100.0 * p:.0f} %"


def stock_sentences(found: Period) -> Iterator[str]:
    """Yield what lies in each stockpile at both ends, in mass."""
    rows = {(a.item, a.where): a for a in found.whole.amounts if not _is_metal(found, a)}
    for (item, where), opening in rows.items():
        closing, change = rows.get((CLOSING_STOCK, where)), rows.get((STOCK_CHANGE, where))
        if item != OPENING_STOCK or closing is None or change is None:
            continue
        if None in (opening.check_out, closing.check_out) or change.check_out is None:
            continue
        value, sd = format_with_sd(abs(change.check_out), change.check_out_sd)
        way = "more" if change.check_out >= 0.0 else "less"
        why = ""
        if change.by_difference:
            unknown = [f"in {labels_text(change.not_out)}"] if change.not_out else []
            unknown += [f"between '{a}' and '{b}'" for a, b in found.interrupted]
            told = listed([*unknown[:_NAMED], *(["more"] * (len(unknown) > _NAMED))])
            why = f" (with the ± of both: what went in or out is not known {told})"
        yield (
            f"In stock, {where}: {amount_text(opening)} at the beginning, {amount_text(closing)} "
            f"at the end, {value} ± {sd} {change.unit} {way}{why}."
        )


def recovered_sentence(found: Period) -> str:
    """Return what was recovered in what is kept."""
    kept = [r for r in found.whole.recoveries if r.kept and r.check_out is not None]
    if not kept:
        return "Recoveries: not determined by what was measured."
    told = _joined(_recovery_text(found, r) for r in kept)
    return f"{_not_yet(found)}Recovered{_of_how_many(found)}: {told}."


def produced_sentence(found: Period) -> str:
    """Return how much metal was produced."""
    made = [a for a in found.whole.amounts
            if a.item == PRODUCED and a.check_out is not None and _is_metal(found, a)]  # fmt: skip
    if not made:
        return ""
    parts = []
    for a in made:
        ounces = ounces_text(a)
        text = f"{amount_text(a)} {a.quantity}{f' ({ounces})' if ounces else ''}"
        parts.append(f"{text} in '{a.where}'{_less(found, a)}")
    return f"{_not_yet(found)}Produced{_of_how_many(found, when=True)}: {_joined(parts)}."


def _not_yet(found: Period) -> str:
    """Return the warning that stands before figures of numbers that do not agree."""
    return f"{NOT_YET} " if found.test.consistent is False else ""


def _of_how_many(found: Period, *, when: bool = False) -> str:
    """Return how many surveys a sum is over, if some are missing, and ``when`` these were."""
    n, out = len(found.shifts), [x.label for x in found.left_out if x.time is not None]
    missing = found.n_missing
    if not missing and not out:
        return ""
    text = f" in {n} of {'some ' if missing else ''}{n + missing + len(out)} surveys"
    why = [f"none {listed(_about(found))}"] if missing else []
    why += [f"without {labels_text(out)}"] if out else []
    return f"{text} ({'; '.join(why)})" if when else text


def _about(found: Period) -> list[str]:
    """Return when surveys are missing, not all of many times."""
    told = []
    for g in found.gaps[:_NAMED]:
        days = [f"{t:%Y-%m-%d}{f' {t:%H:%M}' if g.usual < timedelta(days=1) else ''}"
                for t in g.about]  # fmt: skip
        told.append(f"about {days[0]}" if len(days) == 1 else f"from {days[0]} to {days[-1]}")
    more = len(found.gaps) - len(told)
    return [*told, *([f"at {more} more times"] if more else [])]


def _recovery_text(found: Period, r: PeriodRecovery) -> str:
    value, sd = format_with_sd(r.check_out, r.check_out_sd)
    return f"{value} ± {sd} % of the {r.analyte} in '{r.stream}'{_less(found, r)}"


def _less(found: Period, row: PeriodAmount | PeriodRecovery) -> str:
    """Return over how many of the surveys a sum is, if its measurements do not determine all."""
    n = len(found.shifts)
    return f" ({n - len(row.not_out)} of {n} surveys)" if row.not_out else ""


def amount_text(a: PeriodAmount) -> str:
    """Return an amount as balanced."""
    value, sd = format_with_sd(a.check_out, a.check_out_sd)
    return f"{value} ± {sd} {a.unit}"


def ounces_text(a: PeriodAmount) -> str:
    """Return the same in troy ounces; empty but for precious metals."""
    if a.ounces is None or a.check_out is None or a.check_out_sd is None:
        return ""
    value, sd = format_with_sd(a.ounces * a.check_out, a.ounces * a.check_out_sd)
    return f"{value} ± {sd} ozt"


def _is_metal(found: Period, a: PeriodAmount) -> bool:
    return a.quantity in {r.analyte for r in found.whole.recoveries}


def _joined(parts: Iterable[str]) -> str:
    *most, last = parts
    return f"{'; '.join(most)}; and {last}" if most else last


def budget_sentences(found: Period) -> Iterator[str]:
    """Yield what the ± of the metal produced comes from, and what sharing makes of it."""
    for a in found.whole.amounts:
        if a.item != PRODUCED or not _is_metal(found, a) or not a.shares or not a.check_out_sd:
            continue
        sd = format_number(a.check_out_sd, 2)
        text = f"± {sd} {a.unit} {a.quantity}: {_shares(a.shares)}."
        if a.apart_sd is not None and a.check_out_sd > _MUCH * a.apart_sd:
            text += (
                f" If no survey shared an error with another it would be ± "
                f"{format_number(a.apart_sd, 2)}: errors that stay do not average out."
            )
        yield text


def _shares(shares: Sequence[PeriodShare]) -> str:
    told = [s for s in shares[:_NAMED] if s.share >= _LITTLE] or shares[:1]
    return ", ".join(f"{100.0 * s.share:.0f} % of its variance is from {share_name(s)}" if i == 0
                     else f"{100.0 * s.share:.0f} % {share_name(s)}"
                     for i, s in enumerate(told))  # fmt: skip


def share_name(s: PeriodShare) -> str:
    """Return what a source is called."""
    if s.shared:
        return f"'{s.source}'"
    own = "single readings of" if s.source == "stated error" else f"'{s.source}' of"
    return f"{own} {s.of}"


def unaccounted_sentences(found: Period) -> Iterator[str]:
    """Yield what is unaccounted for as measured, and whether the errors explain it."""
    for u in found.unaccounted:
        if u.amount is not None:
            yield f"{unaccounted_text(u)} {_explained(u)}"


def unaccounted_text(u: Unaccounted) -> str:
    """Return how much of what is unaccounted for, and where."""
    value, sd = format_with_sd(u.amount, u.sd)
    share = "" if u.share is None else f", {format_number(u.share, 2)} % of what went in"
    return f"{u.quantity} of {u.where}: {value} ± {sd} {u.unit}{share}:"


def _explained(u: Unaccounted) -> str:
    if u.explained:
        return "the errors explain it."
    word = "more went in than came out" if (u.amount or 0.0) > 0.0 else "more came out than went in"
    return f"the errors do not explain it: {word}."


def notes_of_period(found: Period) -> Iterator[str]:
    """Yield what the reader must know: what is missing in which sum, what was taken for granted."""
    for x in found.left_out:
        yield f"'{x.label}' is in no sum: {x.reason.rstrip('.')}."
    if found.without_sizes:
        yield (f"The sieve analyses of {labels_text(found.without_sizes)} are not used here: sums "
               "are of bulk masses and assays. For the sizes of one survey: 'oretally campaign "
               "FILE show SURVEY --show sizes'.")  # fmt: skip
    yield from _gaps(found)
    yield from _missing(found)
    for u in found.unaccounted:
        if u.missing:
            yield (f"What is unaccounted for of {u.quantity} of {u.where} is not known. Not "
                   f"measured: {', '.join(u.missing)}.")  # fmt: skip
    doubtful = [s.label for s in found.shifts if s.doubtful]
    if doubtful:
        yield (f"The numbers of {labels_text(doubtful)} do not agree within their stated errors: "
               "see 'oretally campaign FILE show' for each.")  # fmt: skip
    nodes = dict.fromkeys((s.before, s.after, s.node) for s in found.once)
    for before, after, node in nodes:
        yield (f"The closing stock of {node} in '{before}' and the opening stock in '{after}' are "
               "the same number: one reading, counted once.")  # fmt: skip
    if found.within_surveys:
        names = labels_text(found.within_surveys)
        yield (f"Taken for granted: {names} is another error in each survey. If it is one for "
               "several, the ± is larger: write shared = \"day\", \"week\", \"month\" or "
               "\"campaign\" under [sources], or --common NAME here.")  # fmt: skip
    if found.hours is not None:
        yield f"Rates were made amounts: {format_number(found.hours)} hours for each survey."


def _gaps(found: Period) -> Iterator[str]:
    for g in found.gaps:
        time, usual = _long(g.end - g.begin), _long(g.usual)
        if not (g.before and g.after):
            side = (f"begins {time} before '{g.after}' ({g.end:%Y-%m-%d %H:%M})"
                    if g.after else
                    f"ends {time} after '{g.before}' began ({g.begin:%Y-%m-%d %H:%M})")  # fmt: skip
            yield (f"The period {side}, and {usual} from one survey to the next is usual: "
                   f"{g.missing} missing, or not added yet? {_edge(found)}")  # fmt: skip
            continue
        text = (
            f"From '{g.before}' ({g.begin:%Y-%m-%d %H:%M}) to '{g.after}' it is {time}, "
            f"{usual} is usual: {g.missing} missing? Nothing was filled in"
        )
        if not found.handed_on:
            yield f"{text}."
        elif found.carried_over_gaps:
            yield f"{text}; stocks were handed on over it, as --stood-still says."
        else:
            yield f"{text}, and no stock was handed on. If the plant stood still: --stood-still."


def _edge(found: Period) -> str:
    if found.carried_over_gaps:
        return "The plant stood still, as --stood-still says."
    return ("Nothing was filled in. If only the surveyed days were meant: --from and --to; if the "
            "plant stood still: --stood-still.")  # fmt: skip


def _long(time: timedelta) -> str:
    hours = time.total_seconds() / 3600.0
    if hours < _DAYS:
        return f"{format_number(hours, 3)} hours"
    return f"{format_number(hours / 24.0, 3)} days"


def _missing(found: Period) -> Iterator[str]:
    """Yield which surveys are missing in which sums."""
    n = len(found.shifts)
    stocks = ("opening stock", "closing stock", "change in stock")
    rows = [a for a in found.whole.amounts if a.item not in stocks]
    for way in ("in", "out"):
        told: dict[tuple[str, ...], list[str]] = {}
        for a in rows:
            missing = a.not_in if way == "in" else a.not_out
            if missing:
                told.setdefault(missing, []).append(f"{a.quantity} of '{a.where}'")
        for labels, of in told.items():
            what = ", ".join(dict.fromkeys(of))
            why = "not measured" if way == "in" else "not determined"
            yield (f"Check-{way} of {what} is over {n - len(labels)} of {n} surveys: {why} in "
                   f"{labels_text(labels)}.")  # fmt: skip
    streams = dict.fromkeys(a.where for a in rows if a.by_difference)
    if streams:
        yield (f"Check-in takes the mass of {labels_text([*streams])} by difference where it was "
               "not measured.")  # fmt: skip
