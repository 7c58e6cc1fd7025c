"""What of each size class of the feed is recovered, over the whole circuit.

With F f the flow and grade of a class in the feed, K k in what is kept and L l in what is lost::

    of feed  F f / sum F f    recovery  K k / F f    lost  L l / sum F f

It is told only where a class that is fed is the class that leaves: behind a mill or a leach the
grains of a class are others.

References
----------
B.A. Wills and T.J. Napier-Munn, Mineral Processing Technology, 7th ed. (2006), chapter 12: recovery
by size. JCGM 100:2008 (GUM), eq. 13: its sd. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

from oretally.flowsheet.survey import Run
from oretally.recon.losses.kept_and_lost import LossValues
from oretally.recon.propagation import Adjusted, amount_at, total
from oretally.recon.result import ClassRecovery, RecoveryBySize
from oretally.recon.sizes import SizePart, size_parts

__all__ = ["nodes_that_change_sizes", "recovery_by_class"]


def nodes_that_change_sizes(values: LossValues) -> tuple[str, ...]:
    """Return the nodes behind the feed that make or take away grains of a size class."""
    circuit, answers = values.model.circuit, values.answers
    behind = circuit.nodes_behind([answers.streams[j] for j in answers.feeds])
    return tuple(n.name for n in circuit.nodes if n.name in behind and not n.kind.keeps_sizes)


def recovery_by_class(values: LossValues, k: int, kept: Sequence[int]) -> RecoveryBySize | None:
    """Return the recovery of analyte k by size; None where that of no class is determined.

    Parameters
    ----------
    values : LossValues
    k : int
    kept : sequence of int
        Products that count as recovered.
    """
    if k in values.model.carriers.dissolved or nodes_that_change_sizes(values):
        return None
    answers, sizes = values.answers, values.model.survey.sizes
    table, rows = _Classes(values, k, kept), list[ClassRecovery]()
    for run in table.runs:
        fed, won, lost = table.amounts(run)
        whole = answers.fed(k)
        of_feed, recovery, gone = (
            None if part is None or of is None else values.estimate(100.0 * (part / of))
            for part, of in ((fed, whole), (won, fed), (lost, whole))
        )
        rows.append(ClassRecovery(sizes.label(run), *sizes.bounds(run), of_feed, recovery, gone))
    if all(row.recovery is None for row in rows):
        return None
    kept_names, lost_names = (
        tuple(answers.streams[j] for j in side) for side in (kept, table.sides[2])
    )
    name = values.model.survey.analytes[k].name
    return RecoveryBySize(name, answers.reference, kept_names, lost_names, tuple(rows))


@dataclass(frozen=True)
class _Classes:
    """What the feed, the kept and the lost products hold of one analyte, class by class."""

    values: LossValues
    k: int
    kept: Sequence[int]

    @cached_property
    def sides(self) -> tuple[Sequence[int], ...]:
        """The streams that are fed, kept and lost, by number."""
        lost = [j for j in self.values.products(self.k) if j not in self.kept]
        return self.values.answers.feeds, self.kept, lost

    @cached_property
    def parts(self) -> dict[int, list[SizePart]]:
        """The classes of each stream that are known; empty for one of which none is."""
        model, covariance = self.values.model, self.values.covariance
        return {j: size_parts(model, covariance, k=self.k, stream=j)
                for side in self.sides for j in side}  # fmt: skip

    @cached_property
    def runs(self) -> tuple[Run, ...]:
        """The finest classes that no stream lumps with another; empty where nothing is known."""
        ends = [{part.run[1] for part in parts} for parts in self.parts.values() if parts]
        common = sorted(set.intersection(*ends)) if ends else []
        return tuple(zip((0, *(end + 1 for end in common)), common, strict=False))

    @cached_property
    def closed(self) -> bool:
        """Whether what is fed, all of it, is kept or lost: then two of them give the third."""
        circuit, streams = self.values.model.circuit, self.values.answers.streams
        fed, products = ({streams[j] for j in side}
                         for side in (self.sides[0], (*self.sides[1], *self.sides[2])))  # fmt: skip
        return (fed == set(circuit.feeds) and products == set(circuit.products)
                and not any(s.stock for s in circuit.streams))  # fmt: skip

    def amounts(self, run: Run) -> tuple[Adjusted | None, ...]:
        """Return what is fed, kept and lost in some classes; None where not determined."""
        fed, kept, lost = (self._held(side, run) for side in self.sides)
        if self.closed:
            if fed is None and kept is not None and lost is not None:
                fed = kept + lost
            elif kept is None and fed is not None and lost is not None:
                kept = fed - lost
            elif lost is None and fed is not None and kept is not None:
                lost = fed - kept
        return fed, kept, lost

    def _held(self, streams: Sequence[int], run: Run) -> Adjusted | None:
        """Return what some streams hold in some classes; None where it is not determined."""
        low, high = run
        own = [[p for p in self.parts[j] if low <= p.run[0] and p.run[1] <= high] for j in streams]
        if not own or not all(own):
            return None
        found = total(amount_at(self.values.covariance, self.k, part.flow.carrier)
                      for parts in own for part in parts)  # fmt: skip
        return found if self.values.estimate(found) is not None else None
