"""The survey balanced again under its likeliest explanations, for what they make of the answers."""

from __future__ import annotations

from dataclasses import dataclass

from oretally.flowsheet import BalanceProblem
from oretally.recon.gross_errors.changes import Changes
from oretally.recon.gross_errors.diagnosis import Diagnosis
from oretally.recon.gross_errors.hypotheses import NOTHING, Hypothesis
from oretally.recon.result import explained
from oretally.recon.solution import Solution
from oretally.recon.solver import Refitter

__all__ = ["Explained", "likely_explanations"]

_SHOWN, _LEAST = 6, 0.05  # explanations balanced again: how many, how likely
_TELLING = 0.1  # probability below which none is told


@dataclass(frozen=True, eq=False)
class Explained:
    """The survey under one explanation.

    Attributes
    ----------
    rows : tuple of int
        Rows of the signatures that are in error.
    slips : tuple of int
        The slip of each, by its number among those of the reading; -1 for an error of any size.
    mixups : tuple of int
    probability : float
    problem : BalanceProblem
        Without the readings in error, slips and mix-ups undone, with a stream for each loss.
    solution : Solution
    objective, dof : float, int
        What it leaves, of the course of a leach too, and the degrees of freedom.
    """

    rows: tuple[int, ...]
    slips: tuple[int, ...]
    mixups: tuple[int, ...]
    probability: float
    problem: BalanceProblem
    solution: Solution
    objective: float
    dof: int


def likely_explanations(
    found: Diagnosis, changes: Changes, refitter: Refitter
) -> tuple[Explained, ...]:
    """Balance again under the likeliest explanations, if any but 'nothing is wrong' is likely.

    A slip is undone, and not left out: an explanation by a slip and one by an error of any size in
    the same number are two. What has no balance then is none; nor what explains nothing where
    another does.
    """
    variants: list[tuple[float, Hypothesis, tuple[int, ...]]] = []
    likely = [w for w in found.weighed if w.probability >= _LEAST]
    for w, shares in zip(likely, found.way_shares([w.hypothesis for w in likely]), strict=True):
        h = w.hypothesis
        found_with: list[tuple[float, tuple[int, ...]]] = [(w.probability, ())]
        for i, share in zip(h.rows, shares, strict=True):
            slip = found.ways[i].slip
            ways = [(float(share[slip == s].sum()), s) for s in sorted(set(slip.tolist()))]
            found_with = [
                (p * q, (*slips, s)) for p, slips in found_with for q, s in ways if p * q >= _LEAST
            ]
        variants += [(p, h, slips) for p, slips in found_with]
    shown = sorted(variants, key=lambda v: -v[0])[:_SHOWN]
    if not any(h != NOTHING and p >= _TELLING for p, h, _ in shown):
        return ()
    if all(h != NOTHING for _, h, _ in shown):
        shown.append((found.sound, NOTHING, ()))
    signatures = found.at_best.signatures
    problems = [
        changes.undone(
            h, signatures,
            [None if s < 0 else found.meant.of(i)[s] for i, s in zip(h.rows, slips, strict=True)],
        )
        for _, h, slips in shown
    ]  # fmt: skip
    solutions = refitter.afresh().refits(problems)
    solutions |= {i: changes.solution for i, (_, h, _) in enumerate(shown) if h == NOTHING}
    every = tuple(
        Explained(
            h.rows,
            slips,
            h.mixups,
            p,
            problems[i].problem,
            solution,
            *found.left(problems[i].problem, solution),
        )  # fmt: skip
        for i, (p, h, slips) in enumerate(shown)
        if (solution := solutions.get(i)) is not None
    )
    good = [explained(e.objective, e.dof) for e in every]
    nothing = [not e.rows and not e.mixups for e in every]
    return tuple(e for e, fits, none in zip(every, good, nothing, strict=True)
                 if fits or none or not any(good))  # fmt: skip
