"""What a command line declares of the tests to compare: read, checked, or said to be wrong.

Streams by other names, shared sources of error and single readings that are common, the answers
asked for.
"""

from __future__ import annotations

from collections.abc import Sequence

from oretally.flowsheet import Fault, InputError, Measurement
from oretally.flowsheet.faults import nearest_name
from oretally.io.cells import (
    asked_answer,
    curve_names,
    grade_names,
    pull_names,
    recovery_names,
    unknown_answer,
)
from oretally.recon.answers import GRADE, PLATEAU, PULL, RATE, AnswerName
from oretally.recon.comparison import (
    BalancedTest,
    Comparison,
    InCommon,
    LeftOut,
    NothingInCommon,
    compare,
    same_reading,
)

__all__ = ["compare_declared"]


def compare_declared(
    arms: Sequence[Sequence[BalancedTest]],
    *,
    streams: Sequence[str] = (),
    common: Sequence[str] = (),
    common_measurements: Sequence[str] = (),
    answers: Sequence[str] = (),
    least: float | None = None,
    alpha: float = 0.05,
    every_pair: bool = False,
) -> Comparison:
    """Compare the answers of tests.

    Parameters
    ----------
    arms : sequence of sequence of BalancedTest
        Two or more; the tests of one arm are repeats of one another.
    streams : sequence of str
        'A=B': stream A of the first test is called B in others.
    common : sequence of str
        Names of shared sources of error that are one and the same in the tests that name them.
    common_measurements : sequence of str
        'stream:quantity' of readings that are one and the same.
    answers : sequence of str
        Names of the answers to compare; by default those of the products.
    least, alpha, every_pair
        As for `oretally.recon.comparison.compare`.

    Raises
    ------
    InputError
        With every declaration that does not fit, or if no answer is in two arms.
    """
    tests = [t for arm in arms for t in arm]
    shared = _in_common(tests, streams, common, common_measurements)
    names = _wanted(tests[0], answers)
    try:
        return compare(
            arms, common=shared, answers=names, least=least, alpha=alpha, every_pair=every_pair
        )
    except NothingInCommon as error:
        raise InputError([_nothing(error.tests, error.left_out)]) from error


def _in_common(
    tests: Sequence[BalancedTest], pairs: Sequence[str], sources: Sequence[str],
    measurements: Sequence[str],
) -> InCommon:  # fmt: skip
    """Return what was declared common; all that does not fit the tests is told together."""
    faults: list[Fault] = []
    paired = InCommon(tuple(tests), _pairs(tests, pairs, faults))
    named = {text for text in sources if _is_source(tests, text, faults)}
    found = InCommon(paired.tests, paired.pairs, frozenset(named))
    readings = (_reading(found, text, faults) for text in measurements)
    read = frozenset(r for r in readings if r is not None)
    if faults:
        raise InputError(faults)
    return InCommon(found.tests, found.pairs, found.sources, read)


def _pairs(
    tests: Sequence[BalancedTest], texts: Sequence[str], faults: list[Fault]
) -> dict[str, str]:  # fmt: skip
    """Return the pairs of stream names that can be read."""
    first, found = tests[0], dict[str, str]()
    others = list(dict.fromkeys(s for t in tests[1:] for s in t.streams))
    for text in texts:
        cuts = [(text[:i].strip(), text[i + 1 :].strip()) for i, c in enumerate(text) if c == "="]
        if not cuts:
            faults.append(Fault(
                f"--stream '{text}' has no '='.",
                f"Write --stream \"A=B\": A as '{first.label}' calls it, B as the other does.",
            ))  # fmt: skip
            continue
        known = [cut for cut in cuts if cut[0] in first.streams and cut[1] in others]
        left, right = (known or cuts)[0]
        before = len(faults)
        for name, streams, lacking in ((left, first.streams, f"'{first.label}' has"),
                                       (right, others, _lacking(tests[1:]))):  # fmt: skip
            if name not in streams:
                faults.append(Fault(
                    f"--stream '{text}': {lacking} no stream '{name}'.", _near(name, streams)
                ))  # fmt: skip
        if left in found or right in found.values():
            faults.append(Fault(
                f"--stream '{text}': '{left if left in found else right}' is in another pair.",
                "Name each stream in one pair.",
            ))  # fmt: skip
        if len(faults) == before:
            found[left] = right
    return found


def _lacking(tests: Sequence[BalancedTest]) -> str:
    return f"'{tests[0].label}' has" if len(tests) == 1 else "the other cases have"


def _near(name: str, known: Sequence[str]) -> str:
    near = nearest_name(name, known)
    return f"Did you mean '{near}'?" if near else f"There are: {', '.join(known)}."


def _is_source(tests: Sequence[BalancedTest], name: str, faults: list[Fault]) -> bool:
    """Tell whether at least two tests have a shared source; if not, say why."""
    having = [t.label for t in tests if any(s.name == name for s in t.model.survey.shared)]
    if len(having) > 1:
        return True
    if having:
        faults.append(Fault(
            f"--common '{name}': only '{having[0]}' has that shared source of error.",
            "State it under [sources] of every case that it moved, with the same name and "
            "shared = true.",
        ))  # fmt: skip
        return False
    own = any(
        p.source == name
        for t in tests for m in t.model.survey.measurements for p in m.parts
    )  # fmt: skip
    if own:
        faults.append(Fault(
            f"--common '{name}': each number has that error by itself, so tests cannot share it.",
            "If one and the same error moves all of its numbers, write shared = true for it under "
            "[sources].",
        ))  # fmt: skip
        return False
    known = list(dict.fromkeys(s.name for t in tests for s in t.model.survey.shared))
    faults.append(Fault(
        f"--common '{name}': no case has a shared source of error of that name.",
        _near(name, known) if known else "State it under [sources] of every case that it moved.",
    ))  # fmt: skip
    return False


def _reading(
    common: InCommon, text: str, faults: list[Fault]
) -> tuple[str, str] | None:  # fmt: skip
    """Return stream and quantity of a reading that at least two tests have alike."""
    option, first = f"--common-measurement '{text}'", common.tests[0]
    cuts = [(text[:i].strip(), text[i + 1 :].strip()) for i, c in enumerate(text) if c == ":"]
    if not cuts:
        faults.append(Fault(f"{option} has no ':'.", "Write stream:quantity, as in 'feed:Sn'."))
        return None
    stream, quantity = next((c for c in cuts if c[0] in first.streams), cuts[0])
    if stream not in first.streams:
        faults.append(Fault(f"{option}: '{first.label}' has no stream '{stream}'.",
                            _near(stream, first.streams)))  # fmt: skip
        return None
    read = [(t, m) for t in common.tests if (m := common.measured(t, stream, quantity)) is not None]
    if len(read) < 2:
        lacking = next(t for t in common.tests if all(t is not other for other, _ in read))
        own = common.own_name(lacking, stream)
        known = [m.quantity for m in lacking.model.survey.measurements if m.stream == own]
        faults.append(Fault(
            f"{option}: '{lacking.label}' has not measured that.",
            f"Measured of '{own}': {', '.join(known) or 'nothing'}. Give one that both have.",
        ))  # fmt: skip
        return None
    one = read[0]
    for other in read[1:]:
        if not same_reading(one[1], other[1]):
            faults.append(Fault(
                f"{option}: '{one[0].label}' has {_shown(one[1])}, '{other[0].label}' "
                f"{_shown(other[1])}; one reading has one value and one error.",
                "State it alike in both cases, or leave the option out if there were two readings.",
            ))  # fmt: skip
            return None
    loose = {s.name for t, m in read for s in t.model.survey.shared_by(m)} - common.sources
    if loose:
        names = ", ".join(f"'{n}'" for n in sorted(loose))
        faults.append(Fault(
            f"{option}: its error has a part from {names}, which is not declared common; one "
            "reading has one such error.",
            f"Add --common {' --common '.join(repr(n) for n in sorted(loose))}, or take the stream "
            "out of that source where it does not belong.",
        ))  # fmt: skip
        return None
    return stream, quantity


def _shown(m: Measurement) -> str:
    return f"{m.value:g} ± {m.sd:g} {m.unit}"


def _wanted(first: BalancedTest, answers: Sequence[str]) -> list[AnswerName]:
    """Return the answers asked for, by the names of the first test."""
    names = first.answers.names()
    shortly = set(first.answers.preferred())
    alone = len({name.analyte for name in shortly}) == 1
    known = [
        (*_spellings(name), *curve_names(name.kind, name.analyte, alone=alone)) if name in shortly
        else _spellings(name) for name in names
    ]  # fmt: skip
    faults, found = list[Fault](), list[AnswerName]()
    for text in answers:
        at = asked_answer(text, known)
        if at is not None:
            found.append(names[at])
            continue
        mend = unknown_answer(text, [str(n) for n in names])
        faults.append(Fault(f"--answer '{text}': '{first.label}' gives no such answer.", mend))
    if faults:
        raise InputError(faults)
    return list(dict.fromkeys(found))


def _spellings(name: AnswerName) -> tuple[str, ...]:
    """Return how an answer may be written; of a size class as the table does."""
    if name.by_size or name.kind in (PLATEAU, RATE):
        return (str(name),)
    if name.kind == PULL:
        return pull_names(name.stream)
    of = grade_names if name.kind == GRADE else recovery_names
    return of(name.analyte, name.stream)


def _nothing(tests: Sequence[BalancedTest], left: Sequence[LeftOut]) -> Fault:
    """Return the fault of tests that have no answer in common."""
    has = [
        f"'{t.label}' has products {', '.join(t.answers.products)} and analytes "
        f"{', '.join(a.name for a in t.model.survey.analytes) or 'none'}"
        for t in tests[:2]
    ]  # fmt: skip
    reasons = list(dict.fromkeys(f"{row.answer}: {row.reason}" for row in left))[:3]
    return Fault(
        f"There is no answer that two of the tests have in common ({'; '.join(has)}).",
        'Pair streams of other names with --stream "A=B".'
        + "".join(f"\n{reason}." for reason in reasons),
    )
