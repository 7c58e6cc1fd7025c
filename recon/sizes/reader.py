"""Values of one balance by stream and size class, with their sd, also of what they give."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from oretally.flowsheet import Position, Positions, Survey
from oretally.flowsheet.arrays import Floats
from oretally.flowsheet.survey import Run
from oretally.recon.result import Estimate
from oretally.recon.solver import Covariance

__all__ = ["SizeReader", "Sloped"]

Sloped = tuple[float, Mapping[Position, float]]
"""A value and its derivatives."""


class SizeReader:
    """Reads one balance; streams by number, classes as runs of the grid of the survey."""

    def __init__(self, survey: Survey, places: Positions, covariance: Covariance) -> None:
        self.survey, self.carriers = survey, places.carriers
        self.covariance, self.solution = covariance, covariance.solution
        self.grid = survey.sizes

    def value(self, place: Position) -> float:
        """Return an adjusted value, in base units."""
        k, j = place
        return float(self.solution.flow[j] if k is None else self.solution.grade[k, j])

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
                known = [self.value(place), float(self.covariance.grade_sd[place])]
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

    def flow(self, j: int, run: Run) -> Sloped:
        """Return the flow of a run of a stream, in base units."""
        own = self.carriers.own_classes(j, run)
        if len(own) == 1:
            at = Position(None, own[0])
            return self.value(at), {at: 1.0}
        whole, share = Position(None, j), self.share(j, run)
        F, s = self.value(whole), self.value(share)
        return F * s, {whole: s, share: F}

    def metal(self, k: int, j: int, run: Run) -> Sloped | None:
        """Return how much of an analyte a run of a stream has; None if that is not known."""
        at = self.grade(k, j, run)
        if at is None:
            return None
        (F, slopes), x = self.flow(j, run), self.value(at)
        return F * x, {**{place: x * s for place, s in slopes.items()}, at: F}

    def jacobian(self, values: Sequence[Sloped]) -> tuple[Floats, list[Position], Floats]:
        """Return values, the places they are made from, and their derivatives by these."""
        places = list(dict.fromkeys(place for _, slopes in values for place in slopes))
        J = np.array([[slopes.get(place, 0.0) for place in places] for _, slopes in values])
        return np.array([value for value, _ in values]), places, J

    def estimates(self, values: Sequence[Sloped]) -> list[Estimate | None]:
        """Return values with their sd; None where that is not finite."""
        v, places, J = self.jacobian(values)
        V = self.covariance.joint(places)
        found: list[Estimate | None] = []
        for value, g in zip(v, J, strict=True):
            used = g != 0.0
            variance = float(g[used] @ V[np.ix_(used, used)] @ g[used]) if used.any() else np.nan
            good = np.isfinite([value, variance]).all()
            found.append((float(value), max(variance, 0.0) ** 0.5) if good else None)
        return found
