"""The textbook answers for one plain separation: two- and three-product formula, weights.

They use as few numbers as they can and believe all of them; the balance uses all and believes
none. Shown side by side, they tell what the reconciliation changed.

References
----------
B.A. Wills and T.J. Napier-Munn, Mineral Processing Technology, 7th ed. (2006), chapter 3, for
the two-product formula; the three-product formula is the same with two analytes. First-order
standard deviations after JCGM 100:2008 (GUM), equation 10.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from oretally.flowsheet import Circuit, NodeKind, Survey
from oretally.recon.balance import FormulaRecovery, Recovery

__all__ = ["formula_recoveries", "product_yields", "two_product_recovery"]

Floats = NDArray[np.float64]


def two_product_recovery(f: float, c: float, t: float) -> float:
    """Return the recovery c (f - t) / (f (c - t)) from the grades of feed, product and the other.

    Examples
    --------
    >>> round(two_product_recovery(21.9, 43.0, 6.77), 4)
    0.82
    """
    return c * (f - t) / (f * (c - t))


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
    circuit: Circuit, survey: Survey, recoveries: Sequence[Recovery]
) -> tuple[FormulaRecovery, ...]:
    """Return the textbook recoveries of a circuit that is one separator with one feed.

    Returns
    -------
    tuple of FormulaRecovery
        Empty for any other circuit.
    """
    plain = len(circuit.nodes) == 1 and circuit.nodes[0].kind is NodeKind.SEPARATOR
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
        grade, sd = _assays(survey, (feed, *products), chosen)
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
                variance = 0.0
                for i in range(n - 1):
                    # dy = M^-1 (df - dM y): assays of the feed, then of each product
                    change = np.c_[inverse[:, 1 + i], -np.outer(inverse[:, 1 + i], y)]
                    slope = change[p] * grade[k, 1 + p] / grade[k, 0]
                    if i == k:
                        slope[0] -= value / grade[k, 0]
                        slope[1 + p] += y[p] / grade[k, 0]
                    variance += float(((slope * sd[i]) ** 2).sum())
                yield product, analyte, name, float(value), variance**0.5


def _assays(survey: Survey, streams: Sequence[str], analytes: Sequence[str]) -> (
    tuple[Floats, Floats]
):  # fmt: skip
    """Return measured grades and their sd, each of shape (n_analytes, n_streams)."""
    found = [[survey.measured(s, a) for s in streams] for a in analytes]
    grade = np.array([[m.value_base if m else np.nan for m in row] for row in found])
    sd = np.array([[m.sd_base if m else np.nan for m in row] for row in found])
    return grade, sd


def _weight_formulas(survey: Survey, feed: str, products: Sequence[str]) -> Iterator[_Answer]:
    """Yield the answers from weights and assays, by assayed and by calculated head."""
    flow = survey.basis.quantity
    for analyte in (a.name for a in survey.analytes):
        parts = {}
        for stream in (feed, *products):
            F, x = survey.measured(stream, flow), survey.measured(stream, analyte)
            if F is not None and x is not None and F.value * x.value > 0.0:
                amount = F.value_base * x.value_base
                relative = (F.sd / F.value) ** 2 + (x.sd / x.value) ** 2
                parts[stream] = (amount, relative)
        for p in products:
            if p in parts and feed in parts:
                share = parts[p][0] / parts[feed][0]
                sd = share * (parts[p][1] + parts[feed][1]) ** 0.5
                yield p, analyte, "weights, assayed head", share, sd
        if all(p in parts for p in products):
            total = sum(parts[p][0] for p in products)
            shares = {p: parts[p][0] / total for p in products}
            for p in products:
                # dR/R = (1 - R) of its own relative error, -R of the others'
                variance = sum(
                    ((1.0 - shares[p] if q == p else -shares[q]) ** 2) * parts[q][1]
                    for q in products
                )
                yield p, analyte, "weights, calculated head", shares[p], shares[p] * variance**0.5
