"""The balance against general solvers, from the same arrays, in one run: ratios, not seconds.

    python benchmarks/peers.py [--quick | --large] [--markdown] [--json FILE]

Each measurement runs in a process of its own: the best of a few repeats, model building included,
and the process's peak memory. Every solver must reach the same objective within 1e-6, or its time
does not count; where ours does not, the run ends in status 1. `oretally, prepared` has seen the
circuit before, but not the measured values. The others are those installed: casadi (IPOPT),
cvxpy (Clarabel), scipy.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import os
import platform
import resource
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass, replace
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np
from circuits import plant, surveys
from general_solvers import GENERAL, Answer, ipopt_batch

from oretally.flowsheet import BalanceProblem

Run = Callable[[], Answer]


@dataclass(frozen=True)
class Case:
    """A plant to balance, or many surveys of one."""

    streams: int
    analytes: int
    incomplete: bool = False
    surveys: int = 0
    sample: int = 0  # surveys that a solver does which takes them one by one

    @property
    def name(self) -> str:
        size = f"{self.streams} x {self.analytes}"
        if self.surveys:
            return f"{size}, {self.surveys:,} surveys"
        return f"{size}, incomplete" if self.incomplete else size

    @property
    def unknowns(self) -> int:
        return self.streams * (1 + self.analytes)

    @property
    def peers(self) -> list[str]:
        return list(BATCH if self.surveys else PEERS)

    def problem(self) -> BalanceProblem:
        missing = {"flows_missing": 0.5, "grades_missing": 0.3} if self.incomplete else {}
        return plant(self.streams, self.analytes, **missing)

    def ready(self, peer: str) -> Run:
        """Return what is to be timed; what a peer may prepare is done."""
        if not self.surveys:
            return PEERS[peer](self.problem())
        batch = surveys(self.streams, self.analytes, self.surveys)
        return BATCH[peer](self, *batch)


QUICK = [Case(12, 3, incomplete=True), Case(12, 3, surveys=100, sample=10)]
BATCH_CASE = Case(12, 3, surveys=100_000, sample=300)
USUAL = [
    Case(3, 1),
    *(Case(*size, incomplete) for size in ((12, 3), (60, 20), (300, 100))
      for incomplete in (False, True)),
    BATCH_CASE,
]  # fmt: skip
LARGE = [*USUAL, Case(2000, 20), Case(2000, 100), Case(2000, 500)]
CLOSED = 1e-7  # flows and grades are of the order of 1
SAME = 1e-6
LONG = 5.0  # seconds; a measurement that takes longer is not repeated
LARGEST = {  # unknowns beyond which it is hopeless
    "slsqp": 2_000, "trust-constr": 2_000, "cvxpy": 50_000, "kkt newton": 50_000,
}  # fmt: skip


def at_once(solve: Callable[[BalanceProblem], Answer]) -> Callable[[BalanceProblem], Run]:
    """Return a peer that prepares nothing."""
    return lambda problem: lambda: solve(problem)


def answer(found: Any) -> Answer:
    gap = float(getattr(found, "max_imbalance", 0.0))
    return (float(found.objective) if found.converged else np.nan), int(found.iterations), gap


def ours(p: BalanceProblem) -> Answer:
    from oretally.recon.solver import solve

    return answer(solve(p))


def ours_prepared(p: BalanceProblem) -> Run:
    from oretally.recon.solver import prepare

    ready = prepare(p)
    return lambda: answer(ready.solve(p.flow, p.grade))


def ours_each(case: Case, p: BalanceProblem, flows: Any, grades: Any) -> Run:
    """Take the surveys of the sample one by one, each as if never seen."""

    def run() -> Answer:
        found = [
            ours(replace(p, flow=f, grade=g))
            for f, g in zip(flows[: case.sample], grades[: case.sample], strict=True)
        ]
        value, steps, gap = zip(*found, strict=True)
        return sum(value), max(steps), max(gap)

    return run


def ours_batch(workers: int) -> Callable[..., Run]:
    def prepared(case: Case, p: BalanceProblem, flows: Any, grades: Any) -> Run:
        from oretally.recon.solver import prepare

        ready = prepare(p)

        def run() -> Answer:
            found = ready.solve_many(flows, grades, workers=workers)
            if not np.all(found.converged):
                return np.nan, 0, 0.0
            return float(np.sum(found.objective[: case.sample])), 0, 0.0

        return run

    return prepared


def ipopt_each(case: Case, p: BalanceProblem, flows: Any, grades: Any) -> Run:
    return lambda: ipopt_batch(p, flows[: case.sample], grades[: case.sample])


PEERS: dict[str, Callable[[BalanceProblem], Run]] = {
    "oretally": at_once(ours),
    "oretally, prepared": ours_prepared,
    **{name: at_once(solve) for name, solve in GENERAL.items()},
}
BATCH: dict[str, Callable[..., Run]] = {
    "oretally": ours_each,
    "oretally, prepared": ours_batch(1),
    "oretally, 2 cores": ours_batch(2),
    "ipopt": ipopt_each,
}
SAMPLED = ("oretally", "ipopt")  # of a batch; the others do all of it


@dataclass(frozen=True)
class Result:
    """One measurement; ``ratio`` is the seconds over those of IPOPT, if both are right."""

    case: str
    peer: str
    seconds: float | None = None
    objective: float | None = None
    iterations: int | None = None
    peak_mib: float | None = None
    ratio: float | None = None
    said: str = ""

    @property
    def wrong(self) -> bool:
        """Whether it gave an answer, and not the best one, or failed."""
        missing = self.said.startswith("not available") and self.peer != "oretally"
        return not missing and (self.objective is None or self.said.startswith("objective"))

    @property
    def against_ipopt(self) -> str:
        if self.peer == "ipopt" or self.ratio is None:
            return "1" if self.ratio else "-"
        if self.ratio > 1.0:
            return f"{_figures(self.ratio)} x slower"
        return f"{_figures(1.0 / self.ratio)} x faster"

    def judged(self, best: float, base: float | None) -> Result:
        """Return the result with its ratio, or with what is wrong with it."""
        if self.objective is None or self.seconds is None:
            return self
        if not abs(self.objective - best) <= SAME * (1.0 + abs(best)):
            if not np.isfinite(self.objective):
                return replace(self, objective=None, said="did not converge")
            return replace(self, said=f"objective {self.objective:.9g}, not {best:.9g}")
        return replace(self, ratio=self.seconds / base if base else None)


def _figures(x: float) -> str:
    return f"{x:.1f}" if x < 9.95 else f"{float(f'{x:.2g}'):,.0f}"


def _peak_mib() -> float:
    """Return the peak memory of this process and of those it started."""
    children = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024.0
    try:
        status = Path("/proc/self/status").read_text(encoding="ascii")
        peak = next(line for line in status.splitlines() if line.startswith("VmHWM"))
        return float(peak.split()[1]) / 1024.0 + children
    except OSError:
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0 + children


def measure(case: Case, peer: str, repeats: int) -> Iterator[Result]:
    """Time a peer, again and again; each result is the best so far."""
    try:
        run = case.ready(peer)
        yield Result(case.name, peer, said="ready")
        best, said = np.inf, ""
        share = 1.0
        if case.surveys and peer in SAMPLED:
            share = case.surveys / case.sample
            said = f"extrapolated from {case.sample} surveys"
        for _ in range(repeats + 1):  # the first one warms up
            start = time.perf_counter()
            value, steps, gap = run()
            taken = time.perf_counter() - start
            best = min(best, share * taken)
            if not gap <= CLOSED:
                open_by = f"balances open by {gap:.0e}"
                yield Result(case.name, peer, best, None, steps, _peak_mib(), said=open_by)
            else:
                yield Result(case.name, peer, best, value, steps, _peak_mib(), said=said)
            if taken > LONG:
                return
    except ImportError as error:
        yield Result(case.name, peer, said=f"not available: {error}"[:80])
    except MemoryError:
        yield Result(case.name, peer, said="out of memory")
    except Exception as error:  # a peer that fails is a row, not the end of the run
        yield Result(case.name, peer, said=f"{type(error).__name__}: {error}"[:80])


def _child(pipe: Connection, memory: float, *arguments: Any) -> None:
    most = int(memory * 2**30)
    resource.setrlimit(resource.RLIMIT_AS, (most, most))
    for result in measure(*arguments):
        pipe.send(result)
    pipe.close()


def apart(case: Case, peer: str, repeats: int, limit: float, memory: float) -> Result:
    """Run `measure` in a new process: at most ``limit`` seconds a run, ``memory`` GiB."""
    if case.unknowns > LARGEST.get(peer, sys.maxsize):
        return Result(case.name, peer, said="not tried")
    context = multiprocessing.get_context("spawn")
    inlet, outlet = context.Pipe(duplex=False)
    child = context.Process(target=_child, args=(outlet, memory, case, peer, repeats))
    child.start()
    outlet.close()
    found = None
    try:
        while inlet.poll(limit):
            found = inlet.recv()
        late = f"more than {limit:.0f} s"
    except EOFError:
        late = "ended by itself, out of memory?"
    child.kill()
    child.join()
    if found is None or found.said == "ready":
        return Result(case.name, peer, said=late)
    return found


def compared(case: Case, asked: argparse.Namespace, repeats: int) -> list[Result]:
    """Measure every peer on a case, and judge them."""
    peers = [p for p in case.peers if not asked.only or p in (*asked.only, "ipopt")]
    found = [apart(case, peer, repeats, asked.limit, asked.memory) for peer in peers]
    values = [r.objective for r in found if r.objective is not None and np.isfinite(r.objective)]
    best = min(values, default=np.nan)
    first = [r.judged(best, r.seconds) for r in found if r.peer == "ipopt"]
    base = next((r.seconds for r in first if r.ratio), None)
    return [r.judged(best, base) for r in found]


def row(r: Result) -> str:
    steps = r.iterations or "-"
    seconds = f"{r.seconds:.4g}" if r.seconds else "-"
    peak = f"{r.peak_mib:.0f}" if r.peak_mib else "-"
    return (
        f"{r.case:24}{r.peer:20}{r.against_ipopt:>16}{seconds:>10}{steps:>7}{peak:>7}  {r.said}"
    ).rstrip()


HEAD = f"{'case':24}{'solver':20}{'against ipopt':>16}{'seconds':>10}{'steps':>7}{'MiB':>7}"


def cell(r: Result | None) -> str:
    """Return a result for the table in Markdown."""
    if r is None:
        return ""
    if r.seconds is None or r.peak_mib is None:
        return r.said.split(":")[0]
    if r.wrong:
        return "another answer" if r.objective is not None else r.said
    size = f"{r.peak_mib:.0f} MiB" if r.peak_mib < 1000 else f"{r.peak_mib / 1024:.1f} GiB"
    spent = f"{r.seconds:.2g} s" if r.seconds < 10 else f"{r.seconds:,.0f} s"
    shown = f"{spent}, {size}"
    return shown if r.peer == "ipopt" or r.ratio is None else f"{r.against_ipopt} ({shown})"


def markdown(rows: list[Result]) -> str:
    """Return one line a case, one column a solver."""
    present = {r.peer for r in rows}
    columns = [c for c in dict.fromkeys(["ipopt", *BATCH, *PEERS]) if c in present]
    lines = ["| streams x analytes | " + " | ".join(columns) + " |"]
    lines.append("| --- |" + " ---: |" * len(columns))
    for case in dict.fromkeys(r.case for r in rows):
        by_peer = {r.peer: r for r in rows if r.case == case}
        lines.append(f"| {case} | " + " | ".join(cell(by_peer.get(c)) for c in columns) + " |")
    return "\n".join(lines)


def main() -> None:
    """Measure everything, check the objectives, print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    size = parser.add_mutually_exclusive_group()
    size.add_argument("--quick", action="store_true", help="small cases, one repeat")
    size.add_argument("--large", action="store_true", help="2000 streams too")
    parser.add_argument("--case", action="append", help="as named in the table; all sizes allowed")
    parser.add_argument("--only", metavar="SOLVER", action="append", help="and IPOPT")
    parser.add_argument("--limit", type=float, default=120.0, help="seconds for one run")
    parser.add_argument("--memory", type=float, default=12.0, help="GiB for one process")
    parser.add_argument("--markdown", action="store_true", help="then the table in Markdown")
    parser.add_argument("--json", type=Path)
    asked = parser.parse_args()
    cases, repeats = (QUICK, 1) if asked.quick else (LARGE if asked.large else USUAL, 3)
    if asked.case:
        cases = [case for case in LARGE if case.name in asked.case]
    rows: list[Result] = []
    print(HEAD)
    for case in cases:
        found = compared(case, asked, repeats)
        rows += found
        print(*map(row, found), sep="\n", flush=True)
    if asked.markdown:
        print(f"\n{markdown(rows)}")
    if asked.json:
        about = {"python": platform.python_version(), "numpy": np.__version__,
                 "machine": platform.machine(), "cores": os.cpu_count()}  # fmt: skip
        kept = {"about": about, "rows": [asdict(r) for r in rows]}
        asked.json.write_text(json.dumps(kept, indent=1), encoding="utf-8")
    wrong = [f"{r.case}: {r.peer}: {r.said}" for r in rows if r.wrong and "oretally" in r.peer]
    if wrong:
        raise SystemExit("\n".join(wrong))


if __name__ == "__main__":
    main()
