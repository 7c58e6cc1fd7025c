"""Recovery by size: what share of each class a separator sends to its richest product.

With P the flow of a class in a product and p its grade there: P p / sum P p over all products.

References
----------
B.A. Wills and T.J. Napier-Munn, Mineral Processing Technology, 7th ed. (2006), chapter 12: recovery
by size. JCGM 100:2008 (GUM), eq. 13: its sd. Cited from memory.
"""

from __future__ import annotations

import numpy as np

from oretally.flowsheet import BalanceModel, Position
from oretally.recon.propagation import amount_at, estimate, total, value_at
from oretally.recon.result import Estimate, SizeRecovery
from oretally.recon.solver import Covariance

__all__ = ["size_recoveries"]


def size_recoveries(model: BalanceModel, covariance: Covariance) -> tuple[SizeRecovery, ...]:
    """Return them for each separator and each analyte whose grades by size are balanced there.

    The reference is the sum of what leaves the separator, class by class.
    """
    circuit, survey, carriers = model.circuit, model.survey, model.carriers
    found = []
    number = {name: j for j, name in enumerate(carriers.streams)}
    for node in circuit.nodes:
        out = [number[s] for s in circuit.outlets(node.name) if carriers.solids[number[s]]]
        if not (node.kind.separates and node.kind.keeps_sizes and len(out) > 1):
            continue
        for k, analyte in enumerate(survey.analytes):
            if any((k, j) not in carriers.by_class for j in out):
                continue
            grades = {j: value_at(covariance, Position(k, j)) for j in out}
            if not np.isfinite(list(grades.values())).all():
                continue
            richest = -max((grades[j], -j) for j in out)[1]
            classes = zip(*(carriers.own_classes(j) for j in out), strict=True)
            rows = tuple(
                (survey.sizes.label(run), _share(covariance, k, at, i=out.index(richest)))
                for run, at in zip(carriers.class_runs[richest], classes, strict=True)
            )
            if any(share is not None for _, share in rows):
                found.append(SizeRecovery(node.name, analyte.name, carriers.streams[richest], rows))
    return tuple(found)


def _share(covariance: Covariance, k: int, at: tuple[int, ...], *, i: int) -> Estimate | None:
    """Return what share of a class leaves in product i, in percent; ``at`` has its carriers."""
    held = [amount_at(covariance, k, j) for j in at]
    return estimate(covariance, 100.0 * (held[i] / total(held)))
