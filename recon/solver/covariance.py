"""Standard deviations of the adjusted values, and of anything computed from them.

Linear propagation of the stated errors at the solution. With E_k = B_k diag(x_k) and N, S, V of
`oretally.recon.reduction.best_grades`, and G_k = dx_k/dF = -V C'N S^-1 N'E_k on the measured
grades::

    H = W + sum_k E_k'N S^-1 N'E_k        Cov(F) = Z (Z'HZ)^-1 Z'
    Cov(x_k) = T V T' + G_k Cov(F) G_k'   T = 1 - V C'N S^-1 N'C
    Cov(x_k, x_l) = G_k Cov(F) G_l'       Cov(x_k, F) = G_k Cov(F)

Flows held at a bound are taken as known. Of grades held at one what may be inside adds columns to
the roots (`oretally.recon.solver.flow_root`), as no estimate moves; `Covariance.held` is without.

References
----------
S. Narasimhan and C. Jordache, Data Reconciliation and Gross Error Detection (2000), chapters 3 and
4: covariance of adjusted values, at the solution of balances of flows times grades. JCGM 100:2008
(GUM), eq. 13. Cited from memory.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from oretally.flowsheet import BalanceProblem, Position
from oretally.flowsheet.arrays import Bools, Floats
from oretally.recon.numerics import one_thread
from oretally.recon.reduction import BestGrades
from oretally.recon.solution import Solution
from oretally.recon.solver.flow_root import bound_columns, flow_root
from oretally.recon.solver.grade_response import GradeResponse

__all__ = ["Covariance", "propagate"]

_LOOSE = 1e-6  # share of a direction that no measurement sees, in units of the flows
_FEW = 4  # analytes, fewer of which are quicker one by one


@dataclass(frozen=True)
class Covariance:
    """Covariance of all adjusted values, in the units of the balance problem.

    Rows and columns of undetermined values are NaN; those of exact values and of flows held at a
    bound are 0.

    Attributes
    ----------
    problem : BalanceProblem
    solution : Solution
    bounds_known : bool
        Whether grades at a bound count as exactly there: for what the estimates themselves do when
        measurements change, and how they scatter.
    """

    problem: BalanceProblem
    solution: Solution
    bounds_known: bool = False

    @cached_property
    def held(self) -> Covariance:
        """The same with all values at a bound taken as known: how the estimates follow errors."""
        return replace(self, bounds_known=True) if self._bounds[1] else self

    @cached_property
    def _half(self) -> Floats:
        """A root of Cov(F), scaled, shape (n_carriers, n_seen): last what bounds leave open."""
        return np.hstack([self._flow_parts[0], self._bounds[0]])

    @cached_property
    def _flow_parts(self) -> tuple[Floats, Floats]:
        """That of held values, and the directions that no measurement sees here, as columns."""
        with one_thread():
            return flow_root(self.solution, self._stacks)

    @cached_property
    def _bounds(self) -> tuple[Floats, Mapping[int, Floats]]:
        """What bounds leave open: of the flows, and of the held grades themselves by analyte."""
        root = self._flow_parts[0]
        if self.bounds_known:
            return root[:, :0], {}
        with one_thread():
            return bound_columns(self.solution.grades, root)

    @cached_property
    def at_bounds(self) -> list[tuple[Position, ...]]:
        """Where the grades stand that a bound holds and may be inside: of equal ones all places."""
        groups = {k: self.solution.grades[k].problem.group for k in self._bounds[1]}
        return [
            tuple(Position(k, int(j)) for j in np.flatnonzero(groups[k] == g))
            for k, changes in self._bounds[1].items()
            for g in np.flatnonzero(changes.any(axis=1))
        ]

    def root_of_bounds(self, R: Floats) -> Floats:
        """Return those columns of a `root` that `at_bounds` leave open, in their order."""
        first = self._flow_parts[0].shape[1]
        return R[:, first : self._half.shape[1]]

    def _inside(self, k: int) -> Floats | None:
        """Return the held grades of analyte k along `_half`; None if it has none."""
        of = self._bounds[1].get(k)
        return None if of is None else np.pad(of, ((0, 0), (self._flow_parts[0].shape[1], 0)))

    @cached_property
    def _flow(self) -> Floats:
        """Cov(F), scaled, shape (n_carriers, n_carriers)."""
        with one_thread():
            return self._half @ self._half.T

    @cached_property
    def _stacks(self) -> list[tuple[list[int], GradeResponse]]:
        """The responses of all analytes, those measured alike together."""
        with one_thread():
            return _stacks(self.solution.grades)

    @cached_property
    def _alone(self) -> dict[int, GradeResponse]:
        """Responses of one analyte that were asked for."""
        return {}

    def _response(self, k: int) -> GradeResponse:
        if k not in self._alone:
            with one_thread():
                self._alone[k] = GradeResponse.of(self.solution.grades[k])
        return self._alone[k]

    @cached_property
    def _known(self) -> Bools:
        """Grades that are determined, of streams that carry something."""
        carried = np.isfinite(self.solution.grade)
        return np.asarray(self.solution.classes.grade_determined & carried)

    def _sizes(self, k: int) -> Floats:
        """Return the unit of analyte k's grades, NaN where they are undetermined."""
        return np.where(self._known[k], self.solution.grades[k].problem.scale, np.nan)

    @cached_property
    def flow_determined(self) -> Bools:
        """Flows that are determined in fact, and not in principle only.

        An unmeasured flow is not if no measurement sees it where the balance lies, or if its sd is
        beyond the largest flow of all: the grades that should tell it are alike, or their errors
        too large.
        """
        of = self.solution
        unseen = self._flow_parts[1]
        sd = np.sqrt((self._half**2).sum(axis=1)) * of.reduced.flow_scale
        loose = np.sqrt((unseen**2).sum(axis=1)) > _LOOSE
        vague = loose | (sd > np.abs(of.flow).max(initial=0.0))
        vague &= ~np.isfinite(self.problem.flow)
        return np.asarray(of.classes.flow_determined & ~vague)

    @cached_property
    def grade_determined(self) -> Bools:
        """Grades that are determined in fact, as `flow_determined`: against the richest."""
        found, sd = self.solution.grade, self.grade_sd
        most = np.nanmax(np.where(self._known, found, 0.0), axis=1, initial=0.0)
        vague = ~np.isfinite(self.problem.grade) & (sd > most[:, None])
        return np.asarray(self.solution.classes.grade_determined & ~vague)

    @cached_property
    def flow_root(self) -> Floats:
        """R with R R' = Cov(F, F), shape (n_carriers, n_seen); rows of NaN where undetermined."""
        size = np.where(self.flow_determined, self.solution.reduced.flow_scale, np.nan)
        return self._half * size[:, None]

    def grade_root(self, k: int) -> tuple[Floats, Floats]:
        """Return roots of what the grades of analyte k have of all flows, and by themselves.

        T and O with Cov(x_k, F) = T R', R of ``flow_root``, Cov(x_k, x_l) = T_k T_l' for another
        analyte, Cov(x_k, x_k) = T T' + O O'. Shapes (n_carriers, n_seen), (n_carriers, n_own); rows
        of NaN where undetermined.
        """
        response, group = self._response(k), self.solution.grades[k].problem.group
        size = self._sizes(k)[:, None]
        with one_thread():
            flows = response.ahead(self._half, held=self._inside(k))[:, :, 0]
            own = response.ahead(None, np.eye(len(response.V))[:, :, None])[:, :, 0]
        return flows[group] * size, own[group] * size

    def flow_flow(self) -> Floats:
        """Return Cov(F, F), shape (n_carriers, n_carriers)."""
        known = self.flow_determined
        covariance = self._flow * self.solution.reduced.flow_scale**2
        return np.where(known[:, None] & known, covariance, np.nan)

    def grade_grade(self, k: int) -> Floats:
        """Return Cov(x_k, x_k), shape (n_carriers, n_carriers)."""
        flows, own = self.grade_root(k)
        return flows @ flows.T + own @ own.T

    def with_all(self, slopes: Mapping[Position, float]) -> tuple[Floats, Floats]:
        """Return the covariance of a function of the adjusted values with all of them.

        Parameters
        ----------
        slopes : mapping of Position to float
            Its derivatives with respect to the values; those left out are 0.

        Returns
        -------
        ndarray, shape (n_carriers,), and ndarray, shape (n_analytes, n_carriers)
            With the flows, with the grades; NaN where those are undetermined.
        """
        flows, grades = self.many_with_all([slopes])
        return flows[0], grades[0]

    def many_with_all(self, functions: Sequence[Mapping[Position, float]]) -> tuple[Floats, Floats]:
        """Return the same of many functions, as a first axis: at once, for much less time."""
        scale, grades = self.solution.reduced.flow_scale, self.solution.grades
        along = np.zeros((self.problem.n_carriers, len(functions)))
        parts: dict[int, dict[int, Floats]] = {}  # by analyte, then by function
        for i, slopes in enumerate(functions):
            for (k, j), slope in slopes.items():
                if k is None:
                    along[j, i] += slope * scale
                    continue
                problem = grades[k].problem
                part = parts.setdefault(k, {})
                if i not in part:
                    part[i] = np.zeros(problem.weight.size)
                part[i][problem.group[j]] += slope * problem.scale
        errors = {}
        with one_thread():
            for k, part in parts.items():
                columns = np.array([*part.values()]).T[:, :, None]
                more, errors[k] = self._response(k).back(columns)
                along[:, list(part)] += more[:, :, 0]
            of_half = self._half.T @ along
            for k, part in parts.items():
                held = self._inside(k)
                if held is not None:
                    columns = np.array([*part.values()]).T[:, :, None]
                    of_half[:, list(part)] += held.T @ self._response(k).by_held(columns)
            moved = self._half @ of_half
            found = np.empty((len(functions), len(grades), len(moved)))
            for analytes, response in self._stacks:
                group = response.pattern.rows.group
                held = self._inside(analytes[0])
                inside = None if held is None else held @ of_half
                for some, block in response.blocks(len(functions)):
                    change = block.ahead(moved, held=inside)
                    found[:, analytes[some]] = change[group].transpose(1, 2, 0)
            for k, own in errors.items():
                change = self._response(k).ahead(None, own)[grades[k].problem.group, :, 0]
                found[list(parts[k]), k] += change.T
        flows = np.where(self.flow_determined, moved.T * scale, np.nan)
        size = np.array([g.problem.scale for g in grades])[:, None]
        return flows, np.where(self._known, found * size, np.nan)

    def root(self, places: Sequence[Position]) -> Floats:
        """Return R with R R' the covariance of some values, shape (n, any); NaN as in `joint`."""
        if len(places) > _FEW:
            return self._root_of(places)
        # the same few values are asked for again and again: a feed with each product, one by one
        new: dict[int | None, list[Position]] = {}
        for place in dict.fromkeys(places):
            if place not in self._rows:
                new.setdefault(place.analyte, []).append(place)
        n_flow = self._half.shape[1]
        for some in new.values():
            for place, row in zip(some, self._root_of(some), strict=True):
                self._rows[place] = row[:n_flow], row[n_flow:]
        first, width = dict[int, int](), n_flow
        for k in dict.fromkeys(k for k, _ in places if k is not None):
            first[k], width = width, width + len(self._response(k).V)
        R = np.zeros((len(places), width))
        for row, place in zip(R, places, strict=True):
            row[:n_flow], own = self._rows[place]
            if place.analyte is not None:
                at = first[place.analyte]
                row[at : at + own.size] = own
        return R

    @cached_property
    def _rows(self) -> dict[Position, tuple[Floats, Floats]]:
        """Rows of roots that were asked for a few at a time: along the flows, and its own."""
        return {}

    def _root_of(self, places: Sequence[Position]) -> Floats:
        flows, rows = list[int](), dict[int, list[int]]()
        for i, (k, _) in enumerate(places):
            (flows if k is None else rows.setdefault(k, [])).append(i)
        at = np.array([j for _, j in places], dtype=np.intp)
        n_flow = self._half.shape[1]
        first = np.cumsum([n_flow, *(len(self._response(k).V) for k in rows)])
        R = np.zeros((len(places), int(first[-1])))
        R[flows, :n_flow] = self.flow_root[at[flows]]
        with one_thread():
            for k, some, begin, end in zip(rows, rows.values(), first[:-1], first[1:], strict=True):
                group = self.solution.grades[k].problem.group[at[some]]
                slopes = np.zeros((self._response(k).x.shape[0], len(some), 1))
                slopes[group, np.arange(len(some))] = 1.0
                along, errors = self._response(k).back(slopes)
                size = self._sizes(k)[at[some], None]
                row, held = along[:, :, 0].T @ self._half, self._inside(k)
                if held is not None:
                    row += self._response(k).by_held(slopes).T @ held
                R[some, :n_flow] = size * row
                R[some, begin:end] = size * errors[:, :, 0].T
        return R

    def joint(self, places: Sequence[Position]) -> Floats:
        """Return the covariance of some values, shape (n, n); NaN for undetermined ones."""
        R = self.root(places)
        return R @ R.T

    @cached_property
    def flow_sd(self) -> Floats:
        """Standard deviations of the flows, shape (n_carriers,)."""
        return np.asarray(np.sqrt((self.flow_root**2).sum(axis=1)))

    @cached_property
    def grade_sd(self) -> Floats:
        """Standard deviations of the grades, shape (n_analytes, n_carriers)."""
        variance = np.empty((self.problem.n_analytes, self.problem.n_carriers))
        with one_thread():
            for analytes, response in self._stacks:
                own = response.variance(self._half, self._inside(analytes[0]))
                variance[analytes] = own[response.pattern.rows.group].T
        size = np.array([g.problem.scale for g in self.solution.grades])[:, None]
        return np.where(self._known, np.sqrt(np.maximum(variance, 0.0)) * size, np.nan)


def propagate(problem: BalanceProblem, solution: Solution) -> Covariance:
    """Propagate the stated errors to the adjusted values; matrices are formed when asked for."""
    return Covariance(problem, solution)


def _stacks(grades: Sequence[BestGrades]) -> list[tuple[list[int], GradeResponse]]:
    """Return the responses of analytes, those measured alike side by side, none held at a bound."""
    families: dict[tuple[int, bytes, bytes, int], list[int]] = {}
    for k, g in enumerate(grades):
        p = g.pattern
        alone = k if (g.at_lower | g.at_upper).any() else -1
        key = id(p.rows), p.moving.tobytes(), p.unmeasured.tobytes(), alone
        families.setdefault(key, []).append(k)
    found = []
    for family in families.values():
        together = None
        if len(family) >= _FEW:
            together = GradeResponse.side_by_side([grades[k] for k in family])
        if together is None:
            found += [([k], GradeResponse.of(grades[k])) for k in family]
        else:
            found.append((family, together))
    return found
