"""Hard balance problems by seed: a random circuit with a true balance, and a survey of it.

The survey may be incomplete, imprecise and wrong.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from oretally.flowsheet import BalanceProblem

Floats = NDArray[np.float64]
Ints = NDArray[np.intp]
Edge = tuple[int, int]  # from node, to node

OUTSIDE = -1
LEVELS = tuple(
    itertools.product(
        (0.0, 0.1, 0.3, 0.6),  # share of grades missing
        (0.0, 0.5, 0.9),  # share of flows missing
        (0.03, 0.15, 0.4),  # relative sd
        (False, True),  # flows over six decades
        (False, True),  # trace analytes
        (0, 0, 0, 1, 2, 3),  # gross errors
    )
)


@dataclass(frozen=True, eq=False)
class HardProblem:
    """A balance problem with the circuit, the truth and the survey it comes from.

    Attributes
    ----------
    seed : int
    problem : BalanceProblem
    edges : tuple of (int, int)
        From node and to node of each stream; OUTSIDE for none.
    splitters : tuple of int
        Nodes whose outlets have equal grades.
    true_flow, true_grade : ndarray
    grades_missing, flows_missing, sd : float
        Shares of the values that are missing, and the relative sd.
    wide, trace : bool
        Flows over six decades; some analytes at 1e-6.
    gross : tuple of str
        The gross errors, in words.
    """

    seed: int
    problem: BalanceProblem
    edges: tuple[Edge, ...]
    splitters: tuple[int, ...]
    true_flow: Floats
    true_grade: Floats
    grades_missing: float
    flows_missing: float
    sd: float
    wide: bool
    trace: bool
    gross: tuple[str, ...]

    @property
    def description(self) -> str:
        """What the problem is, in one line."""
        nodes = self.problem.flow_balance.shape[0]
        words = [
            f"{self.problem.n_carriers} streams, {nodes} nodes, {self.problem.n_analytes} analytes",
            f"{len(self.splitters)} splitters",
            f"{self.grades_missing:.0%} of grades and {self.flows_missing:.0%} of flows missing",
            f"sd {self.sd:.0%}",
        ]
        words += ["wide flows"] * self.wide + ["trace grades"] * self.trace
        return ", ".join([*words, *self.gross])


def hard_problem(seed: int) -> HardProblem:
    """Return the problem of a seed; 864 seeds in a row have every combination of LEVELS."""
    order = np.random.default_rng(864).permutation(len(LEVELS))
    grades_missing, flows_missing, sd, wide, trace, n_gross = LEVELS[order[seed % len(LEVELS)]]
    rng = np.random.default_rng([seed, 20250])
    edges, n_nodes, mixers = _circuit(rng, n_streams=int(rng.integers(8, 51)))
    outlets = [[j for j, edge in enumerate(edges) if edge[0] == i] for i in range(n_nodes)]
    splitters = tuple(
        i for i in range(n_nodes) if i not in mixers and len(outlets[i]) > 1 and rng.random() < 0.25
    )
    n, K = len(edges), int(rng.integers(1, 9))
    flow, shares = _true_flows(rng, edges, outlets, 6.0 if wide else 2.0)
    level = 10.0 ** rng.uniform(-2.5, -1.0, K)
    if trace:
        level[rng.random(K) < 0.5] = 1e-6
        level[0] = 1e-6
    grade = np.array([_true_grades(rng, edges, outlets, splitters, flow, shares, g) for g in level])

    measured_flow = _noisy(rng, flow, sd)
    measured_grade = _noisy(rng, grade, sd)
    _drop(rng, measured_flow, flow, flows_missing)
    for k in range(K):
        _drop(rng, measured_grade[k], grade[k], grades_missing)
    gross = tuple(_gross_error(rng, measured_flow, measured_grade) for _ in range(n_gross))
    A = np.zeros((n_nodes, n))
    for j, (source, target) in enumerate(edges):
        if source != OUTSIDE:
            A[source, j] = -1.0
        if target != OUTSIDE:
            A[target, j] = 1.0
    tie = np.arange(n)
    for i in splitters:
        tie[outlets[i]] = min(outlets[i])
    zero, rows = np.zeros(n_nodes), sparse.csr_array(A)
    problem = BalanceProblem(
        flow_balance=rows,
        flow_source=zero,
        analyte_balance=(rows,) * K,
        analyte_source=(zero,) * K,
        tie=tie,
        flow=measured_flow,
        flow_sd=np.where(np.isnan(measured_flow), np.nan, sd * flow),
        flow_lower=np.zeros(n),
        grade=measured_grade,
        grade_sd=np.where(np.isnan(measured_grade), np.nan, sd * grade),
        grade_lower=np.zeros((K, n)),
        grade_upper=np.ones((K, n)),
    )
    return HardProblem(
        seed, problem, edges, splitters, flow, grade,
        grades_missing, flows_missing, sd, wide, trace, gross,
    )  # fmt: skip


def _circuit(rng: np.random.Generator, n_streams: int) -> tuple[tuple[Edge, ...], int, set[int]]:
    """Return the streams, the number of nodes and the nodes that have one outlet only.

    A tree from the feed comes first, with a product at each of its ends; what is added are
    products, feeds, recycles, bypasses and parallel streams.
    """
    n_nodes = int(rng.integers(n_streams // 4 + 1, n_streams // 2 + 1))
    mixers = {i for i in range(1, n_nodes) if rng.random() < 0.2}
    edges: list[Edge] = [(OUTSIDE, 0)]
    full: set[int] = set()
    for i in range(1, n_nodes):
        near = [j for j in range(max(0, i - 3), i) if j not in full]
        parent = i - 1 if rng.random() < 0.6 else int(rng.choice(near))
        edges.append((parent, i))
        if parent in mixers:
            full.add(parent)
    edges += [(i, OUTSIDE) for i in range(n_nodes) if all(source != i for source, _ in edges)]
    open_ended = [i for i in range(n_nodes) if i not in mixers]
    while len(edges) < n_streams:
        kind = str(rng.choice(["product", "feed", "recycle", "bypass", "parallel"],
                              p=[0.25, 0.12, 0.33, 0.18, 0.12]))  # fmt: skip
        i = int(rng.choice(open_ended))
        if kind == "product":
            edges.append((i, OUTSIDE))
        elif kind == "feed":
            edges.append((OUTSIDE, int(rng.integers(n_nodes))))
        elif kind == "parallel":
            between = [e for e in edges if e[0] in open_ended and e[1] != OUTSIDE]
            if between:
                edges.append(between[int(rng.integers(len(between)))])
        else:
            targets = range(i) if kind == "recycle" else range(i + 1, n_nodes)
            if len(targets):
                edges.append((i, int(rng.choice(targets))))
    return tuple(edges), n_nodes, mixers


def _true_flows(
    rng: np.random.Generator, edges: tuple[Edge, ...], outlets: list[list[int]], decades: float
) -> tuple[Floats, Floats]:
    """Return flows in balance that span so many decades, and each stream's share of its node."""
    draw = rng.standard_normal(len(edges))

    def flows(spread: float) -> tuple[Floats, Floats]:
        shares = np.exp(spread * draw)
        for streams in outlets:
            shares[streams] /= shares[streams].sum()
        feeds = np.array([source == OUTSIDE for source, _ in edges])
        return _passed_on(edges, shares, np.where(feeds, shares, 0.0)), shares

    low, high = 0.0, 12.0
    for _ in range(40):
        spread = 0.5 * (low + high)
        flow, _ = flows(spread)
        fits = flow.min() > 0.0 and np.log10(flow.max() / flow.min()) <= decades
        low, high = (spread, high) if fits else (low, spread)
    flow, shares = flows(low)
    return flow * 100.0 / flow[0], shares


def _true_grades(
    rng: np.random.Generator,
    edges: tuple[Edge, ...],
    outlets: list[list[int]],
    splitters: tuple[int, ...],
    flow: Floats,
    shares: Floats,
    level: float,
) -> Floats:
    """Return grades in balance, about a level; equal behind a splitter."""
    shares = shares.copy()
    for i, streams in enumerate(outlets):
        if i not in splitters and len(streams) > 1:
            shares[streams] *= rng.lognormal(0.0, 1.0, len(streams))
            shares[streams] /= shares[streams].sum()
    feeds = np.array([source == OUTSIDE for source, _ in edges])
    given = np.where(feeds, flow * level * rng.lognormal(0.0, 0.5, len(edges)), 0.0)
    grade = _passed_on(edges, shares, given) / flow
    return np.asarray(grade * min(1.0, rng.uniform(0.5, 0.95) / grade.max()))


def _passed_on(edges: tuple[Edge, ...], shares: Floats, given: Floats) -> Floats:
    """Return the steady state in which each outlet takes its share of what enters its node."""
    system = np.eye(len(edges))
    for j, (source, _) in enumerate(edges):
        if source != OUTSIDE:
            system[j, [i for i, (_, target) in enumerate(edges) if target == source]] -= shares[j]
    return np.asarray(np.linalg.solve(system, given))


def _noisy(rng: np.random.Generator, true: Floats, sd: float) -> Floats:
    return np.asarray(np.maximum(true * (1.0 + sd * rng.standard_normal(true.shape)), 0.0))


def _drop(rng: np.random.Generator, measured: Floats, true: Floats, share: float) -> None:
    """Take a share of the values away; one that is not zero stays."""
    kept = int(rng.integers(true.size))
    measured[rng.random(true.size) < share] = np.nan
    if not (measured > 0.0).any():
        measured[kept] = true[kept]


def _gross_error(rng: np.random.Generator, flow: Floats, grade: Floats) -> str:
    """Make one measured value wrong, or swap two; say which."""
    k = int(rng.integers(-1, len(grade)))
    values, name = (flow, "flow") if k < 0 else (grade[k], f"grade {k}")
    seen = np.flatnonzero(values > 0.0)
    kind = int(rng.integers(3))
    if kind == 2 and seen.size > 1:
        a, b = rng.choice(seen, 2, replace=False)
        values[[a, b]] = values[[b, a]]
        return f"{name} of {a} and {b} swapped"
    j, factor = int(rng.choice(seen)), 10.0 if kind == 1 else 3.0
    values[j] *= factor
    if k >= 0:
        values[j] = min(values[j], 1.0)
    return f"{name} of {j} times {factor:.0f}"
