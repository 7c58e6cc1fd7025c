"""What other surveys of a campaign say beside the balance of one: in one or two sentences."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from oretally.flowsheet import Measurement
from oretally.flowsheet.digits import format_number
from oretally.flowsheet.survey import DatedSurvey
from oretally.io.campaign import BALANCE, Campaign, SurveyEntry, kept_results
from oretally.recon.other_surveys import LEAST_OTHERS, FarNumber, far_from_others
from oretally.recon.result import Balance

__all__ = ["told_by_others"]

_LEAST, _NAMED = 3, 2


def told_by_others(
    campaign: Campaign, entry: SurveyEntry, balance: Balance, surveys: Sequence[DatedSurvey]
) -> tuple[str, ...]:
    """Return what is out of the way in a survey, and how its recovery stands among the others.

    One balance often cannot tell which number is wrong; what is usual in the plant can. What is
    usual counts in the chances of the suspects already: this says what it is.
    """
    told = [*_numbers(surveys, entry, balance), *_recovery(campaign, entry, balance)]
    return (f"Over time: {' '.join(told)}",) if told else ()


def _numbers(surveys: Sequence[DatedSurvey], entry: SurveyEntry, balance: Balance) -> Iterator[str]:
    """Yield which numbers lie far from the same of all others, and how suspects stand to them."""
    here = {(m.stream, m.quantity) for m in balance.survey.measurements}
    far = [f for f in far_from_others(surveys, {entry.label}) if (f.stream, f.quantity) in here]
    suspects = list(dict.fromkeys(
        (p.where, p.quantity) for s in balance.suspects for p in s.group if p.kind == "measurement"
    ))  # fmt: skip
    if far:
        each = [f"{f.quantity} of '{f.stream}' reads {_among(f)}" for f in far[:_NAMED]]
        more = f"; and {len(far) - _NAMED} more" if len(far) > _NAMED else ""
        first = (far[0].stream, far[0].quantity)
        if first in suspects:
            end = "that counts in what is likely above"
        elif balance.global_test.consistent is False:
            end = "far from all of them"
        else:
            end = "far from all of them, though nothing here speaks against it"
        yield f"{'; '.join(each)}{more}: {end}."
    elif suspects:
        named = [_beside(surveys, entry, m) for s in suspects
                 if (m := balance.survey.measured(*s)) is not None]  # fmt: skip
        known = [(text, n) for text, n in named if n]
        if known:
            more = f"; and {len(known) - _NAMED} more" if len(known) > _NAMED else ""
            judged = all(n >= LEAST_OTHERS for _, n in known)  # by fewer none is called far
            end = ": none is far from them." if judged else ": too few to say what is far."
            yield f"{'; '.join(text for text, _ in known[:_NAMED])}{more}{end}"


def _among(far: FarNumber) -> str:
    n, low, high = far.others
    return (f"{format_number(far.measured)} {far.unit}, {n} other surveys {format_number(low)} to "
            f"{format_number(high)}")  # fmt: skip


def _beside(surveys: Sequence[DatedSurvey], entry: SurveyEntry, m: Measurement) -> tuple[str, int]:
    """Return a number beside the same of the other surveys, and how many of them have it."""
    found = (d.survey.measured(m.stream, m.quantity) for d in surveys if d.label != entry.label)
    usual = [m.unit.from_base(x.value_base) for x in found if x is not None and not x.bounded]
    if not usual:
        return "", 0
    low, high = (format_number(x) for x in (min(usual), max(usual)))
    others = f"{len(usual)} other survey{'s' * (len(usual) > 1)} {low}"
    others += f" to {high}" if len(usual) > 1 else ""
    told = f"{m.quantity} of '{m.stream}' reads {format_number(m.value)} {m.unit}, {others}"
    return told, len(usual)


def _recovery(campaign: Campaign, entry: SurveyEntry, balance: Balance) -> Iterator[str]:
    """Yield how a recovery stands among those of the surveys that were balanced already."""
    kept = next((k for k in balance.losses.kept if len(k.streams) == 1), None)
    if kept is None or not balance.converged:
        return
    value, stream = kept.percent[0], kept.streams[0]
    name, results = f"recovery of {kept.analyte} in {stream} [%]", kept_results(campaign, BALANCE)
    current = {e.number for e in campaign.entries()} - {entry.number}
    others = [r.columns[name] for number, r in results.items()
              if number in current and name in r.columns]  # fmt: skip
    if value is None or len(others) < _LEAST:
        return
    below, n = sum(x < value for x in others), len(others)
    where = (f"higher than in all {n} others" if below == n else f"lower than in all {n} others"
             if not below else f"higher than in {below} of {n} others")  # fmt: skip
    yield (f"Recovery of {kept.analyte} in '{stream}' is {where} ({format_number(min(others), 3)} "
           f"to {format_number(max(others), 3)} %).")  # fmt: skip
