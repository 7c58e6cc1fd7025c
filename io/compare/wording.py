"""A comparison in words and as a table: the same for terminal and report."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence

from oretally.flowsheet.digits import DASH, format_number, format_with_sd
from oretally.io.wording import Caution, ResultTable, assay_sentence, circuit_cautions, one_in
from oretally.recon.answers import GRADE, RATE, RECOVERY
from oretally.recon.comparison import (
    MOST_TESTS,
    TESTS_POWER,
    BalancedTest,
    Comparison,
    Difference,
    Verdict,
)
from oretally.recon.result import Suspect

__all__ = ["cautions", "confidence", "deciding_sd", "difference_table", "difference_unit",
           "hazards", "needed_tests", "of_these_tests", "verdicts"]  # fmt: skip

_LISTED = 4
_MOVED = 0.05  # relative change of an sd from which it is told


def confidence(p: float) -> str:
    """Return 1 - p in percent, rounded down: of the widest limits that leave out 0.

    Examples
    --------
    >>> confidence(0.5), confidence(0.0504), confidence(0.0001)
    ('50', '94.9', '>99.9')
    """
    percent = 100.0 * (1.0 - p)
    if percent > 99.9:
        return ">99.9"
    return f"{math.floor(percent)}" if percent < 90.0 else f"{math.floor(10.0 * percent) / 10.0:g}"


def needed_tests(found: Difference) -> str:
    """Return the tests of each arm that would decide.

    A dash where it is decided, and where a test's numbers do not agree: that is settled first.
    """
    if found.verdict is not Verdict.OPEN or found.scaled_sd is not None:
        return DASH
    return f">{MOST_TESTS}" if found.tests is None else str(found.tests)


def verdicts(found: Comparison) -> Iterator[tuple[str, ...]]:
    """Yield the verdict on every two arms that were compared, sentence by sentence.

    The first says what is shown, and of what: one test of each kind shows nothing of the cause.
    """
    for pair in dict.fromkeys((d.first, d.second) for d in found.differences):
        rows = [d for d in found.differences if (d.first, d.second) == pair and d.mirror_of is None]
        one, other = (f"'{found.arm_label(arm)}'" for arm in pair)
        doubtful = [t.label for arm in pair for t in found.arms[arm] if _doubtful(t)]
        settle = ""
        if doubtful:
            listed = ", ".join(f"'{label}'" for label in doubtful)
            settle = (
                f"Settle {listed} first: numbers there do not agree, see below. As they stand: "
            )
        real = [d for d in rows if d.verdict is Verdict.REAL]
        slight = [d for d in rows if d.verdict is Verdict.SLIGHT]
        small = [d for d in rows if d.verdict is Verdict.SMALL]
        still = [d for d in rows if d.verdict is Verdict.OPEN]
        matter = f"smaller than the {format_number(found.least)} points that matter"
        told = f"{other} against {one} has"
        if real or slight:
            between = f"The difference between {one} and {other} is real"
            size = "" if real else f", but {matter}"
            of = f", and more than repeats scatter{size}" if found.repeated else (
                f" for these two tests{size}; whether what was changed made it, repeats must show"
            )  # fmt: skip
            parts = [f"{settle}{between}{of}."]
            if real:
                parts.append(f"{told} {_several(_told(d) for d in real)}.")
            parts[1:1] = _in_plain_words(found, pair, real)
            if slight:
                begin = f"Real too, but {matter}: {told}" if real else told
                parts.append(f"{begin} {_several(_told(d) for d in slight)}.")
        else:
            count = "the answer does not differ" if len(rows) == 1 else (
                f"none of {len(rows)} answers differs"
            )  # fmt: skip
            explain = "the scatter of the tests explains" if found.repeated else (
                "the stated errors explain"
            )  # fmt: skip
            parts = [f"{settle}No difference between {one} and {other} is shown: {count} by more "
                     f"than {explain}."]  # fmt: skip
        if small:
            parts.append(f"Smaller than {format_number(found.least)} points either way: "
                         f"{_several(str(d.answer) for d in small)}.")  # fmt: skip
        if still:
            parts.append(f"Not decided, which is no proof that they are equal: "
                         f"{_several(_needs(d) for d in still)}.")  # fmt: skip
        yield tuple(parts)


def _in_plain_words(
    found: Comparison, pair: tuple[int, int], real: Sequence[Difference]
) -> Iterator[str]:
    """Yield what more and richer come to, where both differ of a product that counts as kept."""
    other = f"'{found.arm_label(pair[1])}'"
    kept = {(k.analyte, s) for t in found.arms[pair[0]] for k in t.losses.kept for s in k.streams}
    more = {(d.answer.kind, d.answer.analyte, d.answer.stream): d.high + d.low > 0.0 for d in real}
    for kind, analyte, stream in more:
        grade = more.get((GRADE, analyte, stream))
        if kind != RECOVERY or grade is None or (analyte, stream) not in kept:
            continue
        amount = more[kind, analyte, stream]
        judged = (
            f"{'better' if amount else 'worse'} in both" if amount == grade
            else "which is worth more, the terms of sale tell"
        )  # fmt: skip
        yield (f"In plain words: {other} has {'more' if amount else 'less'} {analyte} in a "
               f"{'richer' if grade else 'poorer'} '{stream}': {judged}.")  # fmt: skip


def _doubtful(test: BalancedTest) -> bool:
    """Tell whether a test's numbers contradict each other, or one is probably wrong."""
    disagrees = test.test.consistent is False and not test.mildly_off
    return disagrees or bool(_likely(test))


def _likely(test: BalancedTest) -> list[Suspect]:
    return [s for s in test.suspects if s.probability >= 0.5]


def _several(texts: Iterable[str]) -> str:
    listed = list(texts)
    more = f"; {len(listed) - _LISTED} more" if len(listed) > _LISTED else ""
    return "; ".join(listed[:_LISTED]) + more


def _told(d: Difference) -> str:
    value, _ = format_with_sd(d.high - (d.high - d.low) / 2.0, deciding_sd(d))
    low, high = (format_with_sd(v, deciding_sd(d))[0] for v in (d.low, d.high))
    sign = "" if value.startswith("-") else "+"
    return (
        f"{d.answer} {sign}{value} {difference_unit(d)} (95 % limits {low} to {high}, confidence "
        f"{confidence(_deciding_p(d)).replace('>', 'above ')} %)"
    )


def _needs(d: Difference) -> str:
    tests = needed_tests(d)
    if tests == DASH:
        return str(d.answer)
    if tests.startswith(">"):
        return f"{d.answer} (more than {MOST_TESTS} tests of each would be needed)"
    size = f"{format_number(d.size, 2)} {difference_unit(d)}"
    return f"{d.answer} (tests of each to tell {size}: {tests})"


def difference_unit(d: Difference) -> str:
    """Return the unit of a difference: of what is in percent, points."""
    return "points" if d.unit == "%" else d.unit


def deciding_sd(d: Difference) -> float:
    """Return the sd that decides: scaled up where the numbers of a test do not agree."""
    return d.sd if d.scaled_sd is None else d.scaled_sd


def _deciding_p(d: Difference) -> float:
    """Return the p that decides, of this answer alone as its limits are."""
    return d.p if d.scaled_p is None else d.scaled_p


def difference_table(found: Comparison) -> ResultTable:
    """Return the differences, one row an answer and two arms: what is looked for first."""
    scaled = any(d.scaled_sd is not None for d in found.differences)
    several = len(found.arms) > 2
    rows = []
    for d in found.differences:
        row = [f"{d.answer} [{d.unit}]"]
        if several:
            row.append(f"{found.arm_label(d.second)} - {found.arm_label(d.first)}")
        row += [d.verdict.value, needed_tests(d), *format_with_sd(d.difference, d.sd)]
        if scaled:
            row.append(DASH if d.scaled_sd is None else format_number(d.scaled_sd, 2))
        row += [format_with_sd(v, deciding_sd(d))[0] for v in (d.low, d.high)]
        row.append(confidence(_deciding_p(d)))
        row += [*format_with_sd(d.first_value, d.first_sd),
                *format_with_sd(d.second_value, d.second_sd)]  # fmt: skip
        if found.repeated:
            row.append(format_number(d.between_sd, 2))
        rows.append(row)
    ends = ["first", "second"] if several else [found.arm_label(0), found.arm_label(1)]
    header = ["answer", *(["tests"] if several else []), "verdict", "tests of each", "difference",
              "±", *(["± scaled"] if scaled else []), "from", "to", "confidence [%]",
              ends[0], "±", ends[1], "±", *(["scatter"] if found.repeated else [])]  # fmt: skip
    names = 3 if several else 2
    return ResultTable("Differences, second minus first", header, rows, names, wraps=True)


def hazards(found: Comparison) -> tuple[Caution, ...]:
    """Return what can hurt in the circuits compared."""
    return circuit_cautions((t.label, t.model.circuit, t.model.survey) for t in found.tests)


def cautions(found: Comparison) -> Iterator[str]:
    """Yield what the reader must know: of these tests first, of the method last."""
    yield from of_these_tests(found)
    yield from _of_method(found)


def of_these_tests(found: Comparison) -> Iterator[str]:
    """Yield what the reader must know of these tests, but not of the method."""
    yield from _real_alone(found)
    yield from _of_these(found)
    yield from _of_common(found)
    yield from _missing_assay(found)
    yield from _left_out(found)


def _missing_assay(found: Comparison) -> Iterator[str]:
    """Yield the assay that nobody made where a recovery is known worst, if that would help most."""
    missing = [(m, t.label) for t in found.tests if not _doubtful(t)
               if (m := t.losses.missing_assay) is not None]  # fmt: skip
    if missing:
        widest, label = max(missing, key=lambda m: m[0].percent[1])
        yield f"What would narrow it most: in '{label}', {assay_sentence(widest)}"


def _real_alone(found: Comparison) -> Iterator[str]:
    """Yield which answers are not decided only because all are judged together."""
    alone = [
        d for d in found.differences
        if d.verdict is Verdict.OPEN and d.mirror_of is None
        and _deciding_p(d) <= found.alpha
    ]  # fmt: skip
    if alone:
        together = found.together + found.together_by_size
        yield (
            f"Real if it were the only answer asked for: {_several(str(d.answer) for d in alone)}. "
            f"{together} answers are judged together here, as one of so many differs by chance "
            "more easily; the ±, limits and confidence shown are of each alone. Ask for the one "
            f'that you meant to learn: --answer "{alone[0].answer}".'
        )


def _of_these(found: Comparison) -> Iterator[str]:
    """Yield what is wrong with single tests."""
    for t in found.tests:
        for why in t.contradictions:
            yield f"'{t.label}' is not to be used: {why[0].lower()}{why[1:]}"
        if t.test.consistent is False:
            judged = (
                f"one sound test in {one_in(t.test.p)} is as far off, and no number stands out"
                if t.mildly_off else "one is wrong, or errors are stated too small"
            )  # fmt: skip
            yield (
                f"The numbers of '{t.label}' do not agree within their stated errors (chi-square "
                f"{format_number(t.test.statistic)} on {t.test.dof} degrees of freedom): "
                f"{judged}. Its errors were scaled up by "
                f"{format_number(t.factor**0.5, 3)} for limits, confidence and verdict"
                f"{', but for what is common to the tests' if _has_common(found) else ''}."
            )
        for suspect in _likely(t):
            names = "; ".join(str(place) for place in suspect.group)
            one_of = "one of these" if len(suspect.group) > 1 else "this"
            yield (f"In '{t.label}' {one_of} is probably wrong: {names}. A wrong number makes a "
                   "difference that is none of the ore. See oretally balance.")  # fmt: skip
    for one, other in found.common.twins():
        yield f"'{one}' and '{other}' have the same numbers throughout: one test, given twice?"
    feeds = {t.label: t.answers.feed for t in found.tests}
    named = {
        frozenset(found.common.first_name(t, name) for name in t.answers.feeds) for t in found.tests
    }
    if len(named) > 1:
        listed = ", ".join(f"'{feed}' of '{label}'" for label, feed in feeds.items())
        yield f"Recoveries and mass pulls refer to feeds of different names: {listed}."


def _has_common(found: Comparison) -> bool:
    return bool(found.common.sources or found.common.measurements)


def _of_common(found: Comparison) -> Iterator[str]:
    """Yield what was taken as common, and what might be."""
    common = found.common
    taken = [f"'{name}'" for name in sorted(common.sources)]
    taken += [f"{q} of '{s}'" for s, q in sorted(common.measurements)]
    if taken and found.differences:
        own = [d for d in found.differences if d.mirror_of is None]
        moved = [d for d in own if abs(math.log(d.apart_sd / d.sd)) > _MOVED]
        pairs = [[format_with_sd(sd, sd)[0] for sd in (d.sd, d.apart_sd)] for d in moved]
        told = _several(f"{d.answer} ± {now}, not {apart}"
                        for d, (now, apart) in zip(moved, pairs, strict=True))  # fmt: skip
        change = f"That changes the ± of the difference: {told}. No other" if moved else "No"
        yield (f"Common to the tests, as declared: {', '.join(taken)}. {change} ± of a difference "
               "moves by a twentieth of itself.")  # fmt: skip
    loose = common.undeclared_sources()
    if loose:
        listed = ", ".join(f"'{name}'" for name in loose)
        options = " ".join(f'--common "{name}"' for name in loose)
        yield (f"Several cases name {listed}, taken as another in each case. If it was one and the "
               f"same (one laboratory batch), add {options}.")  # fmt: skip
    alike = common.undeclared_measurements()
    if alike:
        listed = _several(f"{q} of '{s}'" for s, q in alike)
        stream, quantity = alike[0]
        yield (f"Stated alike, value and error, in several cases: {listed}. If that was one "
               f'reading, add --common-measurement "{stream}:{quantity}".')  # fmt: skip


def _left_out(found: Comparison) -> Iterator[str]:
    by_reason: dict[str, list[str]] = {}
    for row in found.left_out:
        by_reason.setdefault(row.reason, []).append(str(row.answer))
    for reason, names in by_reason.items():
        yield f"Not compared ({reason}): {_several(names)}."


def _of_method(found: Comparison) -> Iterator[str]:
    """Yield how the figures are meant."""
    counts = [(found.together, "whole streams", found.alpha_whole),
              (found.together_by_size, "size classes", found.alpha_by_size)]  # fmt: skip
    told = [(n, what, format_number(100.0 * alpha)) for n, what, alpha in counts if n]
    listed = " and ".join(f"{n} of {what}" for n, what, _ in told)
    whole = format_number(100.0 * found.alpha)
    split = ""
    if len(told) > 1:
        shares = " and ".join(f"{alpha} % for {what}" for _, what, alpha in told)
        split = f" Of these {whole} %, {shares}."
    yield (
        "'real': a difference this large, in any of the answers looked at together, comes by "
        f"chance in at most {whole} % of pairs of equal tests, if the "
        f"errors are stated well (two-sided; Holm's correction for {listed}; those that mirror "
        f"each other count once).{split} Limits, of "
        f"{format_number(100.0 * (1.0 - found.alpha))} %, and confidence, that of the widest "
        "limits without 0, are of each answer alone; the verdict alone is corrected."
    )
    size = "of the size seen"
    if found.least is not None:
        size = f"of {format_number(found.least)} points"
        kinds = {d.answer.kind for d in found.differences}
        others = [word for kind, word in ((GRADE, "a grade"), (RATE, "a rate")) if kind in kinds]
        if others:
            size += f" (of {' or '.join(others)}: of the size seen)"
    levels = " and ".join(
        f"{format_number(100.0 * alpha / n, 2)} % each ({format_number(100.0 * alpha)} % over {n} "
        f"answers{f' of {what}' if len(told) > 1 else ''})"
        for n, what, alpha in counts if n
    )  # fmt: skip
    chance = format_number(100.0 * TESTS_POWER)
    yield (
        "'tests of each': with so many whole tests of each kind, and more than there were, a "
        f"difference {size} would be found real with a chance of {chance} % "
        f"or more, judged as one of all that are looked at: at {levels}. What is common is "
        "taken to stay common."
    )
    if found.repeated:
        dof = max(d.dof for d in found.differences)
        yield (
            "Repeats: 'scatter' is the sd between equal tests beyond their stated errors, taken "
            "as the same for all kinds of test (Paule and Mandel). A difference is real if it is "
            "so both by the stated errors and by the scatter seen (Student's t, "
            f"{format_number(dof)} degrees of freedom)."
        )
    else:
        yield (
            "One test of each kind shows nothing of how equal tests scatter: feed, operator, "
            "water, reagents are not in the stated errors, so a real difference may be one "
            "between two days. Repeat the tests, and give them as oretally compare A1 A2 vs B1 B2."
        )
