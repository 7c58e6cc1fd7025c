"""A study of hard problems: what ours promises, and how it compares with another optimiser.

python tests/support/hard_study.py [--first 0] [--last 200] [--starts 8] [--ours 8] [--json FILE]
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import time
import warnings
from collections import Counter
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
from hard_problems import hard_problem
from rival import SAME, Rival, imbalance, objective, rival

from oretally.flowsheet import BalanceProblem
from oretally.recon.solution import Solution, StopReason
from oretally.recon.solver import solve

CLOSED = 1e-10  # largest residual of a balance, as a share of what passes the node


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


def check(seed: int, starts: int, ours: int | None = None) -> Outcome:
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
    return check(*task)


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
