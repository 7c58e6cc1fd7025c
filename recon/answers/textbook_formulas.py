"""The textbook answers for one plain separation: two- and three-product formula, weights.

They use as few numbers as they can and believe all of them; the balance uses all and believes
none. Shown side by side, they tell what the reconciliation changed.

References
----------
B.A. Wills and T.J. Napier-Munn, Mineral Processing Technology, 7th ed. (2006), chapter 3, for
the two-product formula; the three-product formula is the same with two analytes. First-order
standard deviations after JCGM 100:2008 (GUM), equations 10 and 13.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations

import numpy as np

from oretally.flowsheet import BalanceModel, NodeKind, Survey
from oretally.flowsheet.arrays import Floats
from oretally.recon.answers.closures import Measured, reading
from oretally.recon.propagation import total
from oretally.recon.result import FormulaRecovery, Recovery

__all__ = ["formula_recoveries", "product_yields"]


def product_yields(grades: Floats, feed: Floats) -> Floats:
    """Return the mass of each product per mass of feed.

    Parameters
    ----------
    grades : ndarray, shape (n_products - 1, n_products)
        Grade of each analyte in each product.
    feed : ndarray, shape (n_products - 1,)
        Grade of each analyte in the feed.

    Raises
    ------
    numpy.linalg.LinAlgError
        If the grades of the products do not tell them apart.
    """
    M = np.vstack([np.ones(grades.shape[1]), grades])
    return np.asarray(np.linalg.solve(M, np.r_[1.0, feed]))


def formula_recoveries(
    model: BalanceModel, recoveries: Sequence[Recovery]
) -> tuple[FormulaRecovery, ...]:
    """Return the textbook recoveries of a circuit that is one separator with one feed.

    Returns
    -------
    tuple of FormulaRecovery
        Empty for any other circuit.
    """
    circuit, survey = model.circuit, model.survey
    plain = (
        not survey.dissolved
        and len(circuit.nodes) == 1
        and circuit.nodes[0].kind is NodeKind.SEPARATOR
    )
    if not plain or len(circuit.feeds) != 1:
        return ()
    feed, products = circuit.feeds[0], circuit.products
    reconciled = {(r.stream, r.analyte): r for r in recoveries if r.of == feed}
    rows = []
    answers = [
        *_assay_formulas(survey, feed, products),
        *_weight_formulas(survey, feed, products),
    ]
    for stream, analyte, formula, value, sd in answers:
        ours = reconciled.get((stream, analyte))
        rows.append(
            FormulaRecovery(
                stream=stream,
                analyte=analyte,
                formula=formula,
                recovery=100.0 * value,
                sd=100.0 * sd,
                reconciled=ours.recovery if ours else None,
                reconciled_sd=ours.sd if ours else None,
            )
        )
    return tuple(rows)


_Answer = tuple[str, str, str, float, float]


def _assay_formulas(survey: Survey, feed: str, products: Sequence[str]) -> Iterator[_Answer]:
    """Yield the answers that need assays only: n - 1 analytes for n products."""
    n = len(products)
    if n not in (2, 3):
        return
    whole = [a.name for a in survey.analytes
             if all(survey.measured(s, a.name) for s in (feed, *products))]  # fmt: skip
    for chosen in combinations(whole, n - 1):
        streams = (feed, *products)
        grade = _assays(survey, streams, chosen)
        name = "two-product formula" if n == 2 else f"three-product formula ({', '.join(chosen)})"
        try:
            y = product_yields(grade[:, 1:], grade[:, 0])
        except np.linalg.LinAlgError:
            continue
        if not np.isfinite(y).all() or (grade[:, 0] == 0.0).any():
            continue
        inverse = np.linalg.inv(np.vstack([np.ones(n), grade[:, 1:]]))
        for k, analyte in enumerate(chosen):
            for p, product in enumerate(products):
                value = y[p] * grade[k, 1 + p] / grade[k, 0]
                slopes = dict[tuple[str, str], float]()
                for i, assayed in enumerate(chosen):
                    # dy = M^-1 (df - dM y): assays of the feed, then of each product
                    change = np.c_[inverse[:, 1 + i], -np.outer(inverse[:, 1 + i], y)]
                    slope = change[p] * grade[k, 1 + p] / grade[k, 0]
                    if i == k:
                        slope[0] -= value / grade[k, 0]
                        slope[1 + p] += y[p] / grade[k, 0]
                    slopes |= {(s, assayed): float(d) for s, d in zip(streams, slope, strict=True)}
                yield product, analyte, name, float(value), survey.variance(slopes) ** 0.5


def _assays(survey: Survey, streams: Sequence[str], analytes: Sequence[str]) -> Floats:
    """Return measured grades, shape (n_analytes, n_streams)."""
    found = [[survey.measured(s, a) for s in streams] for a in analytes]
    return np.array([[m.value_base if m else np.nan for m in row] for row in found])


def _weight_formulas(survey: Survey, feed: str, products: Sequence[str]) -> Iterator[_Answer]:
    """Yield the answers from weights and assays, by assayed and by calculated head."""
    flow = survey.basis.quantity
    for analyte in (a.name for a in survey.analytes):
        metal = dict[str, Measured]()
        for stream in (feed, *products):
            F, x = reading(survey, stream, flow), reading(survey, stream, analyte)
            if F is not None and x is not None and F.value * x.value > 0.0:
                metal[stream] = F * x
        for p in products:
            if p in metal and feed in metal:
                share = metal[p] / metal[feed]
                sd = survey.variance(share.slopes) ** 0.5
                yield p, analyte, "weights, assayed head", share.value, sd
        if all(p in metal for p in products):
            head = total(metal[p] for p in products)
            for p in products:
                share = metal[p] / head
                sd = survey.variance(share.slopes) ** 0.5
                yield p, analyte, "weights, calculated head", share.value, sd
