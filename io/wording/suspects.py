"""Sentences about what is probably wrong, shared by summary, report and workbook."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import inf

from oretally.flowsheet import Basis
from oretally.flowsheet.circuit import Content
from oretally.flowsheet.digits import (
    format_chance,
    format_chi_square,
    format_number,
    format_p,
    format_with_sd,
)
from oretally.flowsheet.survey import DECLARED_LOSS, Kind, meanings
from oretally.io.wording.sentences import listed
from oretally.recon.result import (
    Balance,
    ErrorPlace,
    Slip,
    SlippedReading,
    Suspect,
    explained,
)

__all__ = [
    "SUSPECTS_HEADING",
    "UNTOUCHED",
    "SuspectWords",
    "explanation_name",
    "group_words",
    "is_quiet",
    "opinion_sentence",
    "quiet_sentence",
    "remedy",
    "search_sentence",
    "slip_sentence",
    "suspect_head",
    "suspect_words",
    "unexplained_sentence",
]

SUSPECTS_HEADING = "Worth a second weighing or assay, the likeliest first"
UNTOUCHED = (
    "Nothing was changed or left out by the program: weigh or assay again, mend the number, and "
    "balance again."
)
_MANY = 4  # members of a group that are told one by one
_HARDLY = 0.01  # probability below which a member of a group is not told
_LIKELY = 0.5  # probability from which an exchange is taken for granted beside an error in it


@dataclass(frozen=True, slots=True)
class SuspectWords:
    """One suspect in words: how likely, what it is, and what else there is to say."""

    chance: str
    head: str
    details: tuple[str, ...]


def is_quiet(balance: Balance) -> bool:
    """Whether no number stands out: likelier than not all are right."""
    return balance.gross_errors.quiet


def quiet_sentence(balance: Balance) -> str:
    """Return that no number stands out; empty if one does, or if that was not looked for."""
    if not is_quiet(balance):
        return ""
    return f"No number stands out; all right: {format_chance(balance.gross_errors.sound)}."


def unexplained_sentence(balance: Balance) -> str:
    """Return that the likeliest explanation leaves too much; empty if it does not."""
    if is_quiet(balance) or not balance.suspects:
        return ""
    first = next((e for e in balance.gross_errors.explanations if e.places), None)
    if first is None or first.objective is None or explained(first.objective, first.dof):
        return ""
    return (
        "Nothing that was tried explains the numbers: under the likeliest explanation chi-square "
        f"is still {format_number(first.objective)} on {first.dof}. More is wrong than is listed; "
        "begin with the first, and balance again."
    )


def suspect_words(balance: Balance) -> tuple[SuspectWords, ...]:
    """Return each suspect in words, the likeliest first; none if no number stands out."""
    if is_quiet(balance):
        return ()
    return tuple(
        SuspectWords(
            format_chance(s.probability), suspect_head(balance, s), tuple(_details(balance, s))
        )
        for s in balance.suspects
    )


def suspect_head(balance: Balance, s: Suspect) -> str:
    """Return what the suspect is and by how much it is off."""
    if s.together:
        reason = s.slips[0].reason
        of = f": {group_words(s.group)}" if len(s.group) == 2 else ""
        return f"{reason[0].upper()}{reason[1:]}{of}."
    error, sd = format_with_sd(s.estimated_error, s.sd)
    first = s.group[0]
    size = f"off by {error} ± {sd} {'points' if s.unit == '%' else s.unit}"
    if first.kind == "loss":
        lost = format_with_sd(abs(s.estimated_error), s.sd)[0]
        text = f"a loss of {lost} ± {sd} {s.unit} at '{first.where}' that nobody measured"
    elif first.kind == "gain":
        more = format_with_sd(abs(s.estimated_error), s.sd)[0]
        text = (
            f"{more} ± {sd} {s.unit} more came out of '{first.where}' than went in: water not "
            "dried off, a container not taken off, something weighed twice"
        )
    elif first.kind == "source":
        text = f"{first}: off by {error} ± {sd} times its own sd"
    else:
        row = balance.value(first.where, first.quantity)
        said = (row.measured or 0.0) - s.estimated_error
        others = f"the others say {format_with_sd(said, s.sd)[0]}"
        if any(m.together and first in m.group and (m.probability or 0.0) > _LIKELY
               for m in balance.suspects):  # fmt: skip
            others = f"where it belongs {others}"
        if said < 0.0:
            others = "the others would need less than 0, so it is hardly wrong alone"
        elif said > _whole(balance, first):
            others = "the others would need more than all of it, so it is hardly wrong alone"
        if row.error_source == DECLARED_LOSS:
            prior = f"{format_number(row.measured)} ± {format_number(row.sd)} {row.unit}"
            text = f"'{first.where}' (declared, not measured: {prior}; {others}): {size}"
        else:
            measured = f"measured {format_number(row.measured)} {row.unit}"
            text = f"{first} ({measured}, {others}): {size}"
    # members that are hardly the one are left to the JSON
    told = [(m, p) for m, p in zip(s.group, s.shares, strict=False) if p > _HARDLY]
    if len(told) > _MANY:
        text += f". It may be {group_words([m for m, _ in told])}: no data here can tell which"
    elif len(told) > 1:
        shares = "; ".join(f"{m} ({format_chance(p)})" for m, p in told)
        text += f". One of {shares}: no data here can tell which"
    return f"{text}."


def group_words(places: Sequence[ErrorPlace]) -> str:
    """Return several places in a few words; more than four as what they have in common."""
    names = [str(p) for p in places]
    if len(names) <= _MANY:
        return listed(names)
    streams, quantities = {p.where for p in places}, {p.quantity for p in places}
    if all(p.kind == "measurement" for p in places):
        if len(streams) == 1:
            return f"any of {len(names)} numbers of '{places[0].where}'"
        if len(quantities) == 1:
            return f"{places[0].quantity} of any of {len(names)} streams"
    return f"any of {len(names)} numbers, {names[0]} among them"


def _whole(balance: Balance, place: ErrorPlace) -> float:
    """Return the most that a value can be: the whole, of a grade or a share."""
    m = balance.survey.measured(place.where, place.quantity)
    flow = m is None or m.unit.dimension is balance.survey.basis.dimension
    return inf if m is None or flow else m.unit.from_base(1.0)


def _details(balance: Balance, s: Suspect) -> Iterator[str]:
    if s.together:
        slip = s.slips[0]
        yield (
            f"{_fits(slip)}. So put right they lie within {format_number(slip.misfit, 2)} sd of "
            f"what the others say; chi-square {format_chi_square(slip.objective)} on {slip.dof}."
        )
        return
    for slip in s.slips:
        yield slip_sentence(slip)
    if s.near:
        close = ", ".join(f"{place} ({corr:.2f})" for place, corr in s.near[:4])
        yield (
            f"Hard to tell from: {close}; in brackets the correlation of what they leave in the "
            "balances."
        )
    if len(s.group) > 1 or s.near or s.tie_breakers:
        yield _tie_sentence(balance, s)
    if s.over_time:
        yield (
            "It is the course of the leach that speaks against it: no leach that slows down as its "
            "metal goes passes through all times. Or the leach did not: a reagent or air ran short "
            f"and was put in again, or metal went back to the solids. Statistic {s.statistic:.1f}, "
            f"p {format_p(s.p)}; without it chi-square of balance and course together "
            f"{format_chi_square(s.objective_without)} on {s.dof_without}."
        )
        return
    limit = balance.gross_errors.measurement_limit
    against = "" if limit is None else f" (limit {limit:.1f})"
    yield (
        f"Standardised adjustment {s.statistic:.1f}{against}, p {format_p(s.p)}; without it "
        f"chi-square {format_chi_square(s.objective_without)} on {s.dof_without}."
    )


def _tie_sentence(balance: Balance, s: Suspect) -> str:
    """Return what would tell the members of a group apart."""
    members = [*s.group, *(place for place, _ in s.near[:2])]
    again = "; or ".join(dict.fromkeys(remedy(balance, m) for m in members[:4]))
    text = f"To tell them apart: {again}"
    new = [f"{t.quantity} of '{t.stream}'" for t in s.tie_breakers]
    if new:
        text += f"; or measure {' or '.join(new)}, not measured yet"
    return f"{text}."


def remedy(balance: Balance, place: ErrorPlace) -> str:
    """Return what would settle whether an error is there: weigh, assay, look for a loss."""
    if place.kind == "loss":
        return f"look for what gets lost at '{place.where}'"
    if place.kind == "gain":
        return f"see whether all that left '{place.where}' was dry, without its container"
    if place.kind == "source":
        return f"check what all readings of {place.quantity} share ('{place.where}')"
    m = balance.survey.measured(place.where, place.quantity)
    if m is not None and m.error_source == DECLARED_LOSS:
        stream = next(s for s in balance.circuit.streams if s.name == place.where)
        if stream.content is Content.DISSOLVED:
            return f"see how much dissolves at '{stream.source}'"
        return f"look for what gets lost at '{stream.source}'"
    meaning = meanings(balance.survey)[place.quantity]
    if meaning.kind is Kind.DRY and balance.survey.basis is Basis.BATCH:
        return f"weigh '{place.where}' again"
    if meaning.kind is Kind.SHARE:
        return f"sieve '{place.where}' again"
    return f"measure {place} again" if meaning.analyte is None else f"assay {place} again"


def slip_sentence(slip: Slip) -> str:
    """Return a slip in words, with how well it explains the numbers."""
    off = f"{format_number(slip.misfit, 2)} sd from what the others say, "
    return (
        f"{_fits(slip)}: {slip.reason}? Then {'' if slip.kind == 'wet mass' else off}"
        f"chi-square {format_chi_square(slip.objective)} on {slip.dof}."
    )


def _fits(slip: Slip) -> str:
    """Return the readings of a slip as they are, and as they would be without it."""
    told = slip.readings[:_MANY]
    text = "; ".join(
        f"{r.quantity} of '{r.stream}' reads {format_number(r.read)}{_made_from(r)}, "
        + ("nobody knows what it was" if r.fits is None
           else f"fits {format_number(r.fits)} {r.unit}")
        for r in told
    )  # fmt: skip
    more = len(slip.readings) - len(told)
    return f"{text}; and {more} more" if more else text


def _made_from(reading: SlippedReading) -> str:
    return f" {reading.unit} ({reading.note})" if reading.note else ""


def explanation_name(balance: Balance, index: int) -> str:
    """Return one explanation in a few words."""
    e = balance.gross_errors.explanations[index]
    several = [s for s in e.slips if len(s.readings) > 1]
    mixed = {(r.stream, r.quantity) for s in several for r in s.readings}
    slips = {(r.stream, r.quantity): s.kind
             for s in e.slips if s not in several for r in s.readings}  # fmt: skip
    parts = [s.reason if len(s.readings) > 2
             else " and ".join(f"{r.quantity} of '{r.stream}'" for r in s.readings) + f" ({s.kind})"
             for s in several]  # fmt: skip
    for i, place in enumerate(e.places):
        besides = place in e.places[i + 1 :]
        if (place.where, place.quantity) in mixed and not besides:
            continue
        kind = slips.get((place.where, place.quantity))
        parts.append(f"{place} ({kind})" if kind else str(place))
    return " and ".join(parts) or "all numbers right"


def opinion_sentence(balance: Balance) -> str:
    """Return what other methods find, in one sentence; empty if there is nothing to compare."""
    opinions = balance.gross_errors.opinions
    if not opinions or not (balance.suspects or any(o.found for o in opinions)):
        return ""
    parts = [
        f"{o.method}: {', '.join(map(str, o.found[:4])) or 'none'}"
        + (f" and {len(o.found) - 4} more" if len(o.found) > 4 else "")
        for o in opinions
    ]
    return "; ".join(parts) + "."


def search_sentence(balance: Balance) -> str:
    """Return how the probabilities were found, in one or two sentences."""
    f, alpha = balance.gross_errors, balance.global_test.alpha
    rate = f"{100.0 * f.rates.measurement:.2g} %"
    text = (
        f"Before looking, each measurement is taken to be badly wrong with a chance of {rate}, "
        f"each node to lose or gain unseen with {100.0 * f.rates.loss:.2g} %"
    )
    own = dict(f.rates.by_quantity)
    own |= {f"numbers from '{source}'": rate for source, rate in f.rates.by_source.items()}
    if own:
        told = ", ".join(f"{what} {100.0 * rate:.2g} %" for what, rate in own.items())
        text += f" (as the case says: {told})"
    several = "1 error" if f.all_up_to == 1 else f"{f.all_up_to} errors"
    left_out = format_chance(f.left_out)
    left_out = f"about {left_out}" if left_out[0].isdigit() else left_out
    return (
        f"{text}. All explanations by up to {several} were compared, those by more as "
        f"far as they were likely; the search left out {left_out} of the "
        f"odds. {_untried(f.tried, f.untried)}Corrected for the number of tests (Sidak), at "
        f"{100.0 * alpha:.2g} % together, a standardised adjustment is significant beyond "
        f"{format_number(f.measurement_limit, 3)}"
        + (f", a closure beyond {format_number(f.nodal_limit, 3)} sd." if f.nodal_limit else ".")
    )


def _untried(tried: int, untried: int) -> str:
    """Return a sentence on explanations that were not balanced again, and a space; else nothing."""
    if not untried:
        return ""
    if not tried:
        return (
            f"{untried} explanations may be likely: none was balanced again, all are ranked by "
            "linear propagation. "
        )
    return (
        f"Of {tried + untried} explanations that may be likely {tried} were balanced again, the "
        "likeliest first; the others are ranked by linear propagation. "
    )
