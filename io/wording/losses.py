"""What a balance says of its losses, in sentences: what the numbers support and what they do not.

Evidence, no verdict: each sentence gives its numbers, and names what they cannot tell apart.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from oretally.flowsheet.circuit import NodeKind
from oretally.flowsheet.digits import format_chance, format_with_sd
from oretally.io.wording.sentences import listed, quoted
from oretally.recon.result import (
    COARSE_SHARE,
    LEAST_ENRICHMENT,
    LEAST_SHARE,
    MOST_ASSAYS,
    TEST_POWER,
    Balance,
    DecidingTest,
    End,
    Loss,
    LossCause,
    LossEnd,
    LossPart,
    MissingAssay,
    Standing,
    TestKind,
)

__all__ = ["EXPLANATIONS", "LOSS_HEADING", "LossReading", "assay_sentence", "loss_by_size",
           "loss_meaning", "loss_readings", "next_test"]  # fmt: skip

LOSS_HEADING = "Where the rest of the metal is, and as what"
EXPLANATIONS = {
    LossCause.COARSE_UNTOUCHED: "coarse grains untouched: as rich as the head, or with all of it",
    LossCause.NO_SIZE: "no size stands out: both parts have one grade",
    LossCause.ALL_FINE: "all of it is in the finer part",
    LossCause.LOCKED: "locked in coarse particles: only the ground half gives it up",
    LossCause.FREE: "free coarse grains that were missed: both halves give them up",
    LossCause.SLIMES: "it is in the very finest: the coarser half is like the next class",
    LossCause.NOT_BY_SIZE: "not by size: both halves have one grade",
    LossCause.MISSED: "missed: the second treatment takes the same share as the first",
    LossCause.OUT_OF_REACH: "out of reach: the second treatment takes nothing",
}
"""What each explanation says, in a few words."""
_FIRST_OPENING = "150 um"  # where nothing is known of sizes: common practice, no source


@dataclass(frozen=True, slots=True)
class LossReading:
    """The sentences on one lost product, for one or several analytes.

    Attributes
    ----------
    stream : str
    analytes : tuple of str
    sentences : tuple of str
        What is lost, what the numbers support, what they cannot tell apart.
    tests : tuple of str
        What to do, and how likely that is to tell.
    """

    stream: str
    analytes: tuple[str, ...]
    sentences: tuple[str, ...]
    tests: tuple[str, ...]


def loss_meaning(balance: Balance) -> str:
    """Return what counts as lost, and what is not read; empty where there is nothing to read."""
    kept: dict[tuple[str, ...], list[str]] = {}
    for loss in balance.losses.found:
        names = kept.setdefault(loss.kept, [])
        if loss.analyte not in names:
            names.append(loss.analyte)
    parts = []
    if kept:
        said = "; ".join(f"{listed(names)}: {quoted(streams)}" for streams, names in kept.items())
        parts.append(f"What counts as kept: {said}. The rest of the metal is told here.")
    if balance.losses.not_read:
        why = ("what is kept is no richer in it than the rest" if balance.losses.stated else
               f"no product has {LEAST_ENRICHMENT:g} times the grade of the feed")  # fmt: skip
        parts.append(f"Not read: {listed(balance.losses.not_read)}, as {why}.")
    if len(kept) > 1 and not balance.losses.stated:
        parts.append('If that is not what you want: [report] lost = ["..."] names what is lost.')
    if kept and balance.global_test.consistent is False and not balance.mildly_off:
        parts.append("The numbers do not agree within their stated errors: settle that first, what "
                     "follows rests on them.")  # fmt: skip
    return " ".join(parts)


def loss_readings(balance: Balance) -> tuple[LossReading, ...]:
    """Return the readings: those by size first, then those of products not assayed by size."""
    found = balance.losses.found
    sized = [_by_size(balance, loss) for loss in found if loss.parts]
    rest: dict[str, list[Loss]] = {}
    for loss in found:
        if not loss.parts:
            rest.setdefault(loss.stream, []).append(loss)
    return (*sized, *(_without_sizes(balance, losses) for losses in rest.values()))


def _by_size(balance: Balance, loss: Loss) -> LossReading:
    sentences = [_lost([loss])]
    sentences += [_end(loss, end) for end in loss.ends]
    sentences += [_between(loss, part) for part in loss.between]
    matter = [end for end in loss.ends if end.matters]
    sentences += [_cannot_tell(balance, loss, end) for end in matter]
    if loss.ends and not matter:
        sentences.append(
            f"Neither end is richer than the whole beyond chance and holds {100 * LEAST_SHARE:.0f} "
            f"% of it. {loss.analyte} that the treatment missed at all sizes, and "
            f"{loss.analyte} that it cannot take (locked finely, or in another mineral), look the "
            "same by size."
        )
    return LossReading(
        loss.stream, (loss.analyte,), tuple(sentences),
        tuple(s for test in loss.tests for s in _test(balance, [loss], test)),
    )  # fmt: skip


def _without_sizes(balance: Balance, losses: Sequence[Loss]) -> LossReading:
    first = losses[0]
    names = tuple(loss.analyte for loss in losses)
    sentences = [_lost(losses)]
    solids = next(s for s in balance.circuit.streams if s.name == first.stream).content
    if solids.value == "solution":
        return LossReading(first.stream, names, tuple(sentences), ())
    what = "sieved, but not assayed by size" if first.sieved else "not measured by size"
    sentences.append(
        f"'{first.stream}' was {what}: no number here says in which sizes {listed(names)} "
        f"{'is' if len(names) == 1 else 'are'} there."
    )
    tested = [loss for loss in losses if loss.tests]
    if not tested:
        sentences.append(_no_test(balance, losses))
        return LossReading(first.stream, names, tuple(sentences), ())
    tests = _test(balance, tested, tested[0].tests[0])
    return LossReading(first.stream, names, tuple(sentences), tuple(tests))


def _no_test(balance: Balance, losses: Sequence[Loss]) -> str:
    """Return why no test is proposed of a product that was not assayed by size."""
    own = next(s for s in balance.separations if s.stream == losses[0].stream)
    richer = [x.analyte for x in losses if (own.enrichment[x.analyte] or (0.0,))[0] >= 1.0]
    if richer:
        return (f"It is richer in {listed(richer)} than the feed: more a product to treat again "
                "than tailings, and no test by size is proposed.")  # fmt: skip
    return "No error of an assay is stated to plan a test with."


def _lost(losses: Sequence[Loss]) -> str:
    first = losses[0]
    shares = [f"{_pm(loss.percent)} % of the {loss.analyte}" for loss in losses]
    verb = "leaves" if len(losses) == 1 else "leave"
    words = f"{listed(shares)} of '{first.of}' {verb} in '{first.stream}'"
    wet = [x for x in losses if x.in_solution is not None and x.grade is not None]
    if wet:
        dissolved = listed([f"{_pm(x.in_solution)} % of the {x.analyte}" for x in wet])
        words += f", {dissolved} in its solution and the rest in its solids"
    return f"{words}."


def _end(loss: Loss, end: LossEnd) -> str:
    """Return what is measured of one end."""
    part = end.part
    where = "Coarse end" if end.end is End.COARSE else "Finest class (slimes)"
    words = f"{where}, {part.label}: "
    if part.solids is not None:
        words += f"{_pm(part.solids)} % of the solids of '{loss.stream}', "
    words += f"{_pm(part.of_loss)} % of its {loss.analyte}"
    if part.of_feed is not None:
        words += f" ({_pm(part.of_feed)} % of that of '{loss.of}')"
    words += f"; {_pm(part.against_loss)} times the grade of the whole, {_told(end.against_loss)}"
    if part.against_head is not None and end.against_head is not None:
        words += f"; {_pm(part.against_head)} times the head, {_told(end.against_head)}"
    return words + "."


def _between(loss: Loss, part: LossPart) -> str:
    """Return what is measured of a rich class that belongs to neither end."""
    words = (f"Between the ends, {part.label}: {_pm(part.of_loss)} % of its {loss.analyte}; "
             f"{_pm(part.against_loss)} times the grade of the whole, "
             f"{_told(Standing.RICHER)}")  # fmt: skip
    if any(test.part for test in loss.tests):  # of an end, not of the whole product
        words += "; what is proposed below leaves it out"
    return words + "."


def _told(standing: Standing) -> str:
    if standing is Standing.LIKE:
        return "which the errors do not tell from 1"
    return f"{standing.value} beyond chance"


def _cannot_tell(balance: Balance, loss: Loss, end: LossEnd) -> str:
    """Return the explanations that fit, and that the numbers cannot tell apart."""
    a, label = loss.analyte, end.part.label
    if end.end is End.COARSE:
        slow = "slow to dissolve" if _leached(balance, loss) else "that the device missed"
        words = (f"Two explanations fit: {a} locked in coarse particles, or free coarse grains "
                 f"{slow}. Grades by size cannot tell them apart.")  # fmt: skip
        if end.against_head is Standing.RICHER:
            words += (f" {label} is richer than the head: what is there was hardly treated, "
                      "or gathers there.")  # fmt: skip
        return words + " A few rich grains in one sample look the same: assay a second split of it."
    return (f"{a} in {label} may be slimes too fine for the device, fine grains that are locked "
            "or of another mineral, or, of a metal that dissolves, what dried on from the water. "
            "The assay of the class alone does not tell which.")  # fmt: skip


def _leached(balance: Balance, loss: Loss) -> bool:
    return loss.analyte in balance.survey.dissolved and any(
        node.kind is NodeKind.LEACH for node in balance.circuit.nodes
    )


def _test(balance: Balance, losses: Sequence[Loss], test: DecidingTest) -> list[str]:
    """Return what to do, and how likely it is to tell for each analyte."""
    own = [(x.analyte, t) for x in losses for t in x.tests if (t.kind, t.part) == _key(test)]
    chances: dict[str, list[str]] = {}
    for analyte, each in own:
        chances.setdefault(_chance(each), []).append(analyte)
    parts = [
        words if len(losses) == 1 else f"{words} for {listed(names)}"
        for words, names in chances.items()
    ]
    return [
        _instruction(balance, losses[0], test),
        "Chance that it tells, whichever explanation holds, with one assay of each part as good as "
        f"stated: {'; '.join(parts)}.",
    ]


def _key(test: DecidingTest) -> tuple[TestKind, str]:
    return test.kind, test.part


def _instruction(balance: Balance, loss: Loss, test: DecidingTest) -> str:
    stream, part = loss.stream, test.part
    if test.kind is TestKind.SCREEN:
        if test.opening_um is not None:
            return (f"Assay '{stream}' above and below {test.opening_um:g} um, where "
                    f"{test.coarse_percent:.0f} % of it stays on the sieve. Looked at: grade of "
                    "the coarse part less that of the fine part.")  # fmt: skip
        return (f"Screen '{stream}' on the sieve that keeps about a fifth of it "
                f"({_begin(balance, loss)}), weigh and assay both parts. Looked at: grade of the "
                f"coarse part less that of the fine part, if {100 * COARSE_SHARE:.0f} % stay on "
                "the sieve.")  # fmt: skip
    if test.kind is TestKind.GRIND_HALF:
        again = (
            "Leach both again, and long enough for free grains of that size"
            if _leached(balance, loss)
            else "Treat both by hand, slowly, by something that takes free grains of that size "
            "(a pan, a small table)"
        )
        return (f"The test between them: halve {part} of '{stream}' with a riffle. Grind one half "
                f"to pass {test.opening_um:g} um, leave the other. {again}; assay what is left of "
                "both. Looked at: grade left in the half as it was, less that left in the ground "
                "half, which is taken to give up the share that the feed gave up. Both as rich as "
                "before: neither explanation holds.")  # fmt: skip
    if test.kind is TestKind.SPLIT_FINEST:
        wash = ("Wash a part of it on a filter first and assay the washings: dissolved metal goes "
                "with the water. ") if loss.analyte in balance.survey.dissolved else ""  # fmt: skip
        return (f"The test between them: {wash}split {part} of '{stream}' once more, into a finer "
                "and a coarser half of about equal mass (settle and decant in clean water, or a "
                "finer sieve); assay both. Looked at: grade of the finer half less that of the "
                "coarser.")  # fmt: skip
    return (f"The test between them: treat a sample of '{stream}' once more, as before, and assay "
            "it before and after. Looked at: grade before less grade after.")  # fmt: skip


def loss_by_size(balance: Balance) -> str:
    """Return in which sizes the greatest loss of the first analyte is that has one by size.

    In one line, of the end that is richer than the whole; empty where none is.
    """
    found = [(loss, end) for loss in balance.losses.found for end in loss.ends if end.matters]
    if not found:
        return ""
    first = found[0][0]
    ends = [end for loss, end in found if loss is first and end.part.of_loss is not None]
    end = max(ends, key=lambda end: end.part.of_loss or (0.0, 0.0))
    part, coarse = end.part, end.end is End.COARSE
    size = f"coarser than {part.retained_um:g}" if coarse else f"finer than {part.passed_um:g}"
    words = f"{_pm(part.of_loss)} % of the {first.analyte} in '{first.stream}' is {size} um"
    recovered = [
        row.recovery
        for by_size in balance.losses.by_size if by_size.analyte == first.analyte
        for row in by_size.classes if row.label == part.label and row.recovery is not None
    ]  # fmt: skip
    if recovered:
        words += f"; of what is fed in that size {_pm(recovered[0])} % is recovered"
    return f"{words}."


def assay_sentence(missing: MissingAssay) -> str:
    """Return which assay that nobody made would tell most, with the ± before and after."""
    then = format_with_sd(missing.percent[0], missing.sd_then)[1]
    sd = format_with_sd(missing.grade, missing.sd)[1]
    return (
        f"assay '{missing.stream}' for {missing.quantity}: the recovery of {missing.analyte} in "
        f"{quoted(missing.kept)}, now {_pm(missing.percent)} %, would be known to ± {then} with an "
        f"assay as good as the others (sd {sd} {missing.unit})."
    )


def next_test(balance: Balance) -> str:
    """Return the test that would tell about the greatest loss of the first analyte with one.

    In short; empty if none is proposed.
    """
    loss = next((loss for loss in balance.losses.found if loss.tests), None)
    if loss is None:
        return ""
    test = loss.tests[0]
    stream, part = loss.stream, test.part
    if test.kind is TestKind.SCREEN:
        at = f"{test.opening_um:g} um" if test.opening_um is not None else _FIRST_OPENING
        verb = "assay" if loss.sieved else "screen"
        return (f"{verb} '{stream}' {'above and below' if loss.sieved else 'at'} {at}"
                f"{'' if loss.sieved else ' and assay both parts'}: is its {loss.analyte} in "
                "coarse grains?")  # fmt: skip
    if test.kind is TestKind.GRIND_HALF:
        return (f"grind half of {part} of '{stream}' and treat both halves again: is the "
                f"{loss.analyte} locked, or free and missed?")  # fmt: skip
    if test.kind is TestKind.SPLIT_FINEST:
        return f"split {part} of '{stream}' once more and assay both: is it slimes?"
    return f"treat a sample of '{stream}' once more: was {loss.analyte} missed, or out of reach?"


def _begin(balance: Balance, loss: Loss) -> str:
    """Return where to begin the search for an opening."""
    for sizes in balance.sizes.streams:
        if sizes.stream == loss.of and sizes.p80.size_um is not None:
            size, sd = format_with_sd(sizes.p80.size_um, sizes.p80.sd_um)
            return f"begin near the P80 of '{loss.of}', {size} ± {sd} um"
    return f"no size is known: begin at {_FIRST_OPENING}, as is common"


def _chance(test: DecidingTest) -> str:
    """Return the least chance to tell, and what would raise it."""
    words = f"{format_chance(test.chance)}{' or more' if test.chance <= 0.99 else ''}"
    if test.chance >= TEST_POWER:
        return words
    if test.assays is not None:
        return f"{words} ({test.assays} assays of each make it {100 * TEST_POWER:.0f} %)"
    return (f"{words} (even {MOST_ASSAYS} assays of each do not make it {100 * TEST_POWER:.0f} %: "
            "the explanations predict too much alike)")  # fmt: skip


def _pm(pair: tuple[float, float] | None) -> str:
    value, sd = format_with_sd(*(pair or (None, None)))
    return f"{value} ± {sd}"
