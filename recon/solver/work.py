"""How much work it may take to say which number is wrong: counted, not timed.

A count gives the same answer on every machine. One unit is one flow or grade, measured or not, of a
survey balanced side by side with others from one first flow. Balanced by itself a survey costs a
few times as much, and as much as one of a few hundred numbers however small it is. What is
likeliest is balanced first, so that what is left out when the work is done is what linear
propagation thinks least likely. What a survey balanced by itself will take is not known before: it
counts as a usual one beforehand, and afterwards as the iterations that it took.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

__all__ = ["WORK", "Work"]

_USUAL, _AT_LEAST = 5, 400  # iterations of a survey balanced by itself; numbers it counts as


@dataclass(frozen=True, slots=True)
class Work:
    """The most work, and the most hypotheses that are balanced again for it.

    Attributes
    ----------
    units : int
    most_together, most_alone : int
        Hypotheses at most, however small the survey: balanced side by side, or each by itself.
    units_unbalanced : int
        In place of ``units`` where a survey has no balance: a search that fails takes many times
        as long as one that ends in a balance.
    """

    units: int = 250_000
    units_unbalanced: int = 1_000_000
    most_together: int = 600
    most_alone: int = 24

    def of_one(self, measured: int, iterations: int = 0) -> int:
        """Return the units that balancing so many measurements by themselves takes.

        ``iterations`` are those of the general way; fewer than is usual count as the usual ones.
        """
        return max(_USUAL, iterations) * (_AT_LEAST + measured)

    @property
    def unbalanced(self) -> Work:
        """What may be spent on a survey that has no balance."""
        return replace(self, units=self.units_unbalanced)

    def alone(self, measured: int) -> int:
        """Return how many surveys of so many measurements are balanced by themselves at most."""
        return min(self.most_alone, self.units // self.of_one(measured))


WORK = Work()
"""What `oretally.recon.reconciliation.reconcile` may take."""
