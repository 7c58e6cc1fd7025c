"""What can be measured in a case: each value with its errors, its readings and its price."""

from __future__ import annotations

import re

from oretally.flowsheet import Arrangement, Fault, Measurement, Survey, Unit
from oretally.flowsheet.arrangement import Row
from oretally.flowsheet.error_sources import STATED
from oretally.flowsheet.streams import fold_name
from oretally.flowsheet.survey import DECLARED_LOSS, PROPAGATED
from oretally.io.definition import Definition
from oretally.io.prices_table import PriceTable
from oretally.recon.measurement_plan import Candidate
from oretally.recon.plan_point import PlanPoint

__all__ = ["Candidates"]

_POOLED = re.compile(r"mean of (\d+) replicates")  # the note of `oretally.io.pooling`


class Candidates:
    """Candidates of a case; faults and notes are added on the way.

    A measured value has the error of its row, any other that of its rule at the balanced value.
    The stated error is that of one reading; of the sources, repeats lessen none.
    """

    def __init__(
        self, definition: Definition, today: Survey, point: PlanPoint, places: Arrangement,
        table: PriceTable, notes: list[str], faults: list[Fault],
    ) -> None:  # fmt: skip
        self.definition, self.today, self.point, self.places = definition, today, point, places
        self.table, self.notes, self.faults = table, notes, faults

    def all(self) -> list[Candidate]:
        """Return everything that is measured, or has a price and an error."""
        found, without, silent = [], dict[str, list[str]](), dict[str, None]()
        for row in self.places.rows:
            m = self.today.measured(row.stream, row.quantity)
            if row.place.carrier in self.places.carriers.gone:  # dissolved: nobody can weigh it
                continue
            if m is not None and m.error_source == DECLARED_LOSS:
                continue
            if m is not None and not self.table.states(row.stream, row.quantity):
                silent[row.quantity] = None
                continue
            price = self.table.price(row.stream, row.quantity)
            if price is None and m is None:
                continue
            candidate = self._candidate(row, m, price)
            if candidate is None:
                without.setdefault(row.quantity, []).append(row.stream)
            else:
                found.append(candidate)
        for quantity in silent:
            self.faults.append(
                Fault(f"The prices say nothing of {quantity}, which the case measures.",
                      f"Add a row for {quantity}: its price, 0 if it costs nothing, or '-' if it "
                      "is not to be had.", self.table.place)
            )  # fmt: skip
        for quantity, streams in without.items():
            self.notes.append(
                f"{quantity} of {', '.join(map(repr, streams))} is not in the plan: no error is "
                f"stated for it. Write a rule for {quantity} under [errors]."
            )
        return found

    def _candidate(self, row: Row, m: Measurement | None, price: float | None) -> Candidate | None:
        k, j = row.place
        at = float(self.point.flow[j] if k is None else self.point.grade[k, j])
        unit = row.meaning.unit if m is None else m.unit
        value, times = unit.from_base(at), 0
        if m is None:
            rule = self.definition.errors.rule(row.stream, row.quantity)
            own = 0.0 if rule is None else unit.to_base(rule[0].sd(value, unit))
        else:
            own, times = self._one_reading(m)
        if not own > 0.0:
            return None
        stays, shared = self._sources(row, m, unit, value)
        most = 0 if price is None else self.table.readings(row.stream, row.quantity)
        return Candidate(row.stream, row.quantity, unit, row.place, value, own, stays, shared,
                         times, max(most, times) if most else 0, price or 0.0)  # fmt: skip

    def _one_reading(self, m: Measurement) -> tuple[float, int]:
        """Return the sd of one reading of a measurement in base units, and its readings."""
        if m.error_source == PROPAGATED:
            return float(self.today.own_variance(m) ** 0.5), 1
        stated = next((p.sd for p in m.parts if p.source == STATED), m.sd)
        pooled = _POOLED.match(m.note)
        times = int(pooled[1]) if pooled else 1
        return m.unit.to_base(stated) * times**0.5, times

    def _sources(
        self, row: Row, m: Measurement | None, unit: Unit, value: float
    ) -> tuple[float, dict[tuple[str, str], float]]:
        """Return what repeats do not lessen, and the shared sources, in base units."""
        if m is not None and m.error_source == PROPAGATED:
            own = self.today.shared_by(m)
            return 0.0, {(s.name, s.quantity): s.loadings[m.stream] for s in own}
        if m is not None and m.bounded:
            return 0.0, {}
        stays, shared = 0.0, dict[tuple[str, str], float]()
        for source in self.definition.sources:
            if fold_name(source.quantity) != fold_name(row.quantity):
                continue
            try:
                size = source.sd(row.stream, value if m is None else m.value, unit)
            except ValueError as error:  # a grade above that of the mineral of a sampling error
                why = str(error).split(". ")[0]
                self._once(
                    Fault(
                        f"A sampling error cannot be computed: {why}.",
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
