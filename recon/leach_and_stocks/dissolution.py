"""Solids that dissolve at leaches: how much, and where a case does not say so but the numbers do.

What dissolves leaves the solids as a stream of its own, without analytes: the case says so. Where
it does not, the numbers of a leach from which less comes than goes in do not agree. Then the
survey is balanced again with solids that may dissolve there; what that finds is told and changes
nothing.

References
----------
S. Narasimhan and C. Jordache, Data Reconciliation and Gross Error Detection (2000), chapter 7: the
drop of chi-square by one more unknown, against 1.96^2 (generalised likelihood ratio). The share,
dissolved mass over mass in: common practice, no source. Cited from memory.
"""

from __future__ import annotations

import numpy as np

from oretally.flowsheet import BalanceModel, Circuit, NodeKind, NotBalanceable, Survey
from oretally.flowsheet.circuit import Content, dissolved_solids
from oretally.flowsheet.digits import format_with_sd
from oretally.recon.propagation import adjusted_amount, estimates
from oretally.recon.result import SOLIDS_EXPLAIN, Dissolution, GlobalTest, explained
from oretally.recon.solver import Covariance, propagate, solve

__all__ = ["dissolution_notes", "dissolutions"]

_SURE = 1.96  # sd by which solids must be missing to be told: two-sided, 5 %
_ALIKE = 1e-6  # relative: leaches that explain the numbers equally well
_Told = tuple[float | None, float | None]


def dissolutions(model: BalanceModel, covariance: Covariance) -> tuple[Dissolution, ...]:
    """Return the solids that dissolve at each leach of which the case says so."""
    circuit, unit, rows = model.circuit, model.survey.flow_unit, list[Dissolution]()
    number = {name: j for j, name in enumerate(circuit.stream_names)}
    size = unit.from_base(1.0)
    for gone in circuit.streams:
        if gone.content is not Content.DISSOLVED or gone.source is None:
            continue
        into = [number[s.name] for s in circuit.streams
                if s.target == gone.source and s.content.has_solids and not s.takes_up]  # fmt: skip
        fed = adjusted_amount(covariance, into, None)
        mass = adjusted_amount(covariance, [number[gone.name]], None)
        wanted = [size * fed, size * mass, *([100.0 * (mass / fed)] if fed.value > 0.0 else [])]
        none: _Told = (None, None)
        told = [each or none for each in estimates(covariance, wanted)]
        share = told[2] if len(told) > 2 else none
        rows.append(Dissolution(gone.source, unit.symbol, *told[0], *told[1], *share))
    return tuple(rows)


def dissolution_notes(model: BalanceModel, test: GlobalTest) -> tuple[str, ...]:
    """Return at which leach solids seem to dissolve, where no case says so; nothing if none do.

    Parameters
    ----------
    model : BalanceModel
    test : GlobalTest
        Of the survey without solids that dissolve there.
    """
    if test.consistent is not False:
        return ()
    circuit, survey = model.circuit, model.survey
    told = {s.source for s in circuit.streams if s.content is Content.DISSOLVED}
    if survey.course is not None:  # one leach, drawn as several: the last has its name
        told |= set(survey.course.nodes[:-1])
    found = []
    for node in circuit.nodes:
        if node.kind is NodeKind.LEACH and node.name not in told:
            without = _missing(circuit, survey, node.name)
            if without is not None:
                found.append((*without, node.name))
    best = min((objective for objective, *_ in found), default=0.0)
    alike = [f for f in found if f[0] <= best + _ALIKE * test.statistic]
    if not alike or test.statistic - best < _SURE**2:
        return ()
    names = " or ".join(repr(name) for *_, name in alike)
    objective, missing, sd, _ = alike[0]
    agree = f"{SOLIDS_EXPLAIN}, " if explained(objective, test.dof - 1) else "with that "
    unit, symbol = survey.flow_unit.from_base, survey.flow_unit.symbol
    size = f"{' ± '.join(format_with_sd(unit(missing), unit(sd)))} {symbol}"
    return (
        f"Solids out of {names} are less than in by {size}, by all numbers together: {agree}"
        f"chi-square is {objective:.4g} in place of {test.statistic:.4g}. If ore dissolves there, "
        f"state dissolves = true at the node {names} (in a workbook: sheet nodes, column "
        "dissolves, yes). The program does not assume it: a wrong weight looks the same.",
    )


def _missing(circuit: Circuit, survey: Survey, leach: str) -> tuple[float, float, float] | None:
    """Return chi-square with solids that dissolve at a leach, and how much; None if none do."""
    gone = dissolved_solids(leach)
    if gone.name in circuit.stream_names:
        return None
    free = Circuit((*circuit.streams, gone), circuit.nodes)
    problem = BalanceModel(free, survey).problem
    try:
        solution = solve(problem)
    except NotBalanceable:
        return None
    j = len(circuit.streams)
    mass, sd = float(solution.flow[j]), float(propagate(problem, solution).flow_sd[j])
    if not solution.converged or not np.isfinite(sd) or mass <= _SURE * sd:
        return None
    return solution.objective, mass, sd
