"""What is to be checked first: one number, or several of which one is wrong; in sentences."""

from __future__ import annotations

from collections.abc import Sequence

from oretally.flowsheet import Basis, parse_unit
from oretally.flowsheet.digits import format_chance, format_number, format_with_sd
from oretally.flowsheet.survey import Kind, meanings
from oretally.io.wording import listed, remedy, suspect_head
from oretally.recon.result import Balance, ErrorPlace, NamedExplanation, Slip, Suspect

__all__ = ["one_of", "one_of_sentences", "perhaps_none", "recoveries_if_mended", "said_of",
           "short_suspect"]  # fmt: skip

_LIKELY = 0.5  # probability from which one number is told by itself
_RIVAL = 0.25  # unless another that may be the one has so much
_OTHER = 0.1  # probability from which another that may be the one stands beside it
_SOME = 0.05  # ... from which it is named at all
_NAMED = 4  # told by name
_SOUND = 0.1  # probability that nothing is wrong, from which it is told beside what may be
_WET = "wet mass"  # a kind of slip
_ON_A_SCALE = 50.0  # kg: trays, buckets and drums that people lift; a truck has its own weighing

_Chances = Sequence[tuple[ErrorPlace, float]]


def one_of(s: Suspect) -> _Chances:
    """Return the errors one of which is there; none if one has nearly all of the probability."""
    rival = max((p for _, p in s.instead), default=0.0)
    if s.together or (s.shares[0] > _LIKELY and rival < _RIVAL):
        return ()
    others = [(place, p) for place, p in s.instead if p >= _OTHER]
    every = [(s.group[0], s.shares[0]), *others] if others else []
    return sorted(every, key=lambda each: -each[1])


def perhaps_none(balance: Balance) -> str:
    """Return how likely it is that nothing is wrong, where that is not little; else nothing."""
    sound = balance.gross_errors.sound or 0.0
    return f"all numbers right {format_chance(sound)}" if sound >= _SOUND else ""


def said_of(balance: Balance, s: Suspect) -> tuple[str, str]:
    """Return one suspect in sentences: what it reads, what the others say, its slip; how likely."""
    first = s.group[0]
    others = [(place, p) for place, p in s.instead if p >= _SOME]
    less = f"; less so {_named(others, 'and')}" if others else ""
    none = f"; {right}" if (right := perhaps_none(balance)) else ""
    likely = f"That is {format_chance(s.shares[0])} likely{less}{none}."
    if s.together or first.kind != "measurement":
        head = suspect_head(balance, s)
        begin = "perhaps " if s.together else ""
        return f"{begin}{head[0].lower()}{head[1:]}", likely
    row = balance.value(first.where, first.quantity)
    # the error found is that of the reading and that of the others together
    others_sd = max(s.sd**2 - (row.sd or 0.0) ** 2, 0.0) ** 0.5 or s.sd
    said = format_with_sd((row.measured or 0.0) - s.estimated_error, others_sd)
    slip = _slip(s, first, s.shares[0])
    made = f" ({slip.readings[0].note})" if slip is not None and slip.readings[0].note else ""
    text = (f"{first} reads {format_number(row.measured)} {row.unit}{made}, the others say "
            f"{' ± '.join(said)}")  # fmt: skip
    left = _left_on(balance, s)
    if slip is None:
        return f"{text}.{left}", likely
    if slip.kind == _WET and left:  # how wet is free: it fits any surplus, as a tray does
        return f"{text}.{left} Or is it {slip.reason}?", likely
    reading = slip.readings[0]
    if reading.fits is None:
        return f"{text}: {slip.reason}?", likely
    fits = format_with_sd(reading.fits, others_sd)[0]
    return f"{text}: {slip.reason}? Then it is {fits} {reading.unit}.", likely


def one_of_sentences(balance: Balance, s: Suspect) -> tuple[str, str]:
    """Return several numbers one of which is wrong, with what may have happened; what to do."""
    every, none = one_of(s), perhaps_none(balance)
    alike = _slip_of_most(balance, every)
    what = f"{_named(every, 'or')}{'; ' if none else ''}{none}"
    what += f": {alike}? Nothing here tells which." if alike else (
        f". Nothing here tells which.{_left_on(balance, s)}{_wet(balance, s)}")  # fmt: skip
    steps = [remedy(balance, place) for place, _ in every]
    verbs = {step.split()[0] if step.endswith(" again") else "" for step in steps}
    all_of = "both" if len(every) == 2 else f"all {len(every)}"
    verb = verbs.pop() if len(verbs) == 1 else ""
    step = f"{verb.capitalize()} {all_of} again" if verb else f"Check {all_of}"
    return what, f"{step}, mend {'what' if none else 'the one that'} is wrong"


def short_suspect(s: Suspect) -> str:
    """Return what is to be checked first by name, each with its chance, as the sentences have it.

    Of numbers that were mixed up together not all of many are told.
    """
    if several := one_of(s):
        return _named(several, "or")
    names = [str(place) for place in (s.group if s.together else s.group[:1])]
    told = names[:_NAMED] + ([f"{len(names) - _NAMED} more"] if len(names) > _NAMED else [])
    return f"{listed(told)} ({format_chance(s.shares[0])} likely)"


def _slip(s: Suspect, place: ErrorPlace, p: float) -> Slip | None:
    """Return the slip of a number that is likelier than all else that may have happened to it."""
    own = (x for x in s.slips if len(x.readings) == 1 or s.together)
    return next((x for x in own if x.probability > 0.5 * p
                 and (x.readings[0].stream, x.readings[0].quantity) == (place.where, place.quantity)
                 ), None)  # fmt: skip


def _wet(balance: Balance, s: Suspect) -> str:
    """Ask whether the likeliest number is a wet mass, if that is the likeliest slip of it."""
    slip = _slip(s, s.group[0], s.shares[0])
    if slip is None or slip.kind != _WET:
        return ""
    begin = "Or is" if _left_on(balance, s) else "Is"
    return f" {begin} '{s.group[0].where}' {slip.reason}?"


def _slip_of_most(balance: Balance, every: _Chances) -> str:
    """Return the slip that is likelier than all else to have happened to one of some numbers.

    How wet a mass would be is its own: that is none of them all.
    """
    found, places = dict[str, float](), {(p.where, p.quantity) for p, _ in every}
    for slip in (x for s in balance.suspects if not s.together for x in s.slips):
        if slip.kind != _WET and {(r.stream, r.quantity) for r in slip.readings} <= places:
            found[slip.reason] = found.get(slip.reason, 0.0) + slip.probability
    reason = max(found, key=lambda each: found[each], default="")
    return reason if found.get(reason, 0.0) > 0.5 * sum(p for _, p in every) else ""


def _left_on(balance: Balance, s: Suspect) -> str:
    """Ask what stood on the scale, if masses of a test say too much and no container is known."""
    survey, place = balance.survey, s.group[0]
    if survey.basis is not Basis.BATCH or survey.containers or s.estimated_error <= 0.0:
        return ""
    if place.kind != "measurement" or meanings(survey)[place.quantity].kind is not Kind.DRY:
        return ""
    if parse_unit(s.unit).to_base(s.estimated_error) > _ON_A_SCALE:
        return ""
    more = " ± ".join(format_with_sd(s.estimated_error, s.sd))
    return f" Was something of {more} {s.unit} left on the scale? Name trays under [containers]."


def _named(chances: _Chances, last: str) -> str:
    """Return places with their chances, a quantity that all have in common said once."""
    told = chances[:_NAMED]
    common = {p.quantity for p, _ in told}
    alike = len(common) == 1 and all(p.kind == "measurement" for p, _ in told)
    names = [str(p) for p, _ in told[:1]]
    names += [f"'{p.where}'" if alike else str(p) for p, _ in told[1:]]
    names = [f"{name} ({format_chance(p)})" for name, (_, p) in zip(names, told, strict=True)]
    if len(chances) > len(told):
        names.append(f"{len(chances) - len(told)} others")
    return listed(names, last)


def recoveries_if_mended(balance: Balance) -> str:
    """Return what the first recovery is with the first suspect mended, whichever it is."""
    first, kept = balance.suspects[0], balance.losses.kept[0]
    may_be = {*first.group, *(place for place, _ in one_of(first))}
    likely = [e for e in balance.gross_errors.explanations if e.places]
    if not one_of(first):
        likely = likely[:1]
    likely = [e for e in likely if set(e.places) <= may_be]
    if len(kept.streams) != 1:
        return ""
    found = [r for e in likely if (r := _recovery(e, kept.streams[0], kept.analyte)) is not None]
    if not found:
        return ""
    of = f"of the {kept.analyte}"
    if len(found) == 1:
        return f" With that mended {' ± '.join(format_with_sd(*found[0]))} % {of}."
    widest = max(sd for _, sd in found)
    low, high = (format_with_sd(end(found)[0], widest)[0] for end in (min, max))
    between = low if low == high else f"{low} to {high}"
    return f" With that mended {between} % {of}{'' if low == high else ', according to which'}."


def _recovery(e: NamedExplanation, stream: str, analyte: str) -> tuple[float, float] | None:
    return next(((r.recovery, r.sd) for r in e.recoveries
                 if (r.stream, r.analyte) == (stream, analyte)
                 and r.recovery is not None and r.sd is not None), None)  # fmt: skip
