"""Recovery by size: what share of each class a separator sends to its richest product."""

from __future__ import annotations

import numpy as np

from oretally.flowsheet import Circuit, Position, Positions, Survey
from oretally.recon.propagation import estimate, value_at
from oretally.recon.result import Estimate, SizeRecovery
from oretally.recon.solver import Covariance

__all__ = ["size_recoveries"]


def size_recoveries(
    circuit: Circuit, survey: Survey, places: Positions, covariance: Covariance
) -> tuple[SizeRecovery, ...]:
    """Return them for each separator and each analyte whose grades by size are balanced there.

    The reference is the sum of what leaves the separator, class by class.
    """
    carriers, found = places.carriers, []
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
                (survey.sizes.label(run), _share(covariance, k, at, out.index(richest)))
                for run, at in zip(carriers.class_runs[richest], classes, strict=True)
            )
            if any(share is not None for _, share in rows):
                found.append(SizeRecovery(node.name, analyte.name, carriers.streams[richest], rows))
    return tuple(found)


def _share(covariance: Covariance, k: int, at: tuple[int, ...], i: int) -> Estimate | None:
    """Return what share of a class leaves in product i, in percent; ``at`` has its carriers."""
    n = len(at)
    places = [*(Position(None, j) for j in at), *(Position(k, j) for j in at)]
    return estimate(covariance, places, lambda v: 100.0 * v[i] * v[n + i] / (v[:n] * v[n:]).sum())
