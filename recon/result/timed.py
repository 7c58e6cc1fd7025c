"""Rows of a test over time: what was recovered by each time, curves fitted, selectivity, slips."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from oretally.recon.result.estimate import Estimate
from oretally.recon.result.rates import DOUBTED, RateModel

__all__ = [
    "CurveParameter",
    "RateCurve",
    "Selectivity",
    "TimedProducts",
    "TimedQuantity",
    "TimedSuspect",
    "curves_as_good",
    "preferred_curve",
]  # fmt: skip

LIKE = 2.0  # of AICc: a curve not further behind than this explains as well (Burnham, Anderson)


@dataclass(frozen=True, slots=True)
class CurveParameter:
    """A parameter of a curve, in ``unit``: a rate per time, a plateau or a share in percent.

    Attributes
    ----------
    name, unit : str
    value : float or None
        None where it may not be read: see the curve's reason.
    sd : float or None
        One standard deviation, to first order; None at a bound or where nothing determines it.
    low, high : float or None
        95 % range, by the rise of chi-square; None where it has no such end.
    """

    name: str
    unit: str
    value: float | None
    sd: float | None
    low: float | None
    high: float | None


@dataclass(frozen=True, slots=True)
class RateCurve:
    """A curve fitted to what was recovered by each time.

    Attributes
    ----------
    model : RateModel
    parameters : tuple of CurveParameter
    correlation : tuple of tuple of float or None
        Of the parameters.
    chi_square, dof, p
        Of the misfit by the stated errors; p is None without degrees of freedom.
    aicc, weight : float or None
        Akaike's criterion for few values, and the share of its weights among the curves.
    determined : bool
        Whether its parameters may be read.
    reason : str
        What is not known, and why; empty if all is.
    drawn : tuple of (float, float)
        Points of the curve from the start to the last time: time, percent.
    """

    model: RateModel
    parameters: tuple[CurveParameter, ...]
    correlation: tuple[tuple[float | None, ...], ...]
    chi_square: float | None
    dof: int
    p: float | None
    aicc: float | None
    weight: float | None
    determined: bool
    reason: str
    drawn: tuple[tuple[float, float], ...]

    @property
    def holds(self) -> bool | None:
        """Whether chance explains the misfit at 5 %; None where nothing can tell."""
        return None if self.p is None else self.p >= DOUBTED

    def parameter(self, name: str) -> CurveParameter | None:
        """Return a parameter by its name; None if the curve has none of it."""
        return next((p for p in self.parameters if p.name == name), None)


def preferred_curve(curves: Sequence[RateCurve]) -> RateCurve | None:
    """Return the first that is determined of curves in the order of preference; None if none is."""
    return next((c for c in curves if c.determined), None)


def curves_as_good(curves: Sequence[RateCurve]) -> tuple[RateCurve, ...]:
    """Return the determined curves that explain the values about as well as the best."""
    best, others = preferred_curve(curves), [c for c in curves if c.determined][1:]
    if best is None or best.aicc is None:
        return tuple(others)
    return tuple(c for c in others if c.aicc is not None and c.aicc - best.aicc <= LIKE)


@dataclass(frozen=True, slots=True)
class TimedQuantity:
    """What was recovered of one quantity by each time, all products up to it together.

    Attributes
    ----------
    quantity : str
        An analyte, or the flow quantity: then recovery is the mass pull.
    recovery : tuple of Estimate or None
        Cumulative, one a time; None where the balance does not determine it. [%]
    unit : str
        Of the grades; empty for the mass.
    grade : tuple of Estimate or None
        Cumulative.
    curves : tuple of RateCurve
        The preferred one first.
    """

    quantity: str
    recovery: tuple[Estimate | None, ...]
    unit: str
    grade: tuple[Estimate | None, ...]
    curves: tuple[RateCurve, ...]

    @property
    def is_mass(self) -> bool:
        """Whether it is the mass pull."""
        return not self.unit

    @property
    def best(self) -> RateCurve | None:
        """The preferred curve; None if no curve is determined."""
        return preferred_curve(self.curves)

    @property
    def as_good(self) -> tuple[RateCurve, ...]:
        """Determined curves that explain the values about as well as the best."""
        return curves_as_good(self.curves)


@dataclass(frozen=True, slots=True)
class Selectivity:
    """How much better one analyte is recovered than another, by each time.

    Attributes
    ----------
    analyte, other : str
    index : tuple of Estimate or None
        Gaudin's selectivity index, cumulative; 1 where they are recovered alike. [1]
    rate_ratio : Estimate or None
        Rate of the one over that of the other, first order with a plateau both. [1]
    """

    analyte: str
    other: str
    index: tuple[Estimate | None, ...]
    rate_ratio: Estimate | None


@dataclass(frozen=True, slots=True)
class TimedSuspect:
    """A measurement that the course of the test speaks against.

    Attributes
    ----------
    stream, quantity : str
    probability : float
        That it is the one that is wrong, all considered, and nothing being wrong.
    measured, expected : float
        Its value, and what the others and the curve say of it, in ``unit``.
    unit : str
    slip : str
        The slip that may be behind it; empty if none is likely.
    meant : float or None
        What the number is then.
    """

    stream: str
    quantity: str
    probability: float
    measured: float
    expected: float
    unit: str
    slip: str = ""
    meant: float | None = None


@dataclass(frozen=True, slots=True)
class TimedProducts:
    """A test whose products were taken one after the other.

    Attributes
    ----------
    node : str
        What the products came out of.
    unit : str
        Of the times.
    times : tuple of float
        Since the start, at which each product ended.
    streams : tuple of str
        The products, in that order.
    quantities : tuple of TimedQuantity
        The mass first.
    selectivities : tuple of Selectivity
        Of the first analyte against each of the others.
    suspects : tuple of TimedSuspect
        Where no curve holds, the measurements that explain it, the likeliest first.
    """

    node: str
    unit: str
    times: tuple[float, ...]
    streams: tuple[str, ...]
    quantities: tuple[TimedQuantity, ...]
    selectivities: tuple[Selectivity, ...]
    suspects: tuple[TimedSuspect, ...] = ()
