"""What tests have in common: streams by other names, sources of error, single measurements.

Nothing is taken as common unless it is declared; what looks common is told.
"""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from dataclasses import dataclass, field
from functools import cached_property
from math import isclose

from oretally.flowsheet import BalanceModel, Measurement
from oretally.recon.answers import CaseAnswers
from oretally.recon.result import Balance, ErrorPlace, GlobalTest, Losses, Suspect

__all__ = ["BalancedTest", "InCommon", "balanced_test", "same_reading"]

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
    contradictions : tuple of str
        Why it is not to be relied on, as of a `Balance`.
    losses : Losses
        Which products count as kept, and which assay is missing.
    mildly_off : bool
        Whether its numbers do not agree, but that may be chance, as of a `Balance`.
    """

    label: str
    answers: CaseAnswers
    test: GlobalTest
    suspects: tuple[Suspect, ...] = ()
    contradictions: tuple[str, ...] = ()
    losses: Losses = Losses()
    mildly_off: bool = False

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
        BalanceModel(balance.circuit, balance.survey), balance.feeds, balance.products
    )
    return BalancedTest(
        label, answers, balance.global_test, balance.suspects, balance.contradictions,
        balance.losses, balance.mildly_off,
    )  # fmt: skip


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
    pairs: Mapping[str, str] = field(default_factory=dict)
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
            read = place.kind == "measurement"
            common = read and (name, place.quantity) in self.measurements
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
                    if twin is not None and same_reading(m, twin) and not _alike(one, other):
                        found[key] = None
        return [key for key in found if key not in self.measurements]


def same_reading(one: Measurement, other: Measurement) -> bool:
    """Tell whether two measurements state one value and one error."""
    return isclose(one.value_base, other.value_base, rel_tol=_SAME) and isclose(
        one.sd_base, other.sd_base, rel_tol=_SAME
    )


def _alike(one: BalancedTest, other: BalancedTest) -> bool:
    return one.model.survey.measurements == other.model.survey.measurements
