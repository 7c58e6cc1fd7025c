"""A circuit and a survey written as a balance problem."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from oretally.flowsheet.balance_problem import BalanceProblem
from oretally.flowsheet.circuit import Circuit
from oretally.flowsheet.problem_terms import with_shared_flow_errors, with_shared_grade_errors
from oretally.flowsheet.streams import NodeKind
from oretally.flowsheet.survey import Survey

__all__ = ["balance_problem"]

Ints = NDArray[np.intp]


def balance_problem(circuit: Circuit, survey: Survey) -> BalanceProblem:
    """Write a circuit and a survey as a balance problem.

    Parameters
    ----------
    circuit : Circuit
    survey : Survey

    Returns
    -------
    BalanceProblem
        Carriers are the dry solids of the streams, in the circuit's order; analytes are in the
        survey's order. Flows in kg or kg/h, grades in mass per mass. Shared sources of error add
        carriers, see `oretally.flowsheet.arrangement`.
    """
    position = {name: j for j, name in enumerate(circuit.stream_names)}
    analyte = {a.name: k for k, a in enumerate(survey.analytes)}
    n, n_analytes = len(position), len(analyte)
    flow, flow_sd = np.full((2, n), np.nan)
    grade, grade_sd = np.full((2, n_analytes, n), np.nan)
    for m in survey.measurements:
        j = position[m.stream]
        if m.quantity == survey.basis.quantity:
            flow[j], flow_sd[j] = m.value_base, survey.own_variance(m) ** 0.5
        else:
            k = analyte[m.quantity]
            grade[k, j], grade_sd[k, j] = m.value_base, survey.own_variance(m) ** 0.5
    A = sparse.csr_array(circuit.incidence())
    zero = np.zeros(A.shape[0])
    plain = BalanceProblem(
        flow_balance=A,
        flow_source=zero,
        analyte_balance=(A,) * n_analytes,
        analyte_source=(zero,) * n_analytes,
        tie=_ties(circuit),
        flow=flow,
        flow_sd=flow_sd,
        flow_lower=np.zeros(n),
        grade=grade,
        grade_sd=grade_sd,
        grade_lower=np.zeros((n_analytes, n)),
        grade_upper=np.outer([a.maximum for a in survey.analytes], np.ones(n)),
    )
    return _with_shared_errors(plain, survey, position)


def _with_shared_errors(
    problem: BalanceProblem, survey: Survey, position: Mapping[str, int]
) -> BalanceProblem:
    """Return the problem with the shared sources of the survey as further unknowns."""
    for k, quantity in [(None, survey.basis.quantity), *enumerate(a.name for a in survey.analytes)]:
        sources = [
            {position[stream]: L for stream, L in s.loadings.items() if L}
            for s in survey.shared
            if s.quantity == quantity
        ]
        if sources and k is None:
            problem = with_shared_flow_errors(problem, sources)
        elif sources and k is not None:
            problem = with_shared_grade_errors(problem, k, sources)
    return problem


def _ties(circuit: Circuit) -> Ints:
    """Return a label for each stream; the outlets of a splitter share one."""
    label = np.arange(len(circuit.streams))
    position = {name: j for j, name in enumerate(circuit.stream_names)}
    for node in circuit.nodes:
        if node.kind is NodeKind.SPLITTER:
            outlets = [position[name] for name in circuit.outlets(node.name)]
            merged = label[outlets]
            label[np.isin(label, merged)] = merged.min()
    return label
