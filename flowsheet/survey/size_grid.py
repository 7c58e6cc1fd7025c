"""Size classes: a grid of openings, and the classes that a stack of sieves measures on it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import inf

__all__ = ["Run", "SizeGrid", "grid_of"]

Run = tuple[int, int]
"""First and last class of a run of neighbouring classes, both counted from the coarsest."""


@dataclass(frozen=True, slots=True)
class SizeGrid:
    """Classes between openings, from coarse to fine.

    Attributes
    ----------
    openings : tuple of float
        All openings in use, the coarsest first. [um] There is one class more: the coarsest has no
        upper bound, the finest is what passes them all.
    runs : tuple of Run
        Runs of several classes that some stack measures as one, for want of a sieve between.
    """

    openings: tuple[float, ...] = ()
    runs: tuple[Run, ...] = ()

    @property
    def n_classes(self) -> int:
        """Number of classes; 0 if there are no sizes."""
        return len(self.openings) + 1 if self.openings else 0

    @property
    def all_runs(self) -> tuple[Run, ...]:
        """Each class by itself, then the runs of several."""
        return (*((c, c) for c in range(self.n_classes)), *self.runs)

    def parted(self, runs: Iterable[Run]) -> tuple[Run, ...]:
        """Return the classes, from coarse to fine, into which some runs part all sizes.

        A class that no stack has as one is given as the single classes that it is made of.

        Examples
        --------
        >>> grid = SizeGrid((300.0, 150.0, 75.0), ((1, 2), (2, 3)))
        >>> grid.parted([(0, 0), (1, 2)])
        ((0, 0), (1, 2), (3, 3))
        >>> grid.parted([(3, 3)])
        ((0, 0), (1, 1), (2, 2), (3, 3))
        """
        cuts = sorted({0, self.n_classes, *(x for a, b in runs for x in (a, b + 1))})
        whole = [(a, b - 1) for a, b in pairwise(cuts)]
        single = ([run] if run in self.all_runs else [(c, c) for c in range(run[0], run[1] + 1)]
                  for run in whole)  # fmt: skip
        return tuple(run for part in single for run in part)

    def bounds(self, run: Run) -> tuple[float, float]:
        """Return the retaining and the passed opening of a run in um; 0, infinity where open."""
        first, last = run
        low = self.openings[last] if last < len(self.openings) else 0.0
        return low, self.openings[first - 1] if first > 0 else inf

    def label(self, run: Run) -> str:
        """Return the name of a run.

        Examples
        --------
        >>> grid = SizeGrid((150.0, 75.0, 38.0))
        >>> [grid.label(run) for run in grid.all_runs]
        ['+150 um', '-150+75 um', '-75+38 um', '-38 um']
        >>> grid.label((1, 2))
        '-150+38 um'
        """
        low, high = self.bounds(run)
        passed = "" if high == inf else f"-{high:g}"
        return f"{passed}+{low:g} um" if low > 0.0 else f"{passed} um"

    def run(self, retained: float, passing: float) -> Run:
        """Return the run between two openings of the grid; 0 and infinity where open.

        Raises
        ------
        ValueError
            If an opening is not one of the grid.
        """
        first = 0 if passing == inf else self.openings.index(passing) + 1
        last = len(self.openings) if retained == 0.0 else self.openings.index(retained)
        return first, last


def grid_of(stacks: Iterable[Sequence[tuple[float, float]]]) -> SizeGrid:
    """Return the grid of several stacks of sieves.

    Parameters
    ----------
    stacks : iterable of sequence of (float, float)
        For each stream the retaining and the passed opening of each class; 0 and infinity where
        open. [um]

    Notes
    -----
    All openings of all stacks make the grid. A stack that lacks some of them measures runs: the sum
    of their classes, which is all that it says.
    """
    found = [bounds for stack in stacks for bounds in stack]
    openings = {o for bounds in found for o in bounds if 0.0 < o < inf}
    grid = SizeGrid(tuple(sorted(openings, reverse=True)))
    runs = {grid.run(*bounds) for bounds in found}
    return SizeGrid(grid.openings, tuple(sorted(r for r in runs if r[0] < r[1])))
