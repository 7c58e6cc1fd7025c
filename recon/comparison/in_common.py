"""What tests have in common: streams by other names, sources of error, single measurements.

Nothing is taken as common unless it is declared; what looks common is told.
"""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from math import isclose

from oretally.flowsheet import BalanceModel, Fault, InputError, Measurement
from oretally.flowsheet.faults import nearest_name
from oretally.recon.answers import CaseAnswers
from oretally.recon.result import Balance, ErrorPlace, GlobalTest, Suspect

__all__ = ["BalancedTest", "InCommon", "balanced_test", "in_common"]

_SAME = 1e-9  # relative: two ways to write one number


@dataclass(frozen=True)
class BalancedTest:
    """One balanced test.

    Attributes
    ----------
    label : str
        What it is called.
    answers : CaseAnswers
    test : GlobalTest
    suspects : tuple of Suspect
    """

    label: str
    answers: CaseAnswers
    test: GlobalTest
    suspects: tuple[Suspect, ...] = ()

    @property
    def model(self) -> BalanceModel:
        """What was balanced."""
        return self.answers.model

    @cached_property
    def streams(self) -> tuple[str, ...]:
        """Names of its streams."""
        return self.model.circuit.stream_names

    @cached_property
    def readings(self) -> dict[tuple[str, str], Measurement]:
        """Its measurements by stream and quantity."""
        return {(m.stream, m.quantity): m for m in self.model.survey.measurements}

    @property
    def factor(self) -> float:
        """Variance factor of a test whose numbers do not agree within their errors; else 1."""
        if self.test.consistent is False:
            return max(1.0, self.test.statistic / self.test.dof)
        return 1.0


def balanced_test(label: str, balance: Balance) -> BalancedTest:
    """Return a balance as a test to compare."""
    answers = CaseAnswers(
        BalanceModel(balance.circuit, balance.survey), balance.feed, balance.products
    )
    return BalancedTest(label, answers, balance.global_test, balance.suspects)


@dataclass(frozen=True)
class InCommon:
    """What several tests have in common, as declared; names of streams are those of the first.

    Attributes
    ----------
    tests : tuple of BalancedTest
    pairs : mapping of str to str
        Stream of the first test to what others call it.
    sources : frozenset of str
        Shared sources that are one and the same in all tests that name them.
    measurements : frozenset of (stream, quantity)
        Readings that are one and the same in all tests that have them.
    """

    tests: tuple[BalancedTest, ...]
    pairs: dict[str, str] = field(default_factory=dict)
    sources: frozenset[str] = frozenset()
    measurements: frozenset[tuple[str, str]] = frozenset()

    def own_name(self, test: BalancedTest, stream: str) -> str:
        """Return what a test calls a stream of the first."""
        other = self.pairs.get(stream, stream)
        return other if other in test.streams else stream

    def first_name(self, test: BalancedTest, stream: str) -> str:
        """Return what the first test calls a stream of another."""
        for first, other in self.pairs.items():
            if stream == self.own_name(test, first) == other:
                return first
        return stream

    def item(self, number: int, place: ErrorPlace) -> Hashable:
        """Return what identifies an error over all tests; ``number`` is that of the test."""
        if place.kind == "source":
            common = place.where in self.sources
        else:
            name = self.first_name(self.tests[number], place.where)
            place = ErrorPlace(place.kind, name, place.quantity)
            common = (name, place.quantity) in self.measurements
        return place if common else (number, place)

    def measured(self, test: BalancedTest, stream: str, quantity: str) -> Measurement | None:
        """Return what a test measured of a stream of the first."""
        return test.readings.get((self.own_name(test, stream), quantity))

    def twins(self) -> list[tuple[str, str]]:
        """Return labels of tests that have the same numbers throughout."""
        return [
            (one.label, other.label)
            for i, one in enumerate(self.tests) for other in self.tests[i + 1 :]
            if _alike(one, other)
        ]  # fmt: skip

    def undeclared_sources(self) -> list[str]:
        """Return shared sources that several tests name and that were not declared common."""
        names = [n for t in self.tests for n in {s.name for s in t.model.survey.shared}]
        return sorted({n for n in names if names.count(n) > 1} - self.sources)

    def undeclared_measurements(self) -> list[tuple[str, str]]:
        """Return readings that two tests state alike and that were not declared common."""
        found = dict[tuple[str, str], None]()
        for i, one in enumerate(self.tests):
            for m in one.model.survey.measurements:
                key = (self.first_name(one, m.stream), m.quantity)
                for other in self.tests[i + 1 :]:
                    twin = self.measured(other, *key)
                    if twin is not None and _same(m, twin) and not _alike(one, other):
                        found[key] = None
        return [key for key in found if key not in self.measurements]


def in_common(
    tests: Sequence[BalancedTest], pairs: Sequence[str], sources: Sequence[str],
    measurements: Sequence[str],
) -> InCommon:  # fmt: skip
    """Read what was declared.

    Parameters
    ----------
    tests : sequence of BalancedTest
    pairs : sequence of str
        'name in the first test=name in another'.
    sources : sequence of str
        Names of shared sources of error.
    measurements : sequence of str
        'stream:quantity'.

    Raises
    ------
    InputError
        With every declaration that does not fit the tests.
    """
    faults: list[Fault] = []
    paired = InCommon(tuple(tests), _pairs(tests, pairs, faults))
    named = {text for text in sources if _is_source(tests, text, faults)}
    found = InCommon(paired.tests, paired.pairs, frozenset(named))
    readings = (_reading(found, text, faults) for text in measurements)
    read = frozenset(r for r in readings if r is not None)
    if faults:
        raise InputError(faults)
    return InCommon(found.tests, found.pairs, found.sources, read)


def _same(one: Measurement, other: Measurement) -> bool:
    return isclose(one.value_base, other.value_base, rel_tol=_SAME) and isclose(
        one.sd_base, other.sd_base, rel_tol=_SAME
    )


def _alike(one: BalancedTest, other: BalancedTest) -> bool:
    return one.model.survey.measurements == other.model.survey.measurements


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
        if not _same(one[1], other[1]):
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
