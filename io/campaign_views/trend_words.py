"""Answers over time as sentences and tables."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from oretally.flowsheet.digits import format_number, format_p, format_with_sd
from oretally.io.wording import ResultTable, listed, quoted
from oretally.recon.answers import GRADE, PULL, RECOVERY
from oretally.recon.dated_balances import NoDatedBalance
from oretally.recon.propagation import sidak_limit
from oretally.recon.sizes import LOAD, P80
from oretally.recon.trends import (
    CLOSURE,
    HEADS,
    LEAST_FOR_CHANGE,
    STANDARD,
    ChangeKind,
    KindDifference,
    Trend,
)

__all__ = [
    "CampaignTrends", "disagreeing_sentences", "few_surveys_table", "kind_sentences", "kind_table",
    "outlying_sentences", "series_sentence", "trend_sentences", "trend_table", "unused_sentences",
]  # fmt: skip

_PLURAL = {
    RECOVERY: "recoveries", PULL: "mass pulls", GRADE: "grades", CLOSURE: "closures",
    HEADS: "calculated against assayed heads", STANDARD: "standards", P80: "P80s",
    LOAD: "circulating loads",
}  # fmt: skip
_TOLD = 3


@dataclass(frozen=True, eq=False)
class CampaignTrends:
    """All that is said of a campaign over time.

    Attributes
    ----------
    title : str
    file : str
        The campaign as the user named it.
    n_surveys : int
    trends : tuple of Trend
    kinds : tuple of KindDifference
    left_out : tuple of NoDatedBalance
    notes : tuple of str
    alpha : float
    dates : mapping of str to str
        When each survey was taken, as it is shown, by its label.
    disagreeing : tuple of str
        Labels of surveys whose numbers do not agree within their stated errors.
    """

    title: str
    file: str
    n_surveys: int
    trends: tuple[Trend, ...]
    kinds: tuple[KindDifference, ...]
    left_out: tuple[NoDatedBalance, ...]
    notes: tuple[str, ...] = ()
    alpha: float = 0.05
    dates: Mapping[str, str] = field(default_factory=dict)
    disagreeing: tuple[str, ...] = ()


def _unit(trend: Trend, *, difference: bool = False) -> str:
    unit = trend.series.unit
    return "points" if difference and unit == "%" and trend.series.aim is None else unit


def _of(trend: Trend) -> str:
    name = trend.series.name
    return f"{name[0].upper()}{name[1:]}"


def series_sentence(trend: Trend) -> str:
    """Return what one series says, in one sentence or two."""
    change, unit, n = trend.change, _unit(trend), len(trend.series.value)
    level, sd = format_with_sd(*trend.level)
    if change is None:
        if trend.p is None:
            return (
                f"{_of(trend)}: {level} ± {sd} {unit}, from {n} surveys: too few to see a change."
            )
        scatter = ""
        if trend.scatter > 0.0:
            scatter = f"; surveys differ by {format_number(trend.scatter, 2)} {unit} beyond errors"
        return f"{_of(trend)} has not changed: {level} ± {sd} {unit}, mean of {n}{scatter}."
    size, size_sd = format_with_sd(abs(change.size[0]), change.size[1])
    before, after = (" ± ".join(format_with_sd(*e)) for e in (change.before, change.after))
    down = change.size[0] < 0.0
    labels = trend.series.labels
    by = f"{size} ± {size_sd} {_unit(trend, difference=True)}"
    if change.kind is ChangeKind.DRIFT:
        return (
            f"{_of(trend)} drifts {'down' if down else 'up'}: by {by} from {labels[0]} to "
            f"{labels[-1]}, from {before} to {after} {unit}."
        )
    first, last = change.places
    between = ""
    if (first, last) != (change.index, change.index):
        between = f" (between {labels[first]} and {labels[min(last, n - 1)]})"
    return (
        f"{_of(trend)} {'fell' if down else 'rose'} by {by} at {labels[change.index]}{between}: "
        f"from {before} to {after} {unit}."
    )


def _off_sentence(trend: Trend) -> str:
    value, sd = format_with_sd(abs(trend.level[0]), trend.level[1])
    high = trend.level[0] > 0.0
    figure, s = f"{value} ± {sd} {trend.series.unit}", trend.series
    if s.subject == HEADS:
        way = "above" if high else "below"
        return (
            f"The calculated head of {s.quantity} lies {figure} {way} the assayed one. "
            "'oretally campaign FILE bias' says what may be off."
        )
    if s.subject == STANDARD:
        return f"{_of(trend)} reads {figure} {'high' if high else 'low'}."
    way = "more goes in than comes out" if high else "more comes out than goes in"
    return (
        f"At {s.stream} {way}, {s.quantity}: by {figure}. "
        "'oretally campaign FILE bias' says what may be off."
    )


def trend_sentences(found: CampaignTrends) -> Iterator[str]:
    """Yield what everybody reads first: what changed, recoveries, then what did not."""
    changed = [t for t in found.trends if t.change is not None]
    off = [t for t in found.trends if t.off_aim is not None and t.off_aim < found.alpha]
    main = _first_of_each([t for t in found.trends if t.series.subject == RECOVERY])
    main = [t for t in main if t.change is None]
    yield from (series_sentence(t) for t in changed)
    yield from (series_sentence(t) for t in main)
    yield from (_off_sentence(t) for t in off)
    told = {id(t) for t in (*changed, *main, *off)}
    rest = Counter(t.series.subject for t in found.trends if id(t) not in told)
    if rest and all(t.p is None for t in found.trends):
        yield f"Changes are looked for from {LEAST_FOR_CHANGE} surveys on."
    elif rest:
        names = listed([_counted(subject, n) for subject, n in rest.items()])
        if changed:
            yield f"Nothing else has changed: {names}."
        else:
            yield f"Nor {'have' if sum(rest.values()) > 1 else 'has'} {names}."


def _first_of_each(trends: Sequence[Trend]) -> list[Trend]:
    """Return the first of each analyte: what is said whether it changed or not."""
    return list({t.series.quantity: t for t in reversed(trends)}.values())[::-1]


def _counted(subject: str, n: int) -> str:
    plural = _PLURAL[subject]
    if n > 1:
        return f"{n} {plural}"
    single = {"recoveries": "recovery", "calculated against assayed heads":
              "calculated against assayed head"}.get(plural, plural.removesuffix("s"))  # fmt: skip
    return f"1 {single}"


def few_surveys_table(found: CampaignTrends) -> ResultTable | None:
    """Return the recoveries survey by survey; None where there are enough to look for changes."""
    main = [t for t in found.trends if t.series.subject == RECOVERY]
    main = _first_of_each(main)[:_TOLD]
    if not main or any(t.p is not None for t in main):
        return None
    labels = list(dict.fromkeys(label for t in main for label in t.series.labels))
    labels.sort(key=lambda label: found.dates.get(label, ""))
    own = [dict(zip(t.series.labels, zip(t.series.value, t.series.sd, strict=True), strict=True))
           for t in main]  # fmt: skip
    rows = [
        [label, found.dates.get(label, ""),
         *(part for of in own for part in format_with_sd(*of.get(label, (None, None))))]
        for label in labels
    ]  # fmt: skip
    named = [(f"{t.series.name} [{t.series.unit}]", "±") for t in main]
    header = ["survey", "date", *(part for pair in named for part in pair)]
    return ResultTable("Survey by survey", header, rows, 2)


def outlying_sentences(found: CampaignTrends) -> list[str]:
    """Return surveys that stand out of a chart by more than chance explains, of all together."""
    every = [
        (abs(z), t, i) for t in found.trends for i, z in enumerate(_standardised(t))
    ]  # fmt: skip
    limit = sidak_limit(found.alpha, len(every))
    out = sorted((row for row in every if row[0] > limit), key=lambda row: -row[0])
    told = []
    for size, t, i in out[:_TOLD]:
        s = t.series
        value, sd = format_with_sd(s.value[i], s.sd[i])
        told.append(
            f"{s.labels[i]} stands out: {s.name} {value} ± {sd} {s.unit}, "
            f"{format_number(size, 2)} sd off."
        )
    if len(out) > _TOLD:
        told.append(f"{len(out) - _TOLD} more values stand out.")
    return told


def _standardised(trend: Trend) -> list[float]:
    pairs = zip(trend.series.value, trend.centre.tolist(), trend.limit.tolist(), strict=True)
    return [(value - centre) / sd for value, centre, sd in pairs]


def kind_sentences(found: CampaignTrends) -> Iterator[str]:
    """Yield what differs between kinds of runs."""
    real = [k for k in found.kinds if k.p_together < found.alpha]
    for k in real:
        value, sd = format_with_sd(abs(k.difference[0]), k.difference[1])
        unit = "points" if k.unit == "%" else k.unit
        way = "higher" if k.difference[0] > 0.0 else "lower"
        yield (
            f"{k.name[0].upper()}{k.name[1:]} is {value} ± {sd} {unit} {way} in '{k.second}' than "
            f"in '{k.first}' ({k.n_second} and {k.n_first} surveys)."
        )
    if found.kinds and not real:
        names = dict.fromkeys(n for k in found.kinds for n in (k.first, k.second))
        yield f"No difference is shown between {quoted(names)}."


def unused_sentences(rows: Sequence[NoDatedBalance], most: int = 3) -> Iterator[str]:
    """Yield surveys that could not be used, and why."""
    for row in rows[:most]:
        yield f"Not used: {row.label}: {row.reason.rstrip('.')}."
    if len(rows) > most:
        yield f"Not used: {len(rows) - most} more surveys."


def disagreeing_sentences(found: CampaignTrends) -> Iterator[str]:
    """Yield which surveys have numbers that do not agree: their answers stand beside the others."""
    if labels := found.disagreeing:
        more = f", and {len(labels) - _TOLD} more" if len(labels) > _TOLD else ""
        yield (f"Not to be relied on: {quoted(labels[:_TOLD])}{more}. The numbers there do not "
               "agree within their stated errors, and what is said here rests on them too. "
               "'oretally campaign FILE show' says which may be wrong.")  # fmt: skip


def trend_table(found: CampaignTrends) -> ResultTable:
    """Return all series as a table."""
    rows = []
    for t in found.trends:
        level, sd = format_with_sd(*t.level)
        change = ("", "")
        when = ""
        if t.change is not None:
            change = format_with_sd(*t.change.size)
            when = (
                "drift" if t.change.kind is ChangeKind.DRIFT else (t.series.labels[t.change.index])
            )
        signal = t.sums.signal
        rows.append(
            [t.series.name, str(len(t.series.value)), level, sd, t.series.unit,
             format_number(t.scatter, 2), *change, format_p(t.p), when,
             ", ".join(t.series.labels[i] for i in t.rules.broken[:_TOLD])
             + (" ..." if len(t.rules.broken) > _TOLD else ""),
             "" if signal is None else t.series.labels[signal]]
        )  # fmt: skip
    header = ["answer", "surveys", "level", "±", "", "scatter", "change", "±", "p", "at",
              "rules broken at", "CUSUM signals at"]  # fmt: skip
    return ResultTable(
        "Answers over time", header, rows, 1, 3,
        legend=(
            "scatter: what surveys truly differ, beyond their errors (sd). p: the chance of so "
            "large a change of level, or drift, without any, corrected for all rows (Holm).",
            "Rules: beyond 3 sd; eight in a row on one side; two of three beyond 2 sd. By chance "
            "the first two break once in 153 values of a chart, a CUSUM signals once in 465.",
        ),
        wraps=True,
    )  # fmt: skip


def kind_table(found: CampaignTrends) -> ResultTable:
    """Return the differences between kinds of runs."""
    rows = []
    for k in found.kinds:
        value, sd = format_with_sd(*k.difference)
        rows.append(
            [k.name, f"{k.second} - {k.first}", str(k.n_second), str(k.n_first), value, sd, k.unit,
             format_number(k.low, 3), format_number(k.high, 3), format_p(k.p),
             format_p(k.p_together)]
        )  # fmt: skip
    header = ["answer", "kinds", "surveys", "and", "difference", "±", "", "from", "to", "p",
              "p of all"]  # fmt: skip
    return ResultTable("Kinds of runs against each other", header, rows, 2, wraps=True)
