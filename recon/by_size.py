"""What a balance says by size: distributions, P80, grade and metal by class, partition curves."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import Arrangement, Circuit, Position, Survey
from oretally.flowsheet.survey import DECLARED_LOSS
from oretally.recon.covariance import Covariance
from oretally.recon.partition import Sharpness, partition_curve, sharpness
from oretally.recon.separator_fits import FittedPartition, fitted_partitions
from oretally.recon.size_classes import NoFit, SizeAt
from oretally.recon.size_distribution import (
    SizeDistribution,
    SizeLaw,
    fit_size_law,
    passing_size,
    size_distribution,
)

__all__ = ["ClassRow", "FittedLaw", "PartitionRow", "Partitioned", "SizeResults", "StreamSizes",
           "by_size"]  # fmt: skip

Floats = NDArray[np.float64]
Estimate = tuple[float, float]
"""A value and its standard deviation."""

_P80 = 80.0
_ALIKE = 9  # decimals to which mean classes, counted in classes, are told apart


@dataclass(frozen=True, slots=True)
class ClassRow:
    """One size class of a stream, adjusted.

    Attributes
    ----------
    label : str
    retained_um, passed_um : float
        Openings that bound it; 0 and infinity where open. [um]
    share : (float, float)
        Of the dry solids, and its sd. [%]
    passing : (float, float) or None
        What passes the opening that retains it; None for the finest class. [%]
    grade : mapping of str to (float, float) or None
        By analyte, in its unit; None where the balance does not give it.
    distribution : mapping of str to (float, float) or None
        Share of the stream's analyte in this class. [%]
    """

    label: str
    retained_um: float
    passed_um: float
    share: Estimate
    passing: Estimate | None
    grade: dict[str, Estimate | None]
    distribution: dict[str, Estimate | None]


@dataclass(frozen=True, slots=True)
class FittedLaw:
    """A law of two parameters fitted to the cumulative passing, weighted by its covariance.

    Attributes
    ----------
    law : SizeLaw
    exponent, size_um : (float, float) or None
        m and k of Gates, Gaudin and Schuhmann, n and d' of Rosin and Rammler, each with its sd;
        None where no law was fitted, ``reason`` then says why. [1], [um]
    chi_square : float or None
        Weighted sum of squares of what the law misses.
    dof : int or None
        Openings used less 2; at 0 nothing checks the law.
    p : float or None
        Chance of a larger chi-square by the stated errors alone; None at 0 degrees of freedom.
    left_out_um : tuple of float
        Openings that all or nothing passes. [um]
    doubt : str
        Words on a law that misses the points by more than their errors explain, or empty.
    reason : str
    """

    law: SizeLaw
    exponent: Estimate | None = None
    size_um: Estimate | None = None
    chi_square: float | None = None
    dof: int | None = None
    p: float | None = None
    left_out_um: tuple[float, ...] = ()
    doubt: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class StreamSizes:
    """Sizes of a stream: classes from coarse to fine, the size that 80 % pass, fitted laws."""

    stream: str
    classes: tuple[ClassRow, ...]
    p80: SizeAt
    fits: tuple[FittedLaw, ...] = ()


@dataclass(frozen=True, slots=True)
class PartitionRow:
    """One class at a separator: what share of it reports to the product, in percent."""

    label: str
    size_um: float | None
    solids: Estimate | None
    analytes: dict[str, Estimate | None]


@dataclass(frozen=True, slots=True)
class Partitioned:
    """Partition of the classes of a separator's feed to its coarsest product.

    ``sharpness`` is read between the points, ``fits`` are curves with a bypass.
    """

    node: str
    product: str
    classes: tuple[PartitionRow, ...]
    sharpness: Sharpness
    fits: tuple[FittedPartition, ...] = ()


@dataclass(frozen=True, slots=True)
class SizeResults:
    """All that a balance says by size; empty without sizes."""

    streams: tuple[StreamSizes, ...] = ()
    partitions: tuple[Partitioned, ...] = ()


def by_size(
    circuit: Circuit, survey: Survey, places: Arrangement, covariance: Covariance
) -> SizeResults:
    """Return the results by size, for streams whose distribution the balance gives."""
    if not places.carriers.classes:
        return SizeResults()
    reader = _Reader(circuit, survey, places, covariance)
    streams = [reader.stream(j) for j in sorted(places.carriers.classes)]
    partitions = [reader.partition(i) for i in range(len(circuit.nodes))]
    return SizeResults(
        tuple(s for s in streams if s is not None), tuple(p for p in partitions if p is not None)
    )


class _Reader:
    """Values and covariances of one balance, by stream and class."""

    def __init__(
        self, circuit: Circuit, survey: Survey, places: Arrangement, covariance: Covariance
    ) -> None:
        self.circuit, self.survey, self.carriers = circuit, survey, places.carriers
        self.covariance, self.solution = covariance, covariance.solution
        self.grid = survey.sizes
        self.n = self.grid.n_classes

    def value(self, place: Position) -> float:
        """Return an adjusted value, in base units."""
        k, j = place
        return float(self.solution.flow[j] if k is None else self.solution.grade[k, j])

    def estimates(
        self, places: Sequence[Position], values: Floats, slopes: Floats
    ) -> list[Estimate | None]:
        """Return values computed from places, with their sd; None where that is not finite.

        ``slopes`` has one row a value, one column a place.
        """
        V = self.covariance.joint(places)
        found: list[Estimate | None] = []
        for value, g in zip(values, slopes, strict=True):
            used = g != 0.0
            variance = float(g[used] @ V[np.ix_(used, used)] @ g[used]) if used.any() else np.nan
            good = np.isfinite([value, variance]).all()
            found.append((float(value), max(variance, 0.0) ** 0.5) if good else None)
        return found

    def stream(self, j: int) -> StreamSizes | None:
        """Return the sizes of a stream; None if the balance does not give them."""
        shares = [Position(self.carriers.shares[c, c], j) for c in range(self.n)]
        s = np.array([self.value(p) for p in shares])
        V = self.covariance.joint(shares)
        if not (np.isfinite(s).all() and np.isfinite(V).all() and s.sum() > 0.0):
            return None
        sizes = size_distribution(np.array(self.grid.openings), np.maximum(s, 0.0), V)
        sd = np.sqrt(np.maximum(np.diag(V), 0.0))
        passed_sd = sizes.passing_sd if sizes.passing_sd is not None else np.zeros(self.n - 1)
        passing: list[Estimate | None] = [
            (100.0 * float(p), 100.0 * float(e))
            for p, e in zip(sizes.passing, passed_sd, strict=True)
        ]
        passing.append(None)
        grades = {a.name: self._grades(k, j) for k, a in enumerate(self.survey.analytes)}
        shares_of = {
            a.name: self._distribution(k, j, shares) for k, a in enumerate(self.survey.analytes)
        }
        rows = []
        for c in range(self.n):
            low, high = self.grid.bounds((c, c))
            rows.append(
                ClassRow(
                    self.grid.label((c, c)), low, high,
                    (100.0 * float(s[c]), 100.0 * float(sd[c])), passing[c],
                    {name: found[c] for name, found in grades.items()},
                    {name: found[c] for name, found in shares_of.items()},
                )
            )  # fmt: skip
        return StreamSizes(
            self.carriers.streams[j], tuple(rows), passing_size(sizes, _P80),
            tuple(_fitted(sizes, law) for law in SizeLaw),
        )  # fmt: skip

    def _grades(self, k: int, j: int) -> list[Estimate | None]:
        """Return the grades of an analyte in the classes of a stream, in its unit."""
        if (k, j) not in self.carriers.by_class:
            return [None] * self.n
        unit = self.survey.analytes[k].unit
        first = self.carriers.classes[j]
        places = [Position(k, first + c) for c in range(self.n)]
        found = self.estimates(places, np.array([self.value(p) for p in places]), np.eye(self.n))
        return [None if e is None else (unit.from_base(e[0]), unit.from_base(e[1])) for e in found]

    def _distribution(self, k: int, j: int, shares: list[Position]) -> list[Estimate | None]:
        """Return how a stream's analyte is shared among its classes, in percent."""
        if (k, j) not in self.carriers.by_class:
            return [None] * self.n
        first, n = self.carriers.classes[j], self.n
        places = [*shares, *(Position(k, first + c) for c in range(n)), Position(k, j)]
        v = np.array([self.value(p) for p in places])
        r, x, bulk = v[:n], v[n : 2 * n], v[-1]
        if not (np.isfinite(v).all() and bulk > 0.0):
            return [None] * n
        slopes = np.zeros((n, 2 * n + 1))
        slopes[:, :n] = np.diag(x / bulk)
        slopes[:, n : 2 * n] = np.diag(r / bulk)
        slopes[:, -1] = -r * x / bulk**2
        return self.estimates(places, 100.0 * r * x / bulk, 100.0 * slopes)

    def partition(self, i: int) -> Partitioned | None:
        """Return the partition at a node; None if it does not separate, or is not known."""
        node = self.circuit.nodes[i]
        number = {name: j for j, name in enumerate(self.carriers.streams)}
        into = [number[s] for s in self.circuit.inlets(node.name)]
        out = [number[s] for s in self.circuit.outlets(node.name)]
        into, out = ([j for j in side if self.carriers.solids[j]] for side in (into, out))
        sized = all(j in self.carriers.classes for j in (*into, *out))
        if not (node.kind.separates and node.kind.keeps_sizes and sized and into and len(out) > 1):
            return None
        feed = [Position(None, self.carriers.classes[j] + c) for j in into for c in range(self.n)]
        out = self._products(out)
        if len(out) < 2:
            return None
        flows = {j: self._class_flows(j) for j in (*into, *out)}
        if not all(np.isfinite(f).all() and f.sum() > 0.0 for f in flows.values()):
            return None
        rank = np.arange(self.n)  # the product with the coarsest mean class, of equals the larger
        coarse = min(out, key=lambda j: (round(float(flows[j] @ rank / flows[j].sum()), _ALIKE),
                                         -float(flows[j].sum()), j))  # fmt: skip
        product = [Position(None, self.carriers.classes[coarse] + c) for c in range(self.n)]
        V = self.covariance.joint([*product, *feed])
        if not np.isfinite(V).all():
            return None
        total = np.kron(np.ones((1, len(into))), np.eye(self.n))  # classes of all inlets together
        J = np.block([
            [np.eye(self.n), np.zeros((self.n, len(feed)))],
            [np.zeros((self.n, self.n)), total],
        ])  # fmt: skip
        F = sum(flows[j] for j in into)
        curve = partition_curve(
            np.array(self.grid.openings), np.minimum(flows[coarse], F), F, J @ V @ J.T
        )
        sd = curve.share_sd if curve.share_sd is not None else np.full(self.n, np.nan)
        metal = {a.name: self._metal(k, coarse, into) for k, a in enumerate(self.survey.analytes)}
        rows = [
            PartitionRow(
                self.grid.label((c, c)),
                float(curve.size_um[c]) if np.isfinite(curve.size_um[c]) else None,
                (100.0 * float(curve.share[c]), 100.0 * float(sd[c]))
                if np.isfinite([curve.share[c], sd[c]]).all() else None,
                {name: found[c] for name, found in metal.items()},
            )
            for c in range(self.n)
        ]  # fmt: skip
        return Partitioned(node.name, self.carriers.streams[coarse], tuple(rows),
                           sharpness(curve), fitted_partitions(curve))  # fmt: skip

    def _products(self, out: Sequence[int]) -> list[int]:
        """Return the outlets among which a separator parts sizes.

        Without declared losses, and without streams that have the sizes of another outlet because
        the case says so: neither is a product of its own.
        """
        names = {self.carriers.streams[j] for j in out}
        alike = {s.name for s in self.circuit.streams if s.like in names}
        quantity, kept = self.survey.basis.quantity, []
        for j in out:
            flow = self.survey.measured(self.carriers.streams[j], quantity)
            declared = flow is not None and flow.error_source == DECLARED_LOSS
            if not declared and self.carriers.streams[j] not in alike:
                kept.append(j)
        return kept

    def _class_flows(self, j: int) -> Floats:
        first = self.carriers.classes[j]
        return np.asarray(self.solution.flow[first : first + self.n])

    def _metal(self, k: int, product: int, into: Sequence[int]) -> list[Estimate | None]:
        """Return what share of an analyte in each class reports to the product, in percent."""
        streams = (product, *into)
        if any((k, j) not in self.carriers.by_class for j in streams):
            return [None] * self.n
        found: list[Estimate | None] = []
        for c in range(self.n):
            at = [self.carriers.classes[j] + c for j in streams]
            places = [*(Position(None, i) for i in at), *(Position(k, i) for i in at)]
            v = np.array([self.value(p) for p in places])
            F, x = v[: len(at)], v[len(at) :]
            metal = F * x
            below = float(metal[1:].sum())
            if not (np.isfinite(v).all() and below > 0.0):
                found.append(None)
                continue
            share = metal[0] / below
            of_metal = np.full(len(at), -share / below)
            of_metal[0] = 1.0 / below
            slopes = 100.0 * np.concatenate([of_metal * x, of_metal * F])
            found += self.estimates(places, np.array([100.0 * share]), slopes[None])
        return found


def _fitted(sizes: SizeDistribution, law: SizeLaw) -> FittedLaw:
    """Return a law fitted to a distribution that has a covariance, or why there is none."""
    fit = fit_size_law(sizes, law)
    if isinstance(fit, NoFit):
        return FittedLaw(law, reason=fit.reason)
    found = [
        (float(value), float(sd))
        for value, sd in ((fit.exponent, fit.exponent_sd), (fit.size_um, fit.size_sd_um))
        if sd is not None and np.isfinite([value, sd]).all()
    ]
    if len(found) < 2:
        return FittedLaw(law, reason=f"the weighted fit of the {law} law gives no sd.")
    return FittedLaw(law, found[0], found[1], fit.chi_square, fit.dof, fit.p, fit.left_out_um,
                     fit.doubt)  # fmt: skip
