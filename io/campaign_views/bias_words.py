"""Errors that stay, and stated errors judged, as sentences and tables."""

from __future__ import annotations

from collections.abc import Iterator

from oretally.flowsheet.digits import format_number, format_p, format_with_sd
from oretally.io.wording import ResultTable, listed
from oretally.recon.persistent_bias import (
    CampaignBias,
    ErrorForm,
    JudgedError,
    OneTimeError,
    PersistentBias,
)
from oretally.recon.result import ErrorPlace, Estimate
from oretally.recon.trends import ChangeKind

__all__ = [
    "bias_sentence", "bias_tables", "bias_verdict", "error_sentences", "left_out_sentences",
    "limits_of_sight", "one_time_sentences", "other_sentences", "place_words",
]  # fmt: skip

_TOLD = 4
_FEW = 6  # surveys
_DOUBLE = 100.0  # %, beyond which the least error seen is a figure without a meaning
_ALIKE = 1.5  # the least errors seen of any two, as a factor, up to which one figure is told
_POINTS = "percentage points"
_UNITS = {(ErrorForm.SCALE, "rel %"): "%", (ErrorForm.OFFSET, "%"): _POINTS}
_BLIND = (
    "What all streams have alike leaves every balance closed, and shows in no survey: all scales a "
    "few percent high, or a laboratory that reads all assays of an analyte high. Check weights and "
    "standards show that."
)


def place_words(place: ErrorPlace) -> str:
    """Return where an error stands, in words.

    Examples
    --------
    >>> place_words(ErrorPlace("measurement", "tailings", "Sn"))
    'Sn of tailings'
    """
    if place.kind == "loss":
        return f"an unmeasured loss at {place.where}"
    if place.kind == "source":
        return f"the shared error '{place.where}' of {place.quantity}"
    return f"{place.quantity} of {place.where}"


def bias_verdict(found: CampaignBias) -> str:
    """Return what everybody reads first."""
    n = found.n_used
    surveys = f"{n} survey{'s' * (n != 1)}"
    if not n:
        return "No survey can be used, so nothing can be said of errors that stay."
    if n < 3:
        return f"{surveys} can be used: errors that stay show from three surveys on."
    if not found.biases:
        said = f"Nothing persists: in {surveys} no measurement is off by more than chance explains."
        return " ".join([said, *_too_small(found)])
    return " ".join([*(bias_sentence(found, b) for b in found.biases), "Nothing else persists."])


def _too_small(found: CampaignBias) -> Iterator[str]:
    """Yield below which size an error that stays is hardly seen: best, as a rule, and worst."""
    rows = sorted((row for row in found.detectable if row[2] == "rel %"), key=lambda row: row[1])
    if not rows:
        return
    least, usual, most = (
        f"{format_number(rows[i][1], 2)} %" for i in (0, (len(rows) - 1) // 2, -1)
    )
    if rows[-1][1] <= _ALIKE * rows[0][1]:
        yield f"An error of less than some {most} that stays would hardly be seen."
        return
    worst = place_words(rows[-1][0])
    yield (
        f"An error that stays would hardly be seen below some {least} in "
        f"{place_words(rows[0][0])}, which is checked best, {usual} as a rule, and "
        + (
            f"{most} in {worst}, checked worst."
            if rows[-1][1] < _DOUBLE
            else f"in {worst}, checked worst, not even if it doubles it."
        )
    )


def bias_sentence(found: CampaignBias, bias: PersistentBias) -> str:
    """Return one error that stays: what, how large, since when; all that it may be instead."""
    every = [_reads(bias.place, bias.form, bias.unit, bias.size)]
    every += [_reads(o.place, o.form, o.unit, o.size) for o in bias.others]
    drift = bias.change is ChangeKind.DRIFT
    when = " by the last survey, from nothing at the first" if drift else _since(found, bias)
    if len(every) == 1:
        told, begin = every[0], "A drift: " if drift else ""
        return f"{begin}{told if drift else told[0].upper() + told[1:]}{when}."
    more = len(every) - _TOLD
    told = listed([*every[:_TOLD], *([f"{more} more"] if more > 0 else [])], "or")
    if drift:
        return f"A drift, one of {len(every)}: {told};{when}."
    return f"One of {len(every)}{when}: {told}."


def _reads(place: ErrorPlace, form: ErrorForm, unit: str, size: Estimate) -> str:
    """Return an error in words, with its sign."""
    value, sd = format_with_sd(abs(size[0]), size[1])
    figure = f"{value} ± {sd} {_UNITS.get((form, unit), unit)}"
    if form is ErrorForm.LOSS:
        done = "is lost unmeasured at" if size[0] > 0.0 else "comes in unmeasured at"
        return f"{figure} of what passes {done} {place.where}"
    if form is ErrorForm.SOURCE:
        way = "above" if size[0] > 0.0 else "below"
        return f"{place_words(place)} stands {value} ± {sd} of its sd {way} nothing"
    return f"{place_words(place)} reads {figure} {'high' if size[0] > 0.0 else 'low'}"


def _since(found: CampaignBias, bias: PersistentBias) -> str:
    labels, n = found.labels, len(found.labels)
    first, last = bias.places
    until = "" if bias.until is None else f" up to {labels[bias.until]}"
    if bias.since == 0 and last == 0:
        return until or " in all surveys"
    since = f" since {labels[bias.since]}" if bias.since else " from the first survey on"
    if (first, last) == (bias.since, bias.since):
        return since + until
    return f"{since}{until} (begun between {labels[first]} and {labels[min(last, n - 1)]})"


def other_sentences(bias: PersistentBias) -> Iterator[str]:
    """Yield why what an error may be instead is not told apart from it."""
    for exact, begin in (
        (True, "No survey of this kind can tell"),
        (False, "The surveys so far do not tell"),
    ):
        some = [place_words(o.place) for o in bias.others if o.exact is exact]
        if some:
            rest = [f"{len(some) - _TOLD} more"] if len(some) > _TOLD else []
            yield f"{begin} {place_words(bias.place)} from {listed([*some[:_TOLD], *rest], 'or')}."


def error_sentences(found: CampaignBias) -> Iterator[str]:
    """Yield the stated errors that should be others, or that all of them hold."""
    for error in found.proposals:
        yield _proposal(error)
    factor = found.factor
    if factor is None:
        return
    judged, all_of = len(found.errors), len(found.errors) + len(found.unjudged)
    if found.proposals:
        return
    if found.p < found.alpha:
        yield (
            f"The stated errors are too {'small' if factor > 1.0 else 'large'} together: the "
            f"adjustments are {format_number(factor, 3)} times as large as they let expect "
            f"(p {format_p(found.p)}). Which of them, the surveys do not say yet."
        )
    elif judged:
        yield (
            f"The stated errors hold: the adjustments are {factor:.2f} times as large as they let "
            f"expect, and none of the {judged} that can be judged"
            f"{f' (of {all_of})' if all_of > judged else ''} stands out."
        )


def _proposal(error: JudgedError) -> str:
    names = [place_words(p) for p in error.places]
    stated, low, high = error.stated, error.low or 0.0, error.high or 0.0

    def size(factor: float) -> str:
        return "" if factor == float("inf") else format_number(stated * factor, 2)

    share = error.unit == "rel %"
    unit = "%" if share else _POINTS if error.unit == "%" else error.unit
    of = " of the value" if share else ""
    if len(names) > 1:
        limits = f"{format_number(low, 2)} to {format_number(high, 2)}"
        return (
            f"The ± of {listed(names)} should be {format_number(error.factor, 2)} times what is "
            f"stated ({limits}); the surveys do not tell which of them."
        )
    if error.factor * stated < 1e-3 * stated:
        return (
            f"The ± of {names[0]} should be smaller than {size(1.0)} {unit}{of}, at most "
            f"{size(high)} {unit}."
        )
    least = "above 0" if low == 0.0 else size(low)
    most = size(high) or "any"
    return (
        f"The ± of {names[0]} should be {size(error.factor)} {unit}{of}, not {size(1.0)} {unit} "
        f"({least} to {most})."
    )


def limits_of_sight(found: CampaignBias) -> Iterator[str]:
    """Yield what these surveys cannot say: too few of them, errors that change no balance."""
    n = found.n_used
    if found.detectable and n < _FEW:
        place, size, unit = min(found.detectable, key=lambda row: (row[2] != "rel %", row[1]))
        told = f"{format_number(size, 2)} {'%' if unit == 'rel %' else unit}"
        yield (
            f"{n} surveys are few: of {place_words(place)} only an error above about {told} is "
            "likely to be found, of the others a larger one. More surveys show smaller ones."
        )
    if found.unseen:
        names = [place_words(p) for p in found.unseen]
        some = [*names[:_TOLD], *([f"{len(names) - _TOLD} more"] if len(names) > _TOLD else [])]
        yield f"No data tell of {listed(some, 'or')}: every balance closes with any such error."


def one_time_sentences(found: CampaignBias, most: int = 3) -> Iterator[str]:
    """Yield numbers that were badly wrong once."""
    rows = sorted(found.one_time, key=lambda e: -abs(e.statistic))
    for row in rows[:most]:
        yield _once(row)
    if len(rows) > most:
        yield f"{len(rows) - most} more numbers were wrong once."


def _once(row: OneTimeError) -> str:
    others = [place_words(p) for p in row.group[1:]]
    told = others[:_TOLD] + ([f"{len(others) - _TOLD} more"] if len(others) > _TOLD else [])
    rest = f"; it could as well be {listed(told, 'or')}" if others else ""
    return (
        f"Wrong once, and left out here: {place_words(row.group[0])} in {row.label}, "
        f"{format_number(abs(row.statistic), 2)} sd off{rest}."
    )


def left_out_sentences(found: CampaignBias, most: int = 3) -> Iterator[str]:
    """Yield surveys that could not be used, and why."""
    for row in found.left_out[:most]:
        yield f"Not used: {row.label}: {row.reason.rstrip('.')}."
    if len(found.left_out) > most:
        yield f"Not used: {len(found.left_out) - most} more surveys."


def bias_tables(found: CampaignBias) -> Iterator[ResultTable]:
    """Yield all figures."""
    if found.biases:
        yield _persistent_table(found)
    if found.errors:
        yield _error_table(found)
    if found.cusums:
        yield _cusum_table(found)
    if found.detectable:
        yield _detectable_table(found)


def _persistent_table(found: CampaignBias) -> ResultTable:
    rows = []
    for b in found.biases:
        value, sd = format_with_sd(*b.size)
        first, last = b.places
        rows.append(
            [place_words(b.place), b.form.value, value, sd, b.unit, format_p(b.p),
             str(b.n_surveys), found.labels[b.since],
             f"{found.labels[first]} .. {found.labels[last]}",
             "" if b.until is None else found.labels[b.until]]
        )  # fmt: skip
        for o in b.others:
            value, sd = format_with_sd(*o.size)
            which = "the same to any survey" if o.exact else "not decided"
            rows.append([f"or: {place_words(o.place)}", o.form.value, value, sd, o.unit, "", "",
                         which, "", ""])  # fmt: skip
    header = ["reading less truth", "stays as", "size", "±", "", "p", "surveys", "since", "95 %",
              "until"]  # fmt: skip
    return ResultTable(
        "Errors that stay", header, rows, 2, 3,
        legend=("p: the chance of one so strong, anywhere in the campaign, if nothing persists. "
                "scale: a share of the value; offset: an amount; loss: a share of what passes.",),
        wraps=True,
    )  # fmt: skip


def _error_table(found: CampaignBias) -> ResultTable:
    rows = []
    for e in found.errors:
        factor, sd = format_with_sd(e.factor, e.factor_sd)
        rows.append(
            [listed([place_words(p) for p in e.places]), format_number(e.stated, 3),
             format_number(e.stated * e.factor, 3), e.unit, factor, sd, format_p(e.p),
             format_p(e.p_together), str(e.n_surveys)]
        )  # fmt: skip
    header = ["stated error of", "stated", "found", "", "found / stated", "±", "p", "p of all",
              "surveys"]  # fmt: skip
    below: tuple[str, ...] = ()
    if found.unjudged:
        names = [place_words(p) for p in found.unjudged]
        below = (f"Too little is seen of: {listed(names)}.",)
    legend = (
        "Restricted maximum likelihood; what the balances see, and errors of other numbers, are "
        "taken into account. Found 0: the others explain all that is seen.",
    )
    caption = "Stated errors, judged by the adjustments"
    return ResultTable(caption, header, rows, 1, 0, below, legend, wraps=True)


def _cusum_table(found: CampaignBias) -> ResultTable:
    rows = []
    for row in found.cusums:
        signal, began = row.sums.signal, row.sums.began
        rows.append(
            [place_words(row.place), str(len(row.numbers)), f"{row.mean:+.2f}",
             f"{max(row.sums.up.max(), row.sums.down.max()):.1f}",
             "" if signal is None else found.labels[row.numbers[signal]],
             "" if began is None else found.labels[row.numbers[began]]]
        )  # fmt: skip
    header = ["measurement", "surveys", "mean", "largest sum", "first signal", "begun at"]
    return ResultTable(
        "Cumulative sums of the standardised adjustments", header, rows, 1, 2,
        ("One number that is off pulls at those that check it, so that their sums move too; the "
         "errors above are those of all surveys and numbers together.",),
        ("A sum signals above 5 sd: by chance once in 465 surveys.",),
    )  # fmt: skip


def _detectable_table(found: CampaignBias) -> ResultTable:
    rows = [[place_words(p), format_number(size, 2), unit] for p, size, unit in found.detectable]
    return ResultTable(
        "What would be found", ["error in all surveys", "at least", ""], rows, 1, 1,
        (f"Of such a size it is found in 4 of 5 campaigns. {_BLIND}",),
    )  # fmt: skip
