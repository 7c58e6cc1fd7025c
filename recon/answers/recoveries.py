"""Recoveries, yields, enrichment and ratios of concentration, with their sd."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from oretally.flowsheet import Position, Positions, Survey
from oretally.flowsheet.arrays import Floats
from oretally.recon.result import Recovery, Separation
from oretally.recon.solver import Covariance, Released, one_sided_limit

__all__ = ["Answers", "ratio"]

_Estimate = tuple[float | None, float | None]


_ALL = 1.0 - 1e-9  # a recovery above it is all


@dataclass(frozen=True)
class Answers:
    """Answers computed from adjusted values; sd by their gradient (JCGM 100:2008, GUM, eq. 13).

    Attributes
    ----------
    covariance : Covariance
    streams, analytes : sequence of str
        Names, in the order of the arrays.
    feed : int
        Position of the stream to which recoveries refer.
    products : sequence of int
    whole : sequence of sequence of int
        For each analyte and stream the carrier of all that the stream has of it: of its solids,
        or of solids and solution together.
    carried : sequence of sequence of bool
        For each analyte and stream whether it can be there: not in water without solids, if it is
        not dissolved.
    """

    covariance: Covariance
    streams: Sequence[str]
    analytes: Sequence[str]
    feed: int
    products: Sequence[int]
    whole: Sequence[Sequence[int]]
    carried: Sequence[Sequence[bool]]

    @classmethod
    def of(
        cls, covariance: Covariance, places: Positions, survey: Survey, feed: str,
        products: Sequence[str],
    ) -> Answers:  # fmt: skip
        """Return the answers of a survey.

        Parameters
        ----------
        covariance : Covariance
        places : Positions
        survey : Survey
        feed, products : str, sequence of str
            Reference stream, and the streams among which its analytes are shared.
        """
        carriers = places.carriers
        names = carriers.streams
        return cls(
            covariance,
            names,
            [a.name for a in survey.analytes],
            names.index(feed),
            [names.index(p) for p in products],
            [[carriers.whole(k, j) for j in range(len(names))]
             for k in range(len(survey.analytes))],
            [[solids or (k in carriers.dissolved and j not in carriers.gone)
              for j, solids in enumerate(carriers.solids)]
             for k in range(len(survey.analytes))],
        )  # fmt: skip

    def recoveries(
        self, released: Mapping[Position, Released] | None = None
    ) -> tuple[Recovery, ...]:
        """Return the recovery of each analyte to every other stream that can hold it.

        Parameters
        ----------
        released : mapping of Position to Released, optional
            Balances without the bounds that grades rest on, for limits in place of errors.
        """
        rows = []
        for k, analyte in enumerate(self.analytes):
            joint = _JointFlowAndGrade(self.covariance, k)
            for j, stream in enumerate(self.streams):
                if j == self.feed or not self.carried[k][j]:
                    continue
                place, of = self.whole[k][j], self.whole[k][self.feed]
                value, sd = joint.recovery(place, of)
                at_most = at_least = None
                free = (released or {}).get(Position(k, place))
                if free is not None and free.lower and value is not None:
                    sd, at_most = None, _limit(free, k, place, of, 0.0)
                elif value is not None and value > _ALL and (sd or 0.0) < 1.0 - _ALL:
                    # all of it, since the others rest on 0: it could be less
                    others = [f for at, f in (released or {}).items() if at.analyte == k]
                    limits = [_limit(f, k, place, of, 1.0) for f in dict.fromkeys(others)]
                    known = [x for x in limits if x is not None]
                    if known:
                        sd, at_least = None, min(known)
                rows.append(
                    Recovery(
                        stream,
                        analyte,
                        self.streams[self.feed],
                        _percent(value),
                        _percent(sd),
                        product=j in self.products,
                        at_most=_percent(at_most),
                        at_least=_percent(at_least),
                    )  # fmt: skip
                )
        return tuple(rows)

    def gradient(self, k: int, j: int) -> tuple[Floats, Floats] | None:
        """Return the derivatives of the recovery of analyte k to stream j, as a share.

        Returns
        -------
        ndarray, shape (n_carriers,), twice, or None
            With respect to the flows and to the grades of analyte k; None where the recovery is
            not determined.
        """
        F, x = self.covariance.solution.flow, self.covariance.solution.grade[k]
        to, of = self.whole[k][j], self.whole[k][self.feed]
        below = F[of] * x[of]
        if not np.isfinite([below, x[to]]).all() or below == 0.0:
            return None
        used = [Position(None, to), Position(None, of), Position(k, to), Position(k, of)]
        if not np.isfinite(self.covariance.joint(used)).all():
            return None  # the solver put numbers where nothing determines any
        R = F[to] * x[to] / below
        of_flow, of_grade = np.zeros(F.size), np.zeros(F.size)
        of_flow[to] += x[to] / below
        of_flow[of] -= R / F[of]
        of_grade[to] += F[to] / below
        of_grade[of] -= R / x[of]
        return of_flow, of_grade

    def separations(self) -> tuple[Separation, ...]:
        """Return yield, ratio of concentration and enrichment of each product."""
        flow, cov = self.covariance.solution.flow, self.covariance.flow_flow()
        rows = []
        for j in self.products:
            pull, pull_sd = ratio(flow[j], flow[self.feed], _pair(cov, j, self.feed))
            back, back_sd = ratio(flow[self.feed], flow[j], _pair(cov, self.feed, j))
            rows.append(
                Separation(
                    stream=self.streams[j],
                    of=self.streams[self.feed],
                    yield_percent=_percent(pull),
                    yield_sd=_percent(pull_sd),
                    ratio_of_concentration=back,
                    ratio_sd=back_sd,
                    enrichment={
                        name: self._enrichment(k, j) for k, name in enumerate(self.analytes)
                    },
                )
            )
        return tuple(rows)

    def _enrichment(self, k: int, j: int) -> tuple[float, float] | None:
        grade = self.covariance.solution.grade[k]
        V = self.covariance.joint([Position(k, j), Position(k, self.feed)])
        value, sd = ratio(grade[j], grade[self.feed], _pair(V, 0, 1))
        return None if value is None or sd is None else (value, sd)


class _JointFlowAndGrade:
    """Flows and grades of one analyte with their joint covariance."""

    def __init__(self, covariance: Covariance, k: int) -> None:
        self.flow, self.grade = covariance.solution.flow, covariance.solution.grade[k]
        self.flow_flow, self.grade_flow = covariance.flow_flow(), covariance.grade_flow(k)
        self.grade_grade = covariance.grade_grade(k)

    def recovery(self, j: int, of: int) -> _Estimate:
        """Return F_j x_j / (F_of x_of) and its sd; (None, None) where not determined."""
        F, x = self.flow, self.grade
        if F[j] == 0.0 and np.isfinite(self.flow_flow[j, j]):
            return 0.0, None
        below = F[of] * x[of]
        if not np.isfinite(below) or below == 0.0 or not np.isfinite(x[j]):
            return None, None
        R = F[j] * x[j] / below
        # derivatives with respect to F_j, F_of, x_j, x_of
        g = np.array([x[j] / below, -R / F[of], F[j] / below, -R / x[of]])
        pair = [j, of]
        cross = self.grade_flow[np.ix_(pair, pair)]
        cov = np.block(
            [[self.flow_flow[np.ix_(pair, pair)], cross.T],
             [cross, self.grade_grade[np.ix_(pair, pair)]]]
        )  # fmt: skip
        variance = float(g @ cov @ g)
        return (float(R), max(variance, 0.0) ** 0.5) if np.isfinite(variance) else (None, None)


def _limit(free: Released, k: int, j: int, of: int, bound: float) -> float | None:
    """Return the limit of a recovery that rests on 0, or on all, with the bound that holds it."""
    value, sd = _JointFlowAndGrade(free.covariance, k).recovery(j, of)
    if value is None or not sd:
        return None
    return one_sided_limit(value, sd, bound, lower=bound == 0.0)


def _pair(covariance: np.ndarray[tuple[int, int], np.dtype[np.float64]], a: int, b: int) -> (
    tuple[float, float, float]
):  # fmt: skip
    return float(covariance[a, a]), float(covariance[b, b]), float(covariance[a, b])


def ratio(above: float, below: float, covariance: tuple[float, float, float]) -> _Estimate:
    """Return above / below and its first-order sd; (None, None) where it is not determined.

    Parameters
    ----------
    above, below : float
    covariance : tuple of float
        Variance of ``above``, variance of ``below``, covariance of the two.
    """
    var_above, var_below, cov = covariance
    if not np.isfinite([above, below, var_above, var_below, cov]).all() or below == 0.0:
        return None, None
    q = above / below
    variance = (var_above - 2.0 * q * cov + q * q * var_below) / below**2
    return float(q), max(float(variance), 0.0) ** 0.5


def _percent(value: float | None) -> float | None:
    return None if value is None else 100.0 * value
