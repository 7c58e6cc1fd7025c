"""What is said where there is no balance: why, and what would make one possible."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import replace

from oretally.flowsheet.digits import format_number, format_with_sd
from oretally.io.cells import written_bound
from oretally.io.wording.sentences import fit_words, listed, quoted
from oretally.io.wording.tables import ResultTable
from oretally.recon.result import (
    LEFT_OUT,
    SIZES,
    Balance,
    ChangedReading,
    Hold,
    Repair,
    Unbalanced,
)

__all__ = [
    "measured_tables",
    "obstacles",
    "repair_sentences",
    "repair_words",
    "unbalanced_blocks",
]

_WHY = "Why there is no balance"
_REPAIRS = "What would make a balance possible, the likeliest first"
_NO_REPAIR = "What would make a balance possible"

_FAR = 3.0  # sd, from which a closure is told
_TOLD = 5
_NAMED = 3  # values named that a repair would leave open
_HUNDRED = 100.0


def unbalanced_blocks(balance: Balance) -> list[tuple[str, list[tuple[str, str]]]]:
    """Return headings, and below each what is said as (word, sentence); nothing of a balance."""
    found = balance.unbalanced
    if found is None:
        return []
    repairs = repair_sentences(balance)
    blocks = [(_WHY, obstacles(balance))]
    return [*blocks, (_REPAIRS if found.repairs else _NO_REPAIR, repairs)] if repairs else blocks


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
        with_it = f", and with it that of {quoted(rest)}" if rest else ""
        what = "water" if ring.quantity == "water" else "flow"
        rows.append(
            ("grows", f"The {what} of '{first}' would grow without limit{with_it}: nothing "
             "measured holds it.")
        )  # fmt: skip
    return rows


def _agreement(balance: Balance, found: Unbalanced) -> list[tuple[str, str]]:
    """Return whether the numbers contradict each other."""
    figures = fit_words(found.objective, found.dof, found.p)
    if found.balanced:
        held = listed([_flow(h) for h in found.together])
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
    sizes = {round(abs(m.off), 1) for m in found.misfits}
    if len(found.misfits) > 1 and len(sizes) == 1:
        told.append("No data here can tell which of them is wrong.")
    return told


def _times(z: float) -> str:
    return f"{abs(z):.1f} times" if abs(z) < _HUNDRED else f"{abs(z):.0f} times"


def _measure(balance: Balance, found: Unbalanced) -> list[tuple[str, str]]:
    """Return what to measure so that recycles stay finite."""
    if len(found.together) > 1:
        streams = listed([_flow(h) for h in found.together])
        return [("measure", f"Weigh or meter {streams}: it takes each of them.")]
    if not found.holds:
        return [("measure", _holds_untried(found).strip())] if found.holds_untried else []
    of_flow = (balance.survey.basis.quantity, "water")
    flows = [_flow(h) for h in found.holds if h.quantity in of_flow]
    ways = [f"weigh or meter {listed(flows, 'or')}"] if flows else []
    ways += [_way(h) for h in found.holds if h.quantity not in of_flow]
    told = "; or ".join(ways)
    do = " Any one of these would do." if len(found.holds) > 1 else ""
    return [("measure", f"{told[0].upper()}{told[1:]}.{do}{_holds_untried(found)}")]


def _holds_untried(found: Unbalanced) -> str:
    """Return a space, and how many measurements might do but were not tried; else nothing."""
    if not found.holds_untried:
        return ""
    them = "1 more was" if found.holds_untried == 1 else f"{found.holds_untried} more were"
    return (
        f" Of what could be measured {them} not tried: the work that one answer may take was done."
    )


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
        (f"{i}.", f"{repair_words(r)} Then {fit_words(r.objective, r.dof, r.p)}{_opened(r)}.")
        for i, r in enumerate(found.repairs, start=1)
    ]
    if found.agree and found.repairs:
        rows.append(("", "No number contradicts the others: it may be the search that fails, and "
                     "none of these numbers be wrong."))  # fmt: skip
    return [*rows, ("tried", _tried(found))]


def repair_words(repair: Repair) -> str:
    """Return a change in words."""
    first = repair.readings[0]
    if repair.kind == LEFT_OUT:
        return f"Without {first.quantity} of '{first.stream}' ({_read(first)})."
    if len(repair.readings) > 2:
        return f"{repair.reason[0].upper()}{repair.reason[1:]}?"
    if len(repair.readings) > 1:
        other = repair.readings[1]
        return (
            f"{first.quantity} of '{first.stream}' ({_read(first)}) and {other.quantity} of "
            f"'{other.stream}' ({_read(other)}): {repair.reason}?"
        )
    fits = ""
    if first.fits is not None:
        value = f"{format_number(first.fits)} {first.unit}"
        fits = f", fits {value}" if repair.checked else f"; {value} would do, and nothing checks it"
    return (
        f"{first.quantity} of '{first.stream}' reads {format_number(first.read)} {first.unit}"
        f"{f' ({first.note})' if first.note else ''}{fits}: {repair.reason}?"
    )


def _read(reading: ChangedReading) -> str:
    return f"{format_number(reading.read)} {reading.unit}"


def _opened(repair: Repair) -> str:
    names = [f"{quantity} of '{stream}'" for stream, quantity in repair.opened]
    if not names:
        return ""
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    verb = "are" if len(names) > 1 else "is"
    return f"; but {', '.join(names[:_NAMED])}{more} {verb} then not determined"


def _tried(found: Unbalanced) -> str:
    """Return how many changes were tried, and how many were not."""
    slips = found.tried - found.left_out
    left = "1 number" if found.left_out == 1 else f"{found.left_out} numbers one by one"
    undone = "1 slip" if slips == 1 else f"{slips} slips"
    head = "" if found.repairs else "None makes a balance possible. "
    rest = "."
    if found.untried:
        them = "1 number" if found.untried == 1 else f"{found.untried} numbers"
        rest = f"; not with {them} more: the work that one answer may take was done."
    return (
        f"{head}Tried: without {left}, and with {undone} undone, those first that the others "
        f"contradict most{rest} Nothing was changed for good."
    )


def _measured(
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
    return ResultTable("As measured", header, rows, 2, 2).trimmed


def measured_tables(
    balance: Balance, labels: Collection[str], *, brief: bool = False
) -> list[ResultTable]:
    """Return what was measured: size classes in a table apart, or not at all (``brief``)."""
    tables = [_measured(balance, without=labels)]
    if not brief:
        classes = _measured(balance, only=labels)
        tables.append(replace(classes, caption="As measured, by size"))
    return [table for table in tables if table.rows]


def _flow(h: Hold) -> str:
    return f"the water of '{h.stream}'" if h.quantity == "water" else f"'{h.stream}'"
