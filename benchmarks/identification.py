"""Which measurement is wrong: power and false alarms of all methods, and honest probabilities.

    python benchmarks/identification.py [--surveys N] [--markdown]

OP: share of the gross errors that are found, any member of the right group being a hit. AVTI:
wrong groups named, in the mean over surveys. Every method has one limit, chosen so that AVTI is
0.10 on surveys without gross errors. One to four errors of 5 to 15 stated errors, either sign, at
measurements drawn at random, whether or not anything checks them. Seeded.

The oracle's table is an upper bound: for each error, somebody who knows all the others exactly,
that there is just one more or none, and how sizes are drawn, names the likeliest group or nobody.

The reliability table draws surveys as the prior says, and asks how many of those said to be wrong
with a probability are. The last table runs through the solver, nothing linearised beforehand.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.special import log_ndtr
from study_circuits import CIRCUITS, StudyCircuit

from oretally.flowsheet import balance_problem, positions
from oretally.recon.gross_errors.candidates import candidates
from oretally.recon.gross_errors.explanations import explain
from oretally.recon.gross_errors.search import diagnose
from oretally.recon.linear_tests import Robust, eliminate
from oretally.recon.result import ErrorRates
from oretally.recon.signatures import (
    Groups,
    InnerProducts,
    PossibleSlips,
    Signatures,
    equivalent_sets,
    signatures_of,
)
from oretally.recon.solver import solve

Floats = NDArray[np.float64]
_Scores = dict[int, float]  # group to how suspect it is

AVTI, ERRORS, LOW, HIGH = 0.10, (1, 2, 3, 4), 5.0, 15.0
DEFAULT = ErrorRates(loss=0.0)
MANY = ErrorRates(loss=0.0, measurement=0.15, expected=np.inf)
BINS = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)


@dataclass(frozen=True, eq=False)
class Bench:
    """Traces of one circuit at its true balance, measurements only."""

    name: str
    study: StudyCircuit
    groups: Groups

    @classmethod
    def of(cls, name: str) -> Bench:
        """Set up a circuit by name."""
        study = CIRCUITS[name]()
        problem = study.problem()
        signatures = signatures_of(problem, solve(problem))
        n = len(signatures.readings)
        none = np.zeros((n, 0))
        products = InnerProducts((signatures.P[:n, :n],), none, none)
        only = Signatures(signatures.readings, (), signatures.unit[:n], products, signatures.r[:n])
        return cls(name, study, equivalent_sets(only))

    def with_checks(self, errors: Floats) -> Groups:
        """Return the groups of a survey with these errors."""
        t = self.groups.signatures
        return replace(self.groups, signatures=replace(t, r=t.P @ errors))


def measurement_test(g: Groups) -> _Scores:
    """Every measurement above the limit."""
    return dict(enumerate(np.abs(g.statistic)))


def serial(g: Groups) -> _Scores:
    """Serial elimination: the least statistic up to which each was eliminated."""
    found: _Scores = {}
    seen: list[float] = []

    def never(_: int) -> float:
        return 2.0

    P, r = g.signatures.P, g.signatures.r
    for i in eliminate(P, r, never, most=8):
        statistic = abs(r[i]) / np.sqrt(P[i, i])
        seen.append(float(statistic))
        owner = g.of(i)
        if owner is not None:
            found.setdefault(owner, min(seen))
        p = P[:, i] / P[i, i]
        r = r - p * r[i]
        P = P - np.outer(p, P[:, i])
    return found


def robust(estimate: Callable[[Robust], Floats], g: Groups) -> _Scores:
    """The largest estimated error of each group."""
    v = np.abs(estimate(Robust(g.signatures.P, g.signatures.r)))
    return {k: float(v[m].max()) for k, m in enumerate(g.members)}


def posterior(rates: ErrorRates, g: Groups) -> _Scores:
    """The posterior probability of each group."""
    n = len(g.signatures.readings)
    rate = rates.in_survey(n).measurement
    found = explain(g.correlations, g.statistic, candidates(g, np.full(n, rate), rates))
    return dict(enumerate(found.probability))


METHODS: dict[str, Callable[[Groups], _Scores]] = {
    "measurement test, all at once": measurement_test,
    "serial elimination": serial,
    "Huber": partial(robust, lambda x: x.huber),
    "Tukey's biweight": partial(robust, lambda x: x.biweight),
    "least absolute errors": partial(robust, lambda x: x.least_absolute),
    "posterior, default rates": partial(posterior, DEFAULT),
    "posterior, 15 % expected wrong": partial(posterior, MANY),
}


def drawn(rng: np.random.Generator, n: int, wrong: int) -> tuple[Floats, list[int]]:
    """Return the errors of a survey, and which are gross."""
    errors = rng.standard_normal(n)
    where = rng.choice(n, wrong, replace=False)
    errors[where] += rng.uniform(LOW, HIGH, wrong) * rng.choice([-1.0, 1.0], wrong)
    return errors, where.tolist()


def limit(scores: Sequence[_Scores]) -> float:
    """Return the limit at which the given surveys, all right, name AVTI groups each."""
    every = np.sort([s for each in scores for s in each.values()])[::-1]
    return float(every[int(AVTI * len(scores))])


def judged(found: set[int], wrong: Sequence[int], g: Groups) -> tuple[int, int]:
    """Return how many gross errors were found, and how many right groups were named."""
    true = {g.of(i) for i in wrong}
    return sum(g.of(i) in found for i in wrong), len(found - true)


def power(name: str, surveys: int) -> tuple[str, dict[str, list[tuple[float, float]]], Floats]:
    """Return OP and AVTI of each method for each number of errors, and reliability counts."""
    bench = Bench.of(name)
    n = bench.study.n
    rng = np.random.default_rng(20_260)
    right = [bench.with_checks(rng.standard_normal(n)) for _ in range(2 * surveys)]
    cases = {m: [(bench.with_checks(e), w) for e, w in (drawn(rng, n, m) for _ in range(surveys))]
             for m in ERRORS}  # fmt: skip
    table = {}
    for method, score in METHODS.items():
        cut = limit([score(g) for g in right])
        rows = []
        for m, group in cases.items():
            hits = wrong_names = 0
            for g, wrong in group:
                named = {k for k, s in score(g).items() if s > cut}
                hit, false = judged(named, wrong, g)
                hits, wrong_names = hits + hit, wrong_names + false
            rows.append((hits / (m * surveys), wrong_names / surveys))
        table[method] = rows
    table["oracle: told all other errors, and sizes"] = oracle(bench, surveys)
    return name, table, reliability(bench, rng, 2 * surveys)


def knowing(P: Floats, r: Floats, groups: Groups) -> Floats:
    """Return the log odds of one error in each group, its size drawn as it is, against none.

    int exp(r s - P s^2/2) ds over both signs of LOW to HIGH, each as likely.
    """
    n = len(P)
    own = np.maximum(np.diag(P), 1e-9)
    root, middle = np.sqrt(own), r / own
    found = np.full(n, -np.inf)
    for low, high in ((LOW, HIGH), (-HIGH, -LOW)):
        a, b = root * (low - middle), root * (high - middle)
        # the tail on whose side both ends are, without cancellation
        flip = a > 0.0
        a, b = np.where(flip, -b, a), np.where(flip, -a, b)
        inside = log_ndtr(b) + np.log1p(-np.exp(np.minimum(log_ndtr(a) - log_ndtr(b), -1e-12)))
        part = 0.5 * r**2 / own + 0.5 * np.log(2.0 * np.pi / own) + inside
        found = np.logaddexp(found, part - np.log(2.0 * (HIGH - LOW) * n))
    return np.array([np.logaddexp.reduce(found[m]) for m in groups.members])


def oracle(bench: Bench, surveys: int) -> list[tuple[float, float]]:
    """Return OP and AVTI of the oracle for each number of errors."""
    rng = np.random.default_rng(20_262)
    n = bench.study.n
    sound = [bench.with_checks(rng.standard_normal(n)) for _ in range(2 * surveys)]
    tops = np.sort([knowing(g.signatures.P, g.signatures.r, g).max() for g in sound])[::-1]
    cut = float(tops[int(AVTI * len(tops))])
    rows = []
    for m in ERRORS:
        hits = false = 0
        for errors, wrong in (drawn(rng, n, m) for _ in range(surveys)):
            g = bench.with_checks(errors)
            for i in wrong:
                others = [j for j in wrong if j != i]
                # the others are known: what they do to the checks is taken off
                r = g.signatures.r - g.signatures.P[:, others] @ errors[others]
                odds = knowing(g.signatures.P, r, g)
                first = int(np.argmax(odds))
                if odds[first] > cut:
                    hits, false = hits + (first == g.of(i)), false + (first != g.of(i))
        rows.append((hits / (m * surveys), false / surveys))
    return rows


def reliability(bench: Bench, rng: np.random.Generator, surveys: int) -> Floats:
    """Return counts (said, true, sum of probabilities) by bin, surveys drawn as the prior says."""
    n, counts = bench.study.n, np.zeros((len(BINS) - 1, 3))
    rate = DEFAULT.in_survey(n).measurement
    shares = np.array(DEFAULT.shares) / sum(DEFAULT.shares)
    for _ in range(surveys):
        errors = rng.standard_normal(n)
        wrong = rng.random(n) < rate
        width = rng.choice(DEFAULT.widths, n, p=shares)
        # density b^2 exp(-b^2 / 2 w^2): w times a chi variate with three degrees of freedom
        size = width * np.sqrt(rng.chisquare(3.0, n)) * rng.choice([-1.0, 1.0], n)
        g = bench.with_checks(errors + np.where(wrong, size, 0.0))
        for k, p in posterior(DEFAULT, g).items():
            b = min(int(np.searchsorted(BINS, p, side="right")) - 1, len(BINS) - 2)
            counts[b] += (1.0, float(wrong[g.members[k]].any()), p)
    return counts


def through_the_solver(name: str, surveys: int) -> dict[int, tuple[float, float, float]]:
    """Return OP, AVTI and the share converged by number of errors, 0 included.

    Groups with a probability above one half count as named.
    """
    study, found = CIRCUITS[name](), {}
    rng = np.random.default_rng(20_261)
    for m in (0, *ERRORS):
        hits = false = done = 0
        for _ in range(surveys):
            errors, wrong = drawn(rng, study.n, m)
            survey = study.survey(errors)
            problem = balance_problem(study.circuit, survey)
            solution = solve(problem)
            if not solution.converged:
                continue
            done += 1
            rates = DEFAULT.in_survey(study.n)
            places = positions(study.circuit, survey)
            rate = rates.measurement
            slips = PossibleSlips(survey, places, lambda _, r=rate: r, rate)
            d = diagnose(problem, solution, slips, rates=rates)
            every = d.of_row.copy()
            for c, p in d.of_mixup.items():
                every[d.mixups.rows(c)] += p
            named = {g for g, m in enumerate(d.at_best.members) if every[m].sum() > 0.5}
            hit, missed = judged(named, wrong, d.at_best)
            hits, false = hits + hit, false + missed
        found[m] = (hits / max(m * done, 1), false / max(done, 1), done / surveys)
    return found


def main() -> None:
    """Run the study and print its tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--surveys", type=int, default=240, help="of each kind and circuit")
    parser.add_argument("--solver-surveys", type=int, default=80)
    arguments = parser.parse_args()
    began = time.perf_counter()
    counts = np.zeros((len(BINS) - 1, 3))
    with ProcessPoolExecutor(2) as pool:
        solved = pool.submit(through_the_solver, "12 x 3, recycle and splitter",
                             arguments.solver_surveys)  # fmt: skip
        for name, table, more in pool.map(
            partial(power, surveys=arguments.surveys), reversed(CIRCUITS)
        ):
            counts += more
            print(f"\n{name}: OP / AVTI by number of gross errors\n")
            print("| method |", " | ".join(map(str, ERRORS)), "|")
            print("| --- |", " | ".join("---:" for _ in ERRORS), "|")
            for method, rows in table.items():
                print(f"| {method} |", " | ".join(f"{o:.2f} / {a:.2f}" for o, a in rows), "|")
            sys.stdout.flush()
        print("\nReliability: surveys drawn as the prior says, all circuits\n")
        print("| said, % | groups | mean said, % | wrong, % |\n| --- | ---: | ---: | ---: |")
        for low, high, (said, true, total) in zip(BINS[:-1], BINS[1:], counts, strict=True):
            if said:
                print(f"| {100 * low:.0f} to {100 * high:.0f} | {said:.0f} "
                      f"| {100 * total / said:.1f} | {100 * true / said:.1f} |")  # fmt: skip
        print("\nThrough the solver, 12 x 3, probability above one half: OP / AVTI (converged)\n")
        for m, (op, avti, done) in solved.result().items():
            print(f"{m} errors: {op:.2f} / {avti:.2f} ({100 * done:.0f} %)")
    print(f"\n{time.perf_counter() - began:.0f} s, {arguments.surveys} surveys a cell")


if __name__ == "__main__":
    main()
