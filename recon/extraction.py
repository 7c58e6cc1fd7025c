"""Extraction at leach nodes: by the solids, by the solution, and by the balance.

With S and L the amounts of an analyte in solids and solution, in and out of the node::

    by solids     1 - S_out / S_in
    by solution   (L_out - L_in) / S_in
    accountability   (S_out + L_out) / (S_in + L_in)

Common practice of metallurgical testing; no source. Standard deviations to first order, correlated
sources of error included (JCGM 100:2008, GUM, equation 13).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from oretally.flowsheet import Arrangement, Circuit, NodeKind, Position, Stream, Survey
from oretally.flowsheet.quantities import in_solution
from oretally.flowsheet.streams import Content
from oretally.recon.amount_rows import Extraction
from oretally.recon.closures import measured_flow, summed
from oretally.recon.combined_amounts import Amount, adjusted_amount, adjusted_sd, over, weighted
from oretally.recon.covariance import Covariance

__all__ = ["extractions"]

_Measured = Amount[tuple[str, str]]
_Percent = tuple[float | None, float | None]


def extractions(
    circuit: Circuit, survey: Survey, places: Arrangement, covariance: Covariance
) -> tuple[Extraction, ...]:
    """Return the extractions of each dissolved analyte at each leach node."""
    rows = []
    for node in circuit.nodes:
        if node.kind is not NodeKind.LEACH:
            continue
        into = [s for s in circuit.streams if s.target == node.name]
        out = [s for s in circuit.streams if s.source == node.name]
        for k, analyte in enumerate(survey.analytes):
            if analyte.name not in survey.dissolved:
                continue
            S_in, S_out, equal = _solids(survey, into, out, analyte.name)
            L_in, L_out = (_solution(survey, side, analyte.name) for side in (into, out))
            by_solids = by_solution = whole = None
            if S_in is not None and S_in.value > 0.0:
                if S_out is not None:
                    by_solids = over(weighted([(1.0, S_in), (-1.0, S_out)]), S_in)
                if L_in is not None and L_out is not None and not equal:
                    by_solution = over(weighted([(1.0, L_out), (-1.0, L_in)]), S_in)
                    if S_out is not None:
                        whole = over(
                            weighted([(1.0, S_out), (1.0, L_out)]),
                            weighted([(1.0, S_in), (1.0, L_in)]),
                        )
            told = [_percent_measured(survey, a) for a in (by_solids, by_solution, whole)]
            told.insert(2, _reconciled(places, covariance, into, out, k))
            solids, solution, balance, account = told
            rows.append(
                Extraction(node.name, analyte.name, *solids, *solution, *balance, *account,
                           equal and by_solids is not None)
            )  # fmt: skip
    return tuple(rows)


def _solids(
    survey: Survey, into: Sequence[Stream], out: Sequence[Stream], analyte: str
) -> tuple[_Measured | None, _Measured | None, bool]:
    """Return the analyte in the solids that enter and leave, and whether grades stand for both.

    Where no dry flow was measured on one side, and one stream carries solids on each, what enters
    as solids also leaves: then the grades alone say it, per unit of mass.
    """
    flow = survey.basis.quantity
    sides = [[s for s in side if s.content is not Content.SOLUTION] for side in (into, out)]
    S_in, S_out = (summed(survey, [(s.name, flow, analyte) for s in side]) for side in sides)
    if S_in is not None and S_out is not None:
        return S_in, S_out, False
    if len(sides[0]) == len(sides[1]) == 1:
        (feed,), (tails,) = sides
        if S_in is not None and measured_flow(survey, tails.name, flow) is None:
            same = summed(survey, [(tails.name, (feed.name, flow), analyte)])
            return S_in, same, False
        grades = [survey.measured(s.name, analyte) for s in (feed, tails)]
        if all(m is not None for m in grades):
            one, two = (
                Amount(m.value_base, {(m.stream, m.quantity): 1.0}) for m in grades if m is not None
            )
            return one, two, True
    return S_in, S_out, False


def _solution(survey: Survey, streams: Sequence[Stream], analyte: str) -> _Measured | None:
    """Return the analyte in the solution of several streams, as measured."""
    wet = [s.name for s in streams if s.content is not Content.DRY]
    return summed(survey, [(name, "water", in_solution(analyte)) for name in wet])


def _reconciled(
    places: Arrangement, covariance: Covariance, into: Sequence[Stream], out: Sequence[Stream],
    k: int,
) -> _Percent:  # fmt: skip
    """Return the extraction by the adjusted values, in percent."""
    carriers = places.carriers
    number = {name: j for j, name in enumerate(carriers.streams)}
    sides = [
        [number[s.name] for s in side if carriers.solids[number[s.name]]] for side in (into, out)
    ]
    S_in, S_out = (adjusted_amount(covariance, side, k) for side in sides)
    if not (np.isfinite(S_in.value) and np.isfinite(S_out.value) and S_in.value > 0.0):
        return None, None
    found: Amount[Position] = over(weighted([(1.0, S_in), (-1.0, S_out)]), S_in)
    sd = adjusted_sd(covariance, found)
    return (100.0 * found.value, 100.0 * sd) if np.isfinite(sd) else (None, None)


def _percent_measured(survey: Survey, share: _Measured | None) -> _Percent:
    if share is None:
        return None, None
    return 100.0 * share.value, 100.0 * float(survey.variance(share.slopes) ** 0.5)
