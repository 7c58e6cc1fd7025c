"""What is said where there is no balance: why, and what would make one possible."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from oretally.flowsheet.digits import format_number, format_p, format_with_sd
from oretally.io.bounded_values import written_bound
from oretally.io.result_tables import ResultTable
from oretally.recon import Balance
from oretally.recon.recycles import SIZES
from oretally.recon.unbalanced_rows import LEFT_OUT, ChangedReading, Hold, Repair, Unbalanced

__all__ = [
    "REPAIRS_HEADING",
    "UNBALANCED_HEADING",
    "measured_table",
    "obstacles",
    "repair_sentences",
    "repair_words",
    "tried_sentence",
]

UNBALANCED_HEADING = "Why there is no balance"
REPAIRS_HEADING = "What would make a balance possible, the likeliest first"

_FAR = 3.0  # sd, from which a closure is told
_TOLD = 5
_NAMED = 3  # values named that a repair would leave open
_HUNDRED = 100.0


def obstacles(balance: Balance) -> list[tuple[str, str]]:
    """Return what stands in the way of a balance, and what to measure, as (word, sentence)."""
    found = balance.unbalanced
    if found is None:
        return []
    return [
        *_growing(found),
        *_agreement(balance, found),
        *(("closure", sentence) for sentence in _closures(balance)),
        *(("contradicts", sentence) for sentence in _misfits(found)),
        *_measure(balance, found),
        *_search(found),
    ]


def _growing(found: Unbalanced) -> list[tuple[str, str]]:
    rows = []
    for ring in found.recycles:
        first, rest = ring.streams[0], ring.streams[1:]
        with_it = f", and with it that of {_quoted(rest)}" if rest else ""
        rows.append(
            ("grows", f"The flow of '{first}' would grow without limit{with_it}: nothing measured "
             "holds it.")
        )  # fmt: skip
    return rows


def _agreement(balance: Balance, found: Unbalanced) -> list[tuple[str, str]]:
    """Return whether the numbers contradict each other."""
    figures = _figures(found.objective, found.dof, found.p)
    if found.balanced:
        held = _quoted([h.stream for h in found.together])
        each = " each" if len(found.together) > 1 else ""
        taken = f"With {held} taken as {format_number(found.taken)} {found.flow_unit}{each}"
        if found.agree:
            close = f" ({figures})" if found.dof > 0 else ""
            return [("agreement", f"{taken} there is a balance, and the numbers agree{close}: none "
                     "of them need be wrong. What is missing is a measurement.")]  # fmt: skip
        return [("agreement", f"{taken} there is a balance, but the numbers do not agree "
                 f"({figures}): at least one of them is wrong, or errors are stated too "
                 "small.")]  # fmt: skip
    if found.recycles:
        return [("agreement", "Nor is there a balance with that flow taken as known.")]
    told = f"The search ended without a balance: {balance.status}."
    if found.agree:
        return [("agreement", f"{told} Where it ended the numbers agree ({figures}).")]
    if found.p is not None:
        return [("agreement", f"{told} Where it ended the numbers do not agree ({figures}).")]
    return [("agreement", told)]


def _closures(balance: Balance) -> list[str]:
    """Return the closures far beyond their errors, as measured, the worst first."""
    far = sorted((c for c in balance.closures if abs(c.z) >= _FAR), key=lambda c: -abs(c.z))
    told = []
    for c in far[:_TOLD]:
        more = "less" if c.imbalance > 0.0 else "more"
        gap = format_with_sd(abs(c.imbalance), c.sd)[0]
        told.append(
            f"At '{c.node}' {gap} {c.unit} {more} {c.quantity} comes out than goes in, as "
            f"measured: {_times(c.z)} its expected error."
        )
    if len(far) > _TOLD:
        told.append(f"{len(far) - _TOLD} more closures are beyond {_FAR:g} sd: see their table.")
    return told


def _misfits(found: Unbalanced) -> list[str]:
    told = []
    for m in found.misfits[:_TOLD]:
        value, sd = format_with_sd(m.measured, m.sd)
        side = "above" if m.off > 0.0 else "below"
        told.append(f"{m.quantity} of '{m.stream}', {value} ± {sd} {m.unit}, is {_times(m.off)} "
                    f"its sd {side} what the others leave for it.")  # fmt: skip
    return told


def _times(z: float) -> str:
    return f"{abs(z):.1f} times" if abs(z) < _HUNDRED else f"{abs(z):.0f} times"


def _measure(balance: Balance, found: Unbalanced) -> list[tuple[str, str]]:
    """Return what to measure so that recycles stay finite."""
    if len(found.together) > 1:
        streams = _quoted([h.stream for h in found.together], "and")
        return [("measure", f"Weigh or meter {streams}: it takes each of them.")]
    if not found.holds:
        return []
    flow = balance.survey.basis.quantity
    flows = [h.stream for h in found.holds if h.quantity == flow]
    ways = [f"weigh or meter {_quoted(flows, 'or')}"] if flows else []
    ways += [_way(h) for h in found.holds if h.quantity != flow]
    told = "; or ".join(ways)
    do = " Any one of these would do." if len(found.holds) > 1 else ""
    return [("measure", f"{told[0].upper()}{told[1:]}.{do}")]


def _way(h: Hold) -> str:
    if h.quantity == SIZES:
        return f"sieve '{h.stream}'"
    verb = "measure the" if h.quantity == "% solids" else "assay"
    return f"{verb} {h.quantity} of '{h.stream}'"


def _search(found: Unbalanced) -> list[tuple[str, str]]:
    if found.recycles:
        return []
    return [("search", "More first guesses may find a balance: oretally balance CASE --starts 20")]


def repair_sentences(balance: Balance) -> list[tuple[str, str]]:
    """Return the changes that make a balance possible as (number, sentence), the likeliest first.

    A last pair says how many were tried; nothing if none was.
    """
    found = balance.unbalanced
    if found is None or not found.tried:
        return []
    rows = [
        (f"{i}.", f"{repair_words(r)} Then {_figures(r.objective, r.dof, r.p)}{_opened(r)}.")
        for i, r in enumerate(found.repairs, start=1)
    ]
    return [*rows, ("tried", tried_sentence(found))]


def repair_words(repair: Repair) -> str:
    """Return a change in words."""
    first = repair.readings[0]
    if repair.kind == LEFT_OUT:
        return f"Without {first.quantity} of '{first.stream}' ({_read(first)})."
    if len(repair.readings) > 1:
        other = repair.readings[1]
        return (
            f"{first.quantity} of '{first.stream}' ({_read(first)}) and {other.quantity} of "
            f"'{other.stream}' ({_read(other)}): {repair.reason}?"
        )
    fits = "" if first.fits is None else f", fits {format_number(first.fits)} {first.unit}"
    return (
        f"{first.quantity} of '{first.stream}' reads {format_number(first.read)} {first.unit}"
        f"{f' ({first.note})' if first.note else ''}{fits}: {repair.reason}?"
    )


def _read(reading: ChangedReading) -> str:
    return f"{format_number(reading.read)} {reading.unit}"


def _figures(objective: float, dof: int, p: float | None) -> str:
    if dof == 0:
        return "no number is checked by another"
    degrees = "1 degree" if dof == 1 else f"{dof} degrees"
    chance = "" if p is None else f", p {format_p(p)}"
    return f"chi-square {format_number(objective)} on {degrees} of freedom{chance}"


def _opened(repair: Repair) -> str:
    names = [f"{quantity} of '{stream}'" for stream, quantity in repair.opened]
    if not names:
        return ""
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    verb = "are" if len(names) > 1 else "is"
    return f"; but {', '.join(names[:_NAMED])}{more} {verb} then not determined"


def tried_sentence(found: Unbalanced) -> str:
    """Return how many changes were tried, and how many were not."""
    slips = found.tried - found.left_out
    head = "" if found.repairs else "None makes a balance possible. "
    rest = "."
    if found.untried:
        them = "1 number was" if found.untried == 1 else f"{found.untried} numbers were"
        rest = f"; with {them} nothing was tried ({found.most} changes are, at the most)."
    return (
        f"{head}Tried: {found.left_out} numbers left out one by one, {slips} slips undone, those "
        f"first that the others contradict most{rest} Nothing was changed for good."
    )


def measured_table(
    balance: Balance, *, without: Collection[str] = (), only: Collection[str] | None = None
) -> ResultTable:
    """Return what was measured, stream by stream, without some carriers or with some alone."""
    rows, last = list[Sequence[str]](), ""
    for v in balance.values:
        if v.measured is None or v.sd is None or v.carrier in without:
            continue
        if only is not None and v.carrier not in only:
            continue
        value, sd = format_with_sd(v.measured, v.sd)
        value = written_bound(v.measured, v.sd, v.error_source) or value
        rows.append([v.stream if v.stream != last else "", f"{v.quantity} [{v.unit}]", value, sd,
                     v.error_source, v.note])  # fmt: skip
        last = v.stream
    header = ["stream", "quantity", "measured", "±", "error stated by", "note"]
    if not any(row[-1] for row in rows):
        return ResultTable("As measured", header[:-1], [row[:-1] for row in rows], 2, 1)
    return ResultTable("As measured", header, rows, 2, 2)


def _quoted(names: Sequence[str], joint: str = "and") -> str:
    quoted = [f"'{name}'" for name in names]
    return quoted[0] if len(quoted) == 1 else f"{', '.join(quoted[:-1])} {joint} {quoted[-1]}"
