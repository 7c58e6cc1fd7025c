"""Seeded plant-like circuits of any size, as arrays, for the benchmarks."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
import scipy.sparse as sparse
from numpy.typing import NDArray
from scipy.sparse.linalg import splu

from oretally.flowsheet import BalanceProblem

__all__ = ["Plant", "plant", "surveys"]

Floats = NDArray[np.float64]

BANK, LINES, BANKS = 7, 2, 3  # streams of a bank; lines of a section, banks of a line
SECTION = 4 + LINES + BANK * LINES * BANKS
DENSE = 400  # up to this many streams the balances are a dense array
OUTSIDE = -1
RICHEST = 0.5  # grade that no stream exceeds


@dataclass(eq=False)
class _Layout:
    """Streams as they are drawn: where from, where to, and the share of its separator's feed.

    Shares are relative: those of a separator's outlets are divided by their sum.
    """

    rng: np.random.Generator
    source: list[int] = field(default_factory=list)
    target: list[int] = field(default_factory=list)
    share: list[float] = field(default_factory=list)
    rich: list[float] = field(default_factory=list)  # 1 for a concentrate, 0 for tails
    n_nodes: int = 0

    def node(self) -> int:
        self.n_nodes += 1
        return self.n_nodes - 1

    def stream(self, source: int, target: int, share: float = 1.0, rich: float = 0.0) -> int:
        self.source.append(source)
        self.target.append(target)
        self.share.append(share)
        self.rich.append(rich)
        return len(self.source) - 1

    def separator(self, low: float, high: float, product: int, tails: int) -> tuple[int, int, int]:
        """Add a separator; return it, its product and its tails."""
        node, share = self.node(), self.rng.uniform(low, high)
        return (
            node,
            self.stream(node, product, share, rich=1.0),
            self.stream(node, tails, 1.0 - share),
        )

    def bank(self, inlet: int) -> tuple[int, int]:
        """Feed a bank with a stream; return its concentrate and its tails.

        Cleaner tails and scavenger concentrate go back to the mixer before the rougher.
        """
        mixer = self.node()
        self.target[inlet] = mixer
        rougher, rough, rest = self.separator(0.15, 0.3, OUTSIDE, OUTSIDE)
        self.stream(mixer, rougher)
        self.target[rough], concentrate, _ = self.separator(0.4, 0.6, OUTSIDE, mixer)
        self.target[rest], _, tails = self.separator(0.08, 0.2, mixer, OUTSIDE)
        return concentrate, tails

    def section(self, inlet: int) -> tuple[int, int]:
        """Feed a section with fresh ore and a stream; return its concentrate and its tails.

        Parallel lines of banks, each fed with the tails of the one before.
        """
        mixer = self.node()
        self.target[inlet] = mixer
        self.stream(OUTSIDE, mixer)
        concentrates, ends = self.node(), self.node()
        spread, *inlets = self.separator(0.4, 0.6, OUTSIDE, OUTSIDE)
        self.stream(mixer, spread)
        for at in inlets:
            for _ in range(BANKS):
                concentrate, at = self.bank(at)
                self.target[concentrate] = concentrates
            self.target[at] = ends
        return self.stream(concentrates, OUTSIDE), self.stream(ends, OUTSIDE)


@dataclass(frozen=True, eq=False)
class Plant:
    """A circuit in its true steady state: flows of streams, grades of analytes in streams."""

    incidence: Any
    flow: Floats
    grade: Floats
    feeds: NDArray[np.intp]

    @classmethod
    def drawn(cls, n_streams: int, n_analytes: int, rng: np.random.Generator) -> Plant:
        """Lay out a plant of exactly so many streams (at least 3) and find its steady state."""
        drawn = _laid_out(n_streams, rng)
        source, target = np.array(drawn.source), np.array(drawn.target)
        feeds = np.flatnonzero(source == OUTSIDE)
        n, streams = source.size, np.arange(source.size)
        rows, columns = np.concatenate([target, source]), np.tile(streams, 2)
        signs = np.repeat([1.0, -1.0], n)
        inside = rows != OUTSIDE
        incidence = sparse.csr_matrix(
            (signs[inside], (rows[inside], columns[inside])), shape=(drawn.n_nodes, n)
        )
        into, out_of = incidence.maximum(0).tocsr(), (-incidence).maximum(0).T.tocsr()

        def settled(share: Floats, fed: Floats) -> Floats:
            """Return what each stream carries when a node's outlets share what comes in."""
            whole = np.bincount(source[source >= 0], share[source >= 0], drawn.n_nodes)
            part = np.where(source >= 0, share / whole[source], 0.0)
            passed = sparse.diags_array(part) @ out_of @ into
            amount: Floats = splu((sparse.eye_array(n) - passed).tocsc()).solve(fed)
            return amount

        share, rich = np.array(drawn.share), np.array(drawn.rich)
        fed = np.zeros(n)
        fed[feeds] = rng.uniform(80.0, 120.0, feeds.size)
        flow = settled(share, fed)
        grade = np.empty((n_analytes, n))
        for k in range(n_analytes):
            # how much more of the analyte than of the gangue goes to the concentrate
            pull = rng.uniform(0.3, 1.2) * (1.0 if rng.random() < 0.8 else -0.5)
            recovery = share * np.exp(rich * (pull + 0.2 * rng.standard_normal(n)))
            fresh = np.zeros(n)
            fresh[feeds] = rng.uniform(0.005, 0.02) * rng.uniform(0.7, 1.4, feeds.size)
            grade[k] = settled(recovery, fed * fresh) / flow
        grade *= np.minimum(1.0, RICHEST / grade.max(axis=1, initial=0.0, keepdims=True))
        return cls(incidence, flow, grade, feeds)

    def measured(self, flow: Floats, grade: Floats, noise: float) -> BalanceProblem:
        """Return the problem of a survey of this plant; NaN where nothing is measured."""
        A = self.incidence if self.flow.size > DENSE else self.incidence.toarray()
        K, zero = len(grade), np.zeros(A.shape[0])
        return BalanceProblem(
            flow_balance=A,
            flow_source=zero,
            analyte_balance=(A,) * K,
            analyte_source=(zero,) * K,
            tie=np.arange(flow.size),
            flow=flow,
            flow_sd=np.where(np.isfinite(flow), noise * self.flow, np.nan),
            flow_lower=np.zeros(flow.size),
            grade=grade,
            grade_sd=np.where(np.isfinite(grade), noise * self.grade, np.nan),
            grade_lower=np.zeros_like(grade),
            grade_upper=np.ones_like(grade),
        )


def _laid_out(n_streams: int, rng: np.random.Generator) -> _Layout:
    """Draw sections, each fed with the concentrate of the one before; then banks on the tails.

    The last few streams are separators on the tails and a third outlet of the last one.
    """
    drawn = _Layout(rng)
    concentrate = tails = drawn.stream(OUTSIDE, OUTSIDE)
    while n_streams - len(drawn.source) >= SECTION:
        concentrate, tails = drawn.section(concentrate)
    while n_streams - len(drawn.source) >= BANK:
        _, tails = drawn.bank(tails)
    while n_streams - len(drawn.source) >= 2:
        drawn.target[tails], _, tails = drawn.separator(0.15, 0.4, OUTSIDE, OUTSIDE)
    if n_streams > len(drawn.source):
        drawn.stream(drawn.source[tails], OUTSIDE, 0.2, rich=0.5)
    return drawn


def plant(
    n_streams: int,
    n_analytes: int,
    *,
    flows_missing: float = 0.0,
    grades_missing: float = 0.0,
    noise: float = 0.02,
    seed: int = 1,
) -> BalanceProblem:
    """Return a survey of a plant: banks of rougher, cleaner and scavenger in parallel lines.

    Parameters
    ----------
    n_streams, n_analytes : int
        Exact; at least 3 streams.
    flows_missing, grades_missing : float
        Shares not measured; the flows of the feeds always are.
    noise : float
        Relative sd of every measurement.
    seed : int

    Returns
    -------
    BalanceProblem
        All analytes share one array of balances, sparse beyond 400 streams.
    """
    rng = np.random.default_rng(seed)
    true = Plant.drawn(n_streams, n_analytes, rng)
    flow = true.flow * (1.0 + noise * rng.standard_normal(true.flow.shape))
    grade = true.grade * (1.0 + noise * rng.standard_normal(true.grade.shape))
    lost = rng.random(flow.size) < flows_missing
    lost[true.feeds] = False  # the feeds keep the scale
    flow[lost] = np.nan
    grade[rng.random(grade.shape) < grades_missing] = np.nan
    return true.measured(flow, grade, noise)


def surveys(
    n_streams: int, n_analytes: int, n_surveys: int, *, noise: float = 0.02, seed: int = 1
) -> tuple[BalanceProblem, Floats, Floats]:
    """Return a survey of a plant, and the flows and grades measured in many surveys of it."""
    rng = np.random.default_rng(seed)
    true = Plant.drawn(n_streams, n_analytes, rng)
    flows = true.flow * (1.0 + noise * rng.standard_normal((n_surveys, *true.flow.shape)))
    grades = true.grade * (1.0 + noise * rng.standard_normal((n_surveys, *true.grade.shape)))
    return true.measured(flows[0], grades[0], noise), flows, grades
