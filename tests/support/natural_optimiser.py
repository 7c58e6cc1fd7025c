"""The least sum of squares of a survey by IPOPT, in the amounts that a plant has.

Unknown beside the amounts (see `natural_problem`): a factor for each stack of sieves; a share for
each outlet of a splitter; a number for each shared source of error; and each measured ratio x, tied
to the amounts by above - x below = 0: a stream that stops has no ratios, so that its readings cost
nothing. Streams alike have their ratios in common. What was sieved was there, a millionth of the
largest measured flow at least: its stack counts though the stream stops.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, NamedTuple

import numpy as np
from natural_problem import Natural, Part, Sets
from numpy.typing import NDArray
from sound_plants import Amounts

from oretally.flowsheet import Circuit, Measurement, NodeKind, Survey
from oretally.flowsheet.survey import Kind

__all__ = ["CLOSED", "Minimum", "Program", "best_of", "first_amounts", "ipopt_minimum"]

Floats = NDArray[np.float64]
CLOSED = 1e-8  # largest residual of a balance, as a share of what passes the node, that counts
_SIEVED = 1e-6  # of the largest measured flow: what a sieved stream had at least
_STILL = 1e-6  # of a typical amount: what may as well be nothing
_MANY = 30.0  # times the largest of typical flows: a recycle that grows without limit
_SECONDS = 600.0  # of processor time for one start: what ends it is the count of its steps


class Minimum(NamedTuple):
    """What IPOPT found: the best of the starts whose balances close.

    Where a recycle that grows without limit fits best, no finite amounts do: ``objective`` is then
    that of the best finite ones found, and ``limit`` what it falls towards.
    """

    objective: float
    feasible: bool
    status: str
    amounts: Mapping[str, Mapping[Part, float]]
    limit: float = np.inf


class Found(NamedTuple):
    """What came of one start."""

    objective: float
    status: str
    open_by: float
    amounts: Floats

    def better_than(self, other: Found) -> bool:
        return self.open_by < CLOSED and self.objective < other.objective


class Program:
    """The nonlinear program of one problem, with amounts in units of some typical ones."""

    def __init__(self, natural: Natural, typical: Floats) -> None:
        import casadi

        self.natural = self.n = natural
        self.ca: Any = casadi
        kinds = [p[:2] for _, p in natural.keys]
        mean = {kind: np.mean([t for t, o in zip(typical, kinds, strict=True) if o == kind])
                for kind in set(kinds)}  # fmt: skip
        self.scale = np.array([max(t, 1e-4 * mean[kind], 1e-30)
                               for t, kind in zip(typical, kinds, strict=True)])  # fmt: skip
        self.y = self.ca.SX.sym("y", len(natural.keys))
        self.more: list[Any] = []  # unknowns beside the amounts, with their starts and bounds
        self.start: list[Any] = []
        self.low, self.high = list[float](), list[float]()
        self.rows: list[Any] = []
        self.ties: list[Any] = []  # those of the rows that define a ratio
        self.least: list[Any] = []  # at least 0
        self.residuals: list[Any] = []
        for row in natural.balances:
            size = max(self.scale[i] for i in row)
            self.rows.append(sum(v * self.amount([i]) for i, v in row.items()) / size)
        groups, self.alike = natural.alike()
        for group in groups:
            self._proportion(group)
        self.ratios: dict[object, Any] = {}
        self._thickeners()
        self._limits()
        self.u = {s.name + s.quantity: self._new(0.0, -np.inf, np.inf)
                  for s in natural.survey.shared}  # fmt: skip
        self.residuals += list(self.u.values())
        samples = {s: self._sample(s) for s in natural.survey.stacks if natural.pick(s, "mass")}
        for m, above, below in natural.readings:
            self._reading(m, above, below, samples)
        self._finish()

    def amount(self, places: Sequence[int]) -> Any:
        """Return a sum of amounts, in kg."""
        return sum((self.y[i] * self.scale[i] for i in places), self.ca.SX(0.0))

    def _new(self, start: Any, low: float = 0.0, high: float = np.inf) -> Any:
        """Return a further unknown; its start may be a function of the amounts."""
        self.more.append(self.ca.SX.sym(f"m{len(self.more)}"))
        self.start.append(start)
        self.low.append(low)
        self.high.append(high)
        return self.more[-1]

    def _proportion(self, group: Sequence[str]) -> None:
        """All that these streams have in common is in one proportion."""
        parts = self.n.in_common(group)
        at = {p: [self.n.at[s, p] for s in group] for p in parts}
        main = [i for p in parts if p.kind == "mass" for i in at[p]] or [
            i for p in parts if p.kind == "water" for i in at[p]
        ]
        for j, s in enumerate(group[:-1]):
            own = [i for i in main if self.n.keys[i][0] == s]
            share = self._new(self.amount(own) / (self.amount(main) + 1e-30), 0.0, 1.0)
            for p in parts:
                size = max(self.scale[i] for i in at[p])
                self.rows.append((self.amount([at[p][j]]) - share * self.amount(at[p])) / size)

    def _ratio(self, key: object, above: Any, below: Any, size: float, high: float) -> Any:
        """Return the unknown of a ratio, the same for all that have it in common."""
        if key not in self.ratios:
            unit = float(max(self._typical(above) / max(self._typical(below), 1e-30), 1e-12))
            x = self._new(above / (below + 1e-30) / unit, 0.0, high / unit)
            self.ratios[key] = x * unit
            self.ties.append((above - x * unit * below) / max(size, 1e-30))
            self.rows.append(self.ties[-1])
        return self.ratios[key]

    def _typical(self, amount: Any) -> float:
        return float(self.ca.Function("t", [self.y], [amount])(np.ones(self.y.numel())))

    def _thickeners(self) -> None:
        """The solution of all outlets of a thickener has one grade."""
        n = self.n
        self.solution = Sets(n.circuit.stream_names)
        for s in n.circuit.stream_names:
            self.solution.join(self.alike.of(s))
        wet = {s for s, parts in n.parts.items() if Part("water") in parts}
        seen: set[str] = set()
        for node in n.circuit.nodes:
            out = [s for s in n.circuit.outlets(node.name) if s in wet]
            if node.kind is NodeKind.THICKENER and out:
                self.solution.join(out)
                seen |= set(out)
        for k, a in enumerate(n.survey.analytes):
            if a.name not in n.survey.dissolved:
                continue
            done = set[str]()
            for s in sorted(seen):
                if self.alike.label[s] in done:
                    continue
                done.add(self.alike.label[s])
                above, below = self.amount(n.pick(s, "solute", k)), self.amount(n.pick(s, "water"))
                key = (self.solution.label[s], Kind.SOLUTION, k, None)
                size = self._typical(above)
                if key in self.ratios:
                    self.rows.append((above - self.ratios[key] * below) / max(size, 1e-30))
                else:
                    self._ratio(key, above, below, size, a.maximum)

    def _limits(self) -> None:
        """No grade is above that of the mineral itself."""
        for (s, p), i in self.n.at.items():
            if p.kind in ("metal", "solute"):
                mass = self.n.pick(s, "mass" if p.kind == "metal" else "water", run=p.run)
                top = self.n.survey.analytes[p.analyte].maximum
                room = top * self.amount(mass) - self.amount([i])
                self.least.append(room / max(top * sum(self.scale[j] for j in mass), 1e-30))

    def _sample(self, stream: str) -> Any:
        """Return the factor of a stack: one over what was sieved, of unknown size."""
        whole = self.amount(self.n.pick(stream, "mass"))
        size = self._typical(whole)
        most = size / (_SIEVED * self.n.largest_flow)
        return self._new(size / (whole + 1e-9 * size), 0.0, most) / size

    def _reading(
        self, m: Measurement, above: list[int], below: list[int], samples: Mapping[str, Any]
    ) -> None:
        n, meaning = self.n, self.n.meaning[m.quantity]
        if meaning.kind is Kind.SHARE and m.stream in samples:
            true = self.amount(above) * samples[m.stream]
        elif not below:
            true = self.amount(above)
        else:
            sets = self.solution if meaning.kind is Kind.SOLUTION else self.alike
            key = (sets.label[m.stream], meaning.kind, meaning.analyte, meaning.run)
            if key not in self.ratios:
                parts = [[n.keys[i][1] for i in side] for side in (above, below)]
                own = [s for s in self.alike.of(m.stream) if set(sum(parts, [])) <= set(n.parts[s])]
                up, down = (self.amount([n.at[s, p] for s in own for p in side]) for side in parts)
                analyte = meaning.analyte
                top = 1.0 if analyte is None else n.survey.analytes[analyte].maximum
                self._ratio(key, up, down, self._typical(up), top)
            true = self.ratios[key]
        for source in n.survey.shared_by(m):
            true = true + source.loadings[m.stream] * self.u[source.name + source.quantity]
        sd = n.survey.own_variance(m) ** 0.5
        self.residuals.append((true - m.value_base) / sd)

    def _finish(self) -> None:
        ca = self.ca
        more = ca.vertcat(*self.more) if self.more else ca.SX(0, 1)
        z = ca.vertcat(self.y, more)
        self.first = ca.Function("first", [self.y], [ca.vertcat(*self.start)
                                                     if self.start else ca.SX(0, 1)])  # fmt: skip
        g = ca.vertcat(*self.rows, *self.least)
        self.ends = (np.zeros(g.numel()), np.zeros(g.numel()))
        self.ends[1][len(self.rows) :] = np.inf
        self.bounds = (np.concatenate([np.zeros(self.y.numel()), self.low]),
                       np.concatenate([np.full(self.y.numel(), np.inf), self.high]))  # fmt: skip
        f = ca.sumsqr(ca.vertcat(*self.residuals))
        options = {
            "print_time": False, "ipopt.print_level": 0, "ipopt.sb": "yes", "ipopt.tol": 1e-10,
            "ipopt.constr_viol_tol": 1e-11, "ipopt.compl_inf_tol": 1e-9,
            "ipopt.bound_relax_factor": 0.0, "ipopt.acceptable_tol": 1e-9,
            "ipopt.acceptable_constr_viol_tol": 1e-11, "ipopt.max_iter": 1500,
            "ipopt.mu_strategy": "adaptive", "ipopt.adaptive_mu_globalization": "kkt-error",
            "ipopt.honor_original_bounds": "yes", "ipopt.max_cpu_time": _SECONDS,
        }  # fmt: skip
        self.nlp, self.options = {"x": z, "f": f, "g": g}, options
        self.solver = ca.nlpsol("natural", "ipopt", self.nlp, options)
        ties = ca.vertcat(*self.ties) if self.ties else ca.SX(0, 1)
        given = {"x": more, "p": self.y, "f": f, "g": ties}
        self.at_amounts = ca.nlpsol("given", "ipopt", given, options)

    def objective(self, amounts: Floats) -> float:
        """Return the least sum of squares at some amounts: only what is beside them is chosen."""
        y, n = amounts / self.scale, amounts.size
        if not self.more:
            return float(self.at_amounts(p=y)["f"])
        start = np.clip(np.asarray(self.first(y)).ravel(), self.low, self.high)
        found = self.at_amounts(
            x0=start, p=y, lbx=self.bounds[0][n:], ubx=self.bounds[1][n:], lbg=0.0, ubg=0.0
        )
        return float(found["f"])

    def stopped(self, amounts: Floats) -> list[str]:
        """Return the streams of which next to nothing is left."""
        own = {s: [self.n.at[s, p] for p in parts] for s, parts in self.n.parts.items()}
        return [s for s, at in own.items() if amounts[at].sum() < _STILL * self.scale[at].sum()]

    def runaway(self, amounts: Floats) -> list[str]:
        """Return the streams with far more than any has typically."""
        found = []
        for kind in ("mass", "water"):
            at = {s: self.n.pick(s, kind) for s in self.n.parts}
            most = max(self.scale[own].sum() for own in at.values())
            found += [s for s, own in at.items() if amounts[own].sum() > _MANY * most > 0.0]
        return found

    def solve(self, amounts: Floats) -> Found:
        """Return what comes of one start; what all but stopped is tried at a standstill as well."""
        found = self._from(amounts, np.zeros(amounts.size, dtype=bool))
        still = found.amounts < _STILL * self.scale
        if still.any() and found.open_by < 1e-3:
            stopped = self._from(np.where(still, 0.0, found.amounts), still)
            if stopped.open_by < CLOSED and not found.better_than(stopped):
                return stopped
        return found

    def _from(self, amounts: Floats, still: NDArray[np.bool_]) -> Found:
        y = amounts / self.scale
        high = self.bounds[1].copy()
        high[: y.size][still] = 0.0
        z0 = np.concatenate([y, np.asarray(self.first(y)).ravel()])
        z0 = np.clip(z0, self.bounds[0], high)
        found = self.solver(x0=z0, lbx=self.bounds[0], ubx=high,
                            lbg=self.ends[0], ubg=self.ends[1])  # fmt: skip
        y = np.maximum(np.asarray(found["x"]).ravel()[: y.size], 0.0) * self.scale
        g = np.asarray(found["g"]).ravel()[: len(self.rows)]
        open_by = max(self.n.imbalance(y), float(np.abs(g).max(initial=0.0)))
        status = str(self.solver.stats()["return_status"])
        return Found(float(found["f"]), status, open_by, y)


def ipopt_minimum(
    circuit: Circuit, survey: Survey, truth: Mapping[str, Amounts] | None = None,
    starts: int = 6, seed: int = 0, more: Sequence[Floats] = (),
) -> Minimum:  # fmt: skip
    """Return the least sum of squares of a survey that IPOPT finds.

    Parameters
    ----------
    circuit : Circuit
    survey : Survey
    truth : mapping of str to Amounts, optional
        Those of the plant that the survey was drawn from: the first start and the scale.
    starts : int
        Points to start from: the truth, the measured values put into the balances, the two with
        recycles that all but stand still, then points around the two.
    seed : int
    more : sequence of ndarray
        Further amounts to start from, in the order of `Natural.keys`.
    """
    natural = Natural(circuit, survey)
    base = [natural.from_truth(truth)] if truth else []
    base.append(natural.guess())
    points = first_amounts(natural, base, starts, seed)
    return best_of(Program(natural, base[0]), [*points, *more])


def first_amounts(
    natural: Natural, base: Sequence[Floats], starts: int, seed: int = 0
) -> list[Floats]:
    """Return amounts to start from: some, the same with slow recycles, then points around them."""
    rng, slow = np.random.default_rng(seed), np.where(natural.recycled(), 0.01, 1.0)
    points = [*base, *(y * slow for y in base)] if slow.min() < 1.0 else [*base]
    while len(points) < starts:
        spread = 0.3 + 0.3 * (len(points) // 2 % 3)
        points.append(base[len(points) % len(base)] * rng.lognormal(0.0, spread, slow.size))
    return points[:starts]


def best_of(program: Program, starts: Sequence[Floats]) -> Minimum:
    """Return the best of what IPOPT makes of some amounts."""
    found, natural = [program.solve(y) for y in starts], program.natural
    good = [f for f in found if f.open_by < CLOSED]
    if not good:
        return Minimum(np.inf, False, "; ".join(sorted({f.status for f in found})), {})
    least = min(good, key=lambda f: f.objective)
    finite = [f for f in good if not program.runaway(f.amounts)]
    best = min(finite or good, key=lambda f: f.objective)
    room = 1e-6 * (1.0 + least.objective)
    alike = [f for f in good if f.objective <= best.objective + room]
    status = f"{best.status}, {len(alike)} of {len(starts)} starts"
    still = program.stopped(best.amounts)
    status += f", no flow of {', '.join(still)}" if still else ""
    if not finite or least.objective < best.objective - room:
        without_limit = dict.fromkeys(program.runaway(least.amounts))
        status += f", {least.objective:.9g} if {', '.join(without_limit)} could be without limit"
    amounts: dict[str, dict[Part, float]] = {s: {} for s in natural.parts}
    for (s, p), amount in zip(natural.keys, best.amounts.tolist(), strict=True):
        amounts[s][p] = amount
    return Minimum(best.objective, True, status, amounts, least.objective)
