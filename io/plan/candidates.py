"""What can be measured in a case: each value with its errors, its readings and its price."""

from __future__ import annotations

from dataclasses import replace

from oretally.flowsheet import Fault, Measurement, Positions, Survey, Unit
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.problem import SHARPEST, Row
from oretally.flowsheet.survey import PROPAGATED
from oretally.io.cells import WET, StatedError
from oretally.io.definition import Definition
from oretally.io.plan.methods import USUAL
from oretally.io.plan.prices import SAMPLE, PriceTable
from oretally.recon.laboratory import SamplingError
from oretally.recon.plan import Candidate, Declared, PlanPoint

__all__ = ["Candidates"]

_OF_ROW = "row"  # source of a stated error that stands beside its value


class Candidates:
    """Candidates of a case; faults and notes are added on the way.

    A measured value has the error of its row, an expected one that of its row if it states one, any
    other that of its rule at the balanced value. The stated error is that of one reading; of the
    sources, repeats lessen none. Nor do they lessen the error of a value of which only bounds are
    known: it is read once.

    Attributes
    ----------
    without : dict of str to list of str
        Quantities for which no error is stated, each with its streams.
    declared : list of Declared
        Losses and solids that dissolve, as the case states them: they are known without measuring.
    """

    def __init__(
        self, definition: Definition, today: Survey, expected: Survey | None, *, point: PlanPoint,
        places: Positions, table: PriceTable, notes: list[str], faults: list[Fault],
    ) -> None:  # fmt: skip
        self.definition, self.today, self.expected = definition, today, expected
        self.point, self.places = point, places
        self.table, self.notes, self.faults = table, notes, faults
        self.without: dict[str, list[str]] = {}
        self.declared: list[Declared] = []

    def all(self) -> list[Candidate]:
        """Return everything that is measured, or has a price and an error."""
        found, silent = list[Candidate](), dict[str, None]()
        stated = {(m.stream, m.quantity): m for m in self.definition.losses}
        lost = {stream for stream, _ in stated}
        unsampled = dict[str, None]()
        in_vessel = _in_vessel(self.today)
        for row in self.places.rows:
            loss = stated.get((row.stream, row.quantity))
            if loss is not None:
                self.declared.append(Declared(row.place, loss.sd_base))
            if row.stream in lost:  # nobody weighs or assays what is lost
                continue
            if row.place.carrier in self.places.carriers.gone:  # dissolved: nobody can weigh it
                continue
            if row.stream in in_vessel and row.quantity not in WET.values():
                continue
            m = self.today.measured(row.stream, row.quantity)
            if m is not None and not self.table.states(row.stream, row.quantity):
                silent[row.quantity] = None
                continue
            price = self.table.price(row.stream, row.quantity)
            methods = self._methods(row)
            if self._sample_refused(row):
                if price is not None or methods:
                    unsampled[row.stream] = None
                price, methods = None, {}
            if price is not None or m is not None:
                candidate = self._candidate(row, m, price)
                if candidate is None:
                    self.without.setdefault(row.quantity, []).append(row.stream)
                else:
                    found.append(candidate)
            for name, (cost, error) in methods.items():
                found.append(self._by_method(row, name, cost, error))
        for quantity in silent:
            self.faults.append(
                Fault(f"The prices say nothing of {quantity}, which the case measures.",
                      f"Add a row for {quantity}: its price, 0 if it costs nothing, or '-' if it "
                      "is not to be had.", self.table.place)
            )  # fmt: skip
        for quantity, streams in self.without.items():
            self.notes.append(
                f"{quantity} of {', '.join(map(repr, streams))} is not in the plan: no error is "
                f"stated for it. Write a rule for {quantity} under [errors], or an expected value "
                "with its ±."
            )
        if in_vessel:
            self.notes.append(
                "Of the pulp that stays in the vessel the plan has only its wet mass, which the "
                "whole vessel on a scale tells."
            )
        if unsampled:
            self.notes.append(
                f"No sample of {', '.join(map(repr, unsampled))} is to be had: nothing that needs "
                "one can be bought there."
            )
        return _with_one_sample(found)

    def _sample_refused(self, row: Row) -> bool:
        """Tell whether a value needs a sample that is not to be had."""
        if row.place.analyte is None or not self.table.states(row.stream, SAMPLE):
            return False
        return self.table.price(row.stream, SAMPLE) is None

    def _methods(self, row: Row) -> dict[str, tuple[float, StatedError]]:
        """Return the further methods of a value: price and error of one reading."""
        found = {}
        for name, error in self.table.methods(row.stream, row.quantity).items():
            cost = self.table.price(row.stream, row.quantity, name)
            if cost is not None:
                found[name] = cost, error
        return found

    def _candidate(self, row: Row, m: Measurement | None, price: float | None) -> Candidate | None:
        known, survey = m, self.today
        if m is None and self.expected is not None:
            expected = self.expected.measured(row.stream, row.quantity)
            if expected is not None and _has_own_error(expected):
                known, survey = expected, self.expected
        unit, value = self._value(row, known)
        if known is None:
            rule = self.definition.errors.rule(row.stream, row.quantity)
            own, times = 0.0 if rule is None else unit.to_base(rule[0].sd(value, unit)), 0
        elif known.bounded:
            own, times = known.sd_base, 1
        else:
            own, times = survey.reading_sd(known), known.readings
        if not own > 0.0:
            return None
        stays, shared = self._sources(row, known, survey, unit, value)
        most = 0 if price is None else self.table.readings(row.stream, row.quantity)
        if known is not None and known.bounded:  # another reading would say the same
            most = min(most, 1)
        today = 0 if m is None else times
        return Candidate(row.stream, row.quantity, unit, row.place, value, own, stays, shared,
                         today, max(most, today) if most else 0, price or 0.0)  # fmt: skip

    def _by_method(self, row: Row, name: str, price: float, error: StatedError) -> Candidate:
        """Return a value read by a method that is not the usual one."""
        unit, value = self._value(row, self.today.measured(row.stream, row.quantity))
        own = unit.to_base(error.sd(value, unit))
        if own < SHARPEST * unit.to_base(value):
            self.faults.append(
                Fault(f"The method '{name}' of {row.quantity} states an error beyond what is "
                      f"weighed or assayed, for {value:.4g} {unit} of '{row.stream}'.",
                      "Correct the error or its unit.", self.table.place)
            )  # fmt: skip
        stays, shared = self._sources(row, None, self.today, unit, value)
        most = self.table.readings(row.stream, row.quantity, name)
        return Candidate(row.stream, row.quantity, unit, row.place, value, own, stays, shared, 0,
                         most, price, name)  # fmt: skip

    def _value(self, row: Row, m: Measurement | None) -> tuple[Unit, float]:
        """Return the unit of a value, and the value at the point."""
        k, j = row.place
        at = float(self.point.flow[j] if k is None else self.point.grade[k, j])
        unit = row.meaning.unit if m is None else m.unit
        return unit, unit.from_base(at)

    def _sources(
        self, row: Row, m: Measurement | None, survey: Survey, unit: Unit, value: float
    ) -> tuple[float, dict[tuple[str, str], float]]:
        """Return what repeats do not lessen, and the shared sources, in base units."""
        if m is not None and m.error_source == PROPAGATED:
            own = survey.shared_by(m)
            return 0.0, {(s.name, s.quantity): s.loadings[m.stream] for s in own}
        if m is not None and m.bounded:
            return 0.0, {}
        stays, shared = 0.0, dict[tuple[str, str], float]()
        for source in self.definition.sources:
            if fold_name(source.quantity) != fold_name(row.quantity):
                continue
            try:
                size = source.sd(row.stream, value if m is None else m.value, unit)
            except SamplingError as error:  # a grade above that of its mineral
                self._once(
                    Fault(
                        f"A sampling error cannot be computed: {error.problem}.",
                        "Correct the value, or what [sources] says of the mineral.",
                    )
                )
                continue
            if source.shared and size > 0.0:
                shared[source.name, row.quantity] = unit.to_base(size)
            else:
                stays = (stays**2 + unit.to_base(size) ** 2) ** 0.5
        return stays, shared

    def _once(self, fault: Fault) -> None:
        if fault not in self.faults:
            self.faults.append(fault)


def _has_own_error(m: Measurement) -> bool:
    """Tell whether an expected value brings its error, rather than that of a rule."""
    return m.bounded or m.error_source in (_OF_ROW, PROPAGATED)


def _in_vessel(survey: Survey) -> frozenset[str]:
    """Return the pulps of a leach over time, which go on leaching: no solids can be taken there."""
    if survey.course is None:
        return frozenset()
    times = survey.course.times
    return frozenset(t.liquid for t in times[:-1]) - {t.sample for t in times}


def _with_one_sample(found: list[Candidate]) -> list[Candidate]:
    """Return candidates in which all methods of a value read the same sample.

    What repeats by one method do not lessen, another method does not lessen either: it is a source
    that they share.
    """
    several = {(c.stream, c.quantity) for c in found if c.method != USUAL}
    return [
        replace(c, stays=0.0, shared={**c.shared, (f"sample of {c.stream}", c.quantity): c.stays})
        if (c.stream, c.quantity) in several and c.stays > 0.0
        else c
        for c in found
    ]
