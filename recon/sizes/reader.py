"""Values of one balance by stream and size class, with their sd, also of what they give."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from oretally.flowsheet import BalanceModel, Position
from oretally.flowsheet.arrays import Floats
from oretally.flowsheet.survey import Run
from oretally.recon.propagation import Adjusted, Derived, adjusted, estimate, value_at
from oretally.recon.result import Estimate
from oretally.recon.solver import Covariance

__all__ = ["SizeReader"]


class SizeReader:
    """Reads one balance; streams by number, classes as runs of the grid of the survey."""

    def __init__(self, model: BalanceModel, covariance: Covariance) -> None:
        self.survey, self.carriers, self.covariance = model.survey, model.carriers, covariance
        self.grid = model.survey.sizes

    def share(self, j: int, run: Run) -> Position:
        """Return where the share of a run in the solids of a stream stands."""
        return Position(self.carriers.shares[run], j)

    def grade(self, k: int, j: int, run: Run) -> Position | None:
        """Return where the grade of a run of a stream stands; None if there is no such unknown."""
        own = self.carriers.own_classes(j, run)
        if (k, j) not in self.carriers.by_class or not own:
            return None
        at = own[0] if len(own) == 1 else self.carriers.runs.get((j, run))
        return None if at is None else Position(k, at)

    def known_runs(self, j: int) -> list[Run]:
        """Return the classes of a stream whose shares the balance gives; empty if it lacks some.

        Where nothing parts two classes, the shortest run of them that was measured.
        """
        found, at = list[Run](), 0
        while at < self.grid.n_classes:
            for run in sorted(r for r in self.carriers.shares if r[0] == at):
                place = self.share(j, run)
                known = [value_at(self.covariance, place), float(self.covariance.grade_sd[place])]
                if self.carriers.own_classes(j, run) and np.isfinite(known).all():
                    break
            else:
                return []
            found.append(run)
            at = run[1] + 1
        return found

    def common_runs(self, streams: Sequence[int]) -> list[Run]:
        """Return the finest classes that are known of several streams; empty if there are none."""
        ends = set.intersection(*({last for _, last in self.known_runs(j)} for j in streams))
        last, found = -1, list[Run]()
        for end in sorted(ends):
            found.append((last + 1, end))
            last = end
        return found if all(run in self.carriers.shares for run in found) else []

    def openings(self, runs: Sequence[Run]) -> Floats:
        """Return the openings between runs that meet, the coarsest first. [um]."""
        return np.array([self.grid.bounds(run)[0] for run in runs[:-1]])

    def at(self, place: Position) -> Adjusted:
        """Return an adjusted value itself."""
        return adjusted(self.covariance, place)

    def flow(self, j: int, run: Run) -> Adjusted:
        """Return the flow of a run of a stream."""
        own = self.carriers.own_classes(j, run)
        if len(own) == 1:
            return self.at(Position(None, own[0]))
        return self.at(Position(None, j)) * self.at(self.share(j, run))

    def metal(self, k: int, j: int, run: Run) -> Adjusted | None:
        """Return how much of an analyte a run of a stream has; None if that is not known."""
        at = self.grade(k, j, run)
        return None if at is None else self.flow(j, run) * self.at(at)

    def estimate(self, found: Adjusted) -> Estimate | None:
        """Return a value with its sd; None where nothing moves it, or it is not determined."""
        slopes = {place: slope for place, slope in found.slopes.items() if slope != 0.0}
        return estimate(self.covariance, Derived(found.value, slopes)) if slopes else None
