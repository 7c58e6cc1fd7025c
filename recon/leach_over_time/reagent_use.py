"""What became of the reagents of a leach: put in, left, taken away by samples, consumed.

At time i, with a_j what was put in before, f the strength that was read, V_i the solution in the
vessel before the sample is drawn off, v_j the samples and M the dry ore::

    consumed = (sum_(j<i) a_j - sum_(j<i) f_j v_j - f_i V_i) / M

Solutions and ore are those of the balance, with their covariance; strengths and additions have
errors of their own. Where a strength was not read at an earlier sample, it lies between nothing and
all that could be there: a uniform distribution (JCGM 100:2008, GUM, 4.3.7), small beside the rest
as samples are small. Source of the balance: common practice of cyanidation tests, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field

from oretally.flowsheet import Position
from oretally.flowsheet.survey import Reagent, ReagentReading
from oretally.recon.kinetics import TimedLeach
from oretally.recon.propagation import Adjusted, Derived, estimate
from oretally.recon.result import Estimate, ReagentPoint, ReagentUse

__all__ = ["reagent_uses"]

_PER_TONNE = 1000.0  # kg per kg of ore to kg/t


def reagent_uses(leach: TimedLeach) -> tuple[ReagentUse, ...]:
    """Return the use of each reagent over time."""
    return tuple(
        ReagentUse(r.name, leach.course.node, leach.course.unit, _Balance(leach, r).points(),
                   all(x is None for x in r.left))
        for r in leach.course.reagents
    )  # fmt: skip


@dataclass
class _Balance:
    """Amounts of one reagent, as they depend on adjusted flows and on readings of their own.

    Readings stand at positions that no carrier has, below 0; ``sds`` are theirs.
    """

    leach: TimedLeach
    reagent: Reagent
    sds: dict[Position, float] = field(default_factory=dict)

    def read(self, reading: ReagentReading) -> Adjusted:
        """Return a reading as a value of its own."""
        place = Position(None, -1 - len(self.sds))
        self.sds[place] = reading.sd
        return Derived(reading.value, {place: 1.0})

    def told(self, amount: Adjusted | None) -> Estimate | None:
        """Return an amount per dry ore with its sd."""
        if amount is None:
            return None
        share = _PER_TONNE * (amount / self.leach.ore(None))
        flows = {p: s for p, s in share.slopes.items() if p not in self.sds}
        found = estimate(self.leach.covariance, Derived(share.value, flows))
        if found is None:
            return None
        own = (s * self.sds[p] for p, s in share.slopes.items() if p in self.sds)
        return found[0], math.hypot(found[1], *own)

    def points(self) -> tuple[ReagentPoint, ...]:
        """Return what became of it up to each time."""
        r, times = self.reagent, self.leach.course.times
        content = self.read(ReagentReading(r.content, r.content_sd))
        zero: Adjusted = Derived(0.0, {})
        added, gone, found = zero, zero, list[ReagentPoint]()
        never = all(put_in is None for put_in in r.added)
        for i, t in enumerate(times):
            put_in = r.added[i]
            if put_in is not None:
                added = added + self.read(put_in) * content
            vessel, reading = self.leach.in_vessel(i), r.left[i]
            strength = None if reading is None else self.read(reading)
            left = None if strength is None else strength * vessel
            consumed = None if left is None or never else added - gone - left
            shown = None if reading is None else (1000.0 * reading.value, 1000.0 * reading.sd)
            found.append(
                ReagentPoint(t.time, shown, None if never else self.told(added), self.told(left),
                             self.told(gone), self.told(consumed))
            )  # fmt: skip
            if t.sample:
                if strength is None:
                    strength = self.unread(added - gone, vessel)
                gone = gone + strength * self.leach.solution([t.sample])
        return tuple(found)

    def unread(self, most: Adjusted, vessel: Adjusted) -> Adjusted:
        """Return a strength that nobody read: between 0 and all that could be there."""
        top = max(most.value / vessel.value, 0.0) if vessel.value > 0.0 else 0.0
        return self.read(ReagentReading(0.5 * top, top / math.sqrt(12.0)))
