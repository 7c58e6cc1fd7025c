"""Hard balance problems by seed, an independent optimiser for them, and a study of both.

    python tests/hard_problems.py [--first 0] [--last 200] [--starts 8] [--ours 8] [--json FILE]

A problem is a random circuit with a true balance, and a survey of it that may be incomplete,
imprecise and wrong. The optimiser is IPOPT on the same arrays: all flows and grades at once,
nothing eliminated, many starts; each of its results is put exactly into balance before it counts,
so that a small stream cannot gain from a large one's tolerance.
"""

from __future__ import annotations

import argparse
import itertools
import json
import multiprocessing
import time
import warnings
from collections import Counter
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from oretally.flowsheet import BalanceProblem
from oretally.recon.solver import Solution, StopReason, solve

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
CLOSED = 1e-10  # largest residual of a balance, as a share of what passes the node
FEASIBLE = 1e-8  # the same for the other optimiser
SAME = 1e-6  # objectives closer than this, relative and absolute, are equal
FINITE = 1e6  # an optimum with flows beyond this many times the largest measured is none


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


def imbalance(problem: BalanceProblem, flow: Floats, grade: Floats) -> float:
    """Return the largest residual of all balances, as a share of what passes the node.

    Where next to nothing of an analyte passes, a millionth of what the analyte's largest grade
    would carry through the node takes its place.
    """
    A = problem.flow_balance.toarray()
    passing = 0.5 * np.abs(A) @ flow
    worst = _share(np.abs(A @ flow), passing)
    for B, x in zip((b.toarray() for b in problem.analyte_balance), grade, strict=True):
        carried = np.where(flow > 0.0, flow * x, 0.0)
        least = 1e-6 * float(np.nanmax(x, initial=0.0)) * passing
        worst = max(
            worst, _share(np.abs(B @ carried), np.maximum(0.5 * np.abs(B) @ carried, least))
        )
    return worst


def _share(part: Floats, whole: Floats) -> float:
    return float((part / np.where(whole > 0.0, whole, 1.0)).max(initial=0.0))


def objective(problem: BalanceProblem, flow: Floats, grade: Floats) -> float:
    """Return the sum of squared adjustments in sd units.

    A stopped stream has its tied streams' grade; with none of them running, what fits them best.
    """
    total = float(np.nansum(((flow - problem.flow) / problem.flow_sd) ** 2))
    for x, measured, sd in zip(grade, problem.grade, problem.grade_sd, strict=True):
        whole = x.copy()
        for label in np.unique(problem.tie[np.isnan(x)]):
            members = np.flatnonzero(problem.tie == label)
            known = members[~np.isnan(x[members])]
            seen = members[~np.isnan(measured[members])]
            if known.size:
                whole[members] = x[known[0]]
            elif seen.size:
                weight = sd[seen] ** -2.0
                whole[members] = np.clip(weight @ measured[seen] / weight.sum(), 0.0, 1.0)
        total += float(np.nansum(((whole - measured) / sd) ** 2))
    return total


@dataclass(frozen=True)
class Rival:
    """What the independent optimiser found.

    Attributes
    ----------
    objective : float or None
        The least of the results in balance; None without one.
    largest_flow : float
        In units of the largest measured flow.
    feasible, succeeded : int
        Starts that ended in balance, and those of them at which IPOPT claims an optimum.
    agreeing : int
        Starts that reached the best objective.
    said : str
        IPOPT's last word at the best result, or its words if there is none.
    """

    objective: float | None
    largest_flow: float
    feasible: int
    succeeded: int
    agreeing: int
    said: str

    @property
    def finite(self) -> bool:
        """Whether there is an optimum with finite flows."""
        return self.objective is not None and self.largest_flow < FINITE


class WholeProblem:
    """All flows and grades as one vector of unknowns; tied grades are one unknown.

    Flows in units of the largest measured one, each analyte's grades in units of its largest.
    """

    def __init__(self, problem: BalanceProblem) -> None:
        self.p = p = problem
        self.f = float(np.nanmax(p.flow))
        self.g = np.nanmax(p.grade, axis=1, keepdims=True)
        self.n, self.K = p.n_carriers, p.n_analytes
        labels, self.member = np.unique(p.tie, return_inverse=True)
        self.m = labels.size
        upper = np.array([[row[p.tie == t].min() for t in labels] for row in p.grade_upper])
        self.upper = np.concatenate([np.full(self.n, np.inf), (upper / self.g).ravel()])

    def split(self, z: Floats) -> tuple[Floats, Floats]:
        """Return flows and grades in the units of the problem."""
        x = z[self.n :].reshape(self.K, self.m)[:, self.member]
        return z[: self.n] * self.f, x * self.g

    def first_start(self) -> Floats:
        """Measured values, elsewhere the mean of what is measured."""
        F = self.p.flow / self.f
        x = np.full((self.K, self.m), np.nan)
        for i in range(self.m):
            seen = self.p.grade[:, self.member == i] / self.g
            some = np.isfinite(seen).any(axis=1)
            x[some, i] = np.nanmean(seen[some], axis=1)
        x = np.where(np.isfinite(x), x, np.nanmean(self.p.grade / self.g, axis=1, keepdims=True))
        return np.concatenate([np.where(np.isfinite(F), F, np.nanmean(F)), x.ravel()])

    def in_balance(self, z: Floats) -> Floats:
        """Return the point by the smallest relative changes that close the balances."""
        A = self.p.flow_balance.toarray()
        z = np.clip(z, 0.0, self.upper)
        for _ in range(6):
            F, x = z[: self.n], z[self.n :].reshape(self.K, self.m)
            passing = np.maximum(0.5 * np.abs(A) @ F, 1e-300)[:, None]
            rows, residual = [np.hstack([A * F / passing, np.zeros((len(A), self.K * self.m))])], []
            residual.append(A @ F / passing[:, 0])
            for k, B in enumerate(b.toarray() for b in self.p.analyte_balance):
                terms = B * (F * x[k, self.member])
                size = np.maximum(0.5 * np.abs(terms).sum(axis=1, keepdims=True), 1e-9 * passing)
                row = np.zeros((len(B), z.size))
                row[:, : self.n] = terms / size
                by_grade = np.zeros((len(B), self.m))
                np.add.at(by_grade.T, self.member, (terms / size).T)
                start = self.n + k * self.m
                row[:, start : start + self.m] = by_grade
                rows.append(row)
                residual.append(terms.sum(axis=1) / size[:, 0])
            c = np.concatenate(residual)
            if np.abs(c).max() < 1e-13:
                break
            change = np.linalg.lstsq(np.vstack(rows), -c, rcond=1e-13)[0]
            z = z * np.maximum(1.0 + change, 0.1)
        return z


def rival(problem: BalanceProblem, starts: int, seed: int = 0) -> Rival:
    """Return the best that IPOPT finds from so many starts."""
    import casadi as ca

    w = WholeProblem(problem)
    F, x = ca.SX.sym("F", w.n), [ca.SX.sym(f"x{k}", w.m) for k in range(w.K)]
    A = ca.DM(problem.flow_balance.toarray())
    A = ca.sparsify(A)
    seen = np.flatnonzero(np.isfinite(problem.flow))
    cost = ca.sumsqr((F[seen.tolist()] * w.f - problem.flow[seen]) / problem.flow_sd[seen])
    balances = [ca.mtimes(A, F)]
    for k in range(w.K):
        seen = np.flatnonzero(np.isfinite(problem.grade[k]))
        whole = x[k][w.member.tolist()]
        off = whole[seen.tolist()] * float(w.g[k, 0]) - problem.grade[k, seen]
        cost += ca.sumsqr(off / problem.grade_sd[k, seen])
        balances.append(ca.mtimes(A, F * whole))
    options: dict[str, Any] = {
        "ipopt.print_level": 0,
        "ipopt.sb": "yes",
        "print_time": False,
        "show_eval_warnings": False,
        "ipopt.tol": 1e-10,
        "ipopt.constr_viol_tol": 1e-12,
        "ipopt.bound_relax_factor": 0.0,
        "ipopt.max_iter": 400,
    }
    program = {"x": ca.vertcat(F, *x), "f": cost, "g": ca.vertcat(*balances)}
    solver = ca.nlpsol("balance", "ipopt", program, options)
    rng = np.random.default_rng([seed, 8])
    first = w.first_start()
    found: list[tuple[float, float, bool, str]] = []
    words: Counter[str] = Counter()
    for start in range(starts):
        spread = 0.0 if start == 0 else 0.3 if start % 2 else 1.0
        z0 = np.minimum(first * rng.lognormal(0.0, spread, first.size), w.upper)
        result = solver(x0=z0, lbx=0.0, ubx=w.upper, lbg=0.0, ubg=0.0)
        said = str(solver.stats()["return_status"])
        words[said] += 1
        z = np.asarray(result["x"], dtype=float).ravel()
        if not np.isfinite(z).all():
            continue
        z = w.in_balance(z)
        if imbalance(problem, *w.split(z)) <= FEASIBLE and (z <= w.upper * (1.0 + FEASIBLE)).all():
            succeeded = said in ("Solve_Succeeded", "Solved_To_Acceptable_Level")
            value = objective(problem, *w.split(z))
            found.append((value, float(z[: w.n].max()), succeeded, said))
    if not found:
        return Rival(None, np.inf, 0, 0, 0, ", ".join(f"{n} {said}" for said, n in words.items()))
    best = min(found)
    return Rival(
        best[0],
        best[1],
        len(found),
        sum(each[2] for each in found),
        sum(each[0] <= best[0] + SAME * (1.0 + best[0]) for each in found),
        best[3],
    )


def broken_promises(problem: BalanceProblem, found: Solution) -> list[str]:
    """Return what a solution says that is not so, recomputed from its flows and grades."""
    if not isinstance(found.status, StopReason):
        return ["the status is no StopReason"]
    if not found.converged:
        good = (StopReason.OPTIMUM, StopReason.ROUNDING, StopReason.STOPPED)
        return ["not converged, but a good status"] if found.status in good else []
    flow, grade = found.flow, found.grade
    wrong = []
    if not np.isfinite(flow).all() or (flow < 0.0).any():
        wrong.append("flows below 0 or not finite")
    if (np.isnan(grade) & (flow != 0.0)).any():
        wrong.append("no grade for a stream that flows")
    if (np.nan_to_num(grade) < problem.grade_lower).any():
        wrong.append(f"a grade of {np.nanmin(grade)}")
    if (np.nan_to_num(grade) > problem.grade_upper).any():
        wrong.append(f"a grade of {np.nanmax(grade)}")
    for label in np.unique(problem.tie):
        tied = grade[:, (problem.tie == label) & (flow > 0.0)]
        if tied.size and (np.abs(tied - tied[:, :1]) > 1e-12 * np.abs(tied[:, :1])).any():
            wrong.append("tied grades differ")
    open_by = imbalance(problem, flow, grade)
    if not open_by <= CLOSED:
        wrong.append(f"a balance open by {open_by:.1e}, {found.max_imbalance:.1e} said")
    value = objective(problem, flow, grade)
    if not abs(value - found.objective) <= 1e-8 * value + 1e-9:
        wrong.append(f"objective {found.objective:.12g}, from its values {value:.12g}")
    return wrong


@dataclass(frozen=True)
class Outcome:
    """How one seed went.

    Attributes
    ----------
    verdict : str
        "ok"; "error"; "broken": a promise is; "worse" than the rival; "flagged": not converged, and
        said so, but not worse; "unconverged" and worse; "no optimum": the same where the rival
        found no finite optimum either.
    """

    seed: int
    description: str
    verdict: str
    said: str
    converged: bool
    ours: float | None
    theirs: Rival | None
    seconds: float
    their_seconds: float

    @property
    def failed(self) -> bool:
        """Whether the seed counts as a failure."""
        return self.verdict not in ("ok", "flagged", "no optimum")

    @property
    def line(self) -> str:
        """The outcome in one line."""
        ours = "-" if self.ours is None else f"{self.ours:.9g}"
        text = f"{self.seed:5} {self.verdict:12} ours {ours}"
        if self.theirs is not None:
            best = self.theirs.objective
            text += f", theirs {'-' if best is None else f'{best:.9g}'}"
            text += f" (largest flow {self.theirs.largest_flow:.2g}; {self.theirs.said};"
            text += f" {self.theirs.agreeing} of {self.theirs.feasible} starts)"
        return f"{text}: {self.said} [{self.description}]"


def examine(seed: int, starts: int, ours: int | None = None) -> Outcome:
    """Solve the problem of a seed, check what is promised, compare with so many starts.

    ``ours`` is the number of our own starts; None for what a user gets who asks for none.
    """
    hard = hard_problem(seed)
    began = time.perf_counter()
    found, error = None, ""
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            found = solve(hard.problem, ours)
        except Exception as raised:  # any of them is what the study looks for
            error = f"{type(raised).__name__}: {raised}"
    seconds = time.perf_counter() - began
    began = time.perf_counter()
    theirs = rival(hard.problem, starts, seed) if starts else None
    outcome = Outcome(
        seed, hard.description, "error", error, False, None, theirs,
        seconds, time.perf_counter() - began,
    )  # fmt: skip
    if found is None:
        return outcome
    outcome = replace(
        outcome, verdict="ok", said=str(found.status), converged=found.converged,
        ours=found.objective,
    )  # fmt: skip
    wrong = broken_promises(hard.problem, found)
    if wrong:
        return replace(outcome, verdict="broken", said="; ".join([outcome.said, *wrong]))
    best = np.inf if theirs is None or theirs.objective is None else theirs.objective
    worse = found.objective > best * (1.0 + SAME) + SAME
    if not found.converged:
        none = theirs is not None and not theirs.finite
        verdict = "flagged" if not worse else "no optimum" if none else "unconverged"
        return replace(outcome, verdict=verdict)
    return replace(outcome, verdict="worse") if worse else outcome


def _examine(task: tuple[int, int, int | None]) -> Outcome:
    return examine(*task)


def study(
    seeds: Iterable[int], starts: int, ours: int | None = None, workers: int = 2
) -> Iterable[Outcome]:
    """Yield the outcome of each seed, in order, from new processes."""
    with multiprocessing.get_context("spawn").Pool(workers) as pool:
        yield from pool.imap(_examine, [(seed, starts, ours) for seed in seeds])


def totals(outcomes: list[Outcome]) -> str:
    """Return the counts and times of many outcomes in words."""
    counts = Counter(each.verdict for each in outcomes)
    judged = [each for each in outcomes if each.verdict != "no optimum"]
    failed = sum(each.failed for each in judged)
    lines = [
        ", ".join(f"{verdict}: {n}" for verdict, n in counts.most_common()),
        f"not worse: {1.0 - failed / max(len(judged), 1):.2%} of {len(judged)}",
    ]
    rivals = [each.theirs for each in outcomes if each.theirs is not None]
    if rivals:
        best = [(e.ours, e.theirs.objective) for e in outcomes
                if e.theirs is not None and e.theirs.objective is not None
                and e.converged and e.ours is not None]  # fmt: skip
        lost = sum(theirs > ours * (1.0 + SAME) + SAME for ours, theirs in best)
        lines.append(
            f"IPOPT: nothing in balance {sum(r.objective is None for r in rivals)}, "
            f"no finite optimum {sum(not r.finite for r in rivals)}, "
            f"no start succeeded {sum(r.succeeded == 0 for r in rivals)}, "
            f"worse than ours {lost} of {len(best)}"
        )
    for name, values in (
        ("ours", [each.seconds for each in outcomes]),
        ("theirs", [each.their_seconds for each in outcomes]),
    ):
        lines.append(
            f"seconds, {name}: median {np.median(values):.3f}, "
            f"mean {np.mean(values):.3f}, longest {np.max(values):.3f}"
        )
    return "\n".join(lines)


def main() -> None:
    """Study a range of seeds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--last", type=int, default=200, help="the seed after the last one")
    parser.add_argument("--starts", type=int, default=8, help="starts of IPOPT; 0 for no IPOPT")
    parser.add_argument("--ours", type=int, help="our own starts; without it what a user gets")
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    outcomes = []
    for outcome in study(range(asked.first, asked.last), asked.starts, asked.ours, asked.workers):
        outcomes.append(outcome)
        if outcome.verdict != "ok":
            print(outcome.line, flush=True)
    print(totals(outcomes))
    if asked.json:
        found = [asdict(each) for each in outcomes]
        asked.json.write_text(json.dumps(found, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
