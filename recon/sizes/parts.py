"""The size classes of a stream that are known of an analyte: single ones, or runs of several."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from oretally.flowsheet import BalanceModel, Position
from oretally.flowsheet.survey import Run
from oretally.recon.propagation import value_at
from oretally.recon.solver import Covariance

__all__ = ["SizePart", "size_parts"]


@dataclass(frozen=True, slots=True)
class SizePart:
    """A class or a run of classes, and where its flow and its grade stand in the arrays.

    ``known`` is False where the balance gives no grade.
    """

    run: Run
    flow: Position
    grade: Position
    known: bool


def size_parts(
    model: BalanceModel, covariance: Covariance, *, k: int, stream: int
) -> list[SizePart]:
    """Return the parts of a stream, from coarse to fine; empty if none is known of analyte k.

    Single classes where the balance gives them, else the shortest run that it gives.
    """
    carriers = model.carriers
    if (k, stream) not in carriers.by_class:
        return []
    parts, done = list[SizePart](), 0
    for single, first in zip(
        carriers.class_runs[stream], carriers.own_classes(stream), strict=True
    ):
        if single[0] < done:  # in a run that was chosen
            continue
        runs = sorted(r for (j, r) in carriers.runs if j == stream and r[0] == single[0])
        chosen = SizePart(single, Position(None, first), Position(k, first), known=False)
        for run in (single, *runs):
            at = first if run == single else carriers.runs[stream, run]
            part = SizePart(run, Position(None, at), Position(k, at), known=True)
            if _determined(covariance, part):
                chosen = part
                break
        parts.append(chosen)
        done = chosen.run[1] + 1
    return parts if any(part.known for part in parts) else []


def _determined(covariance: Covariance, part: SizePart) -> bool:
    places = (part.flow, part.grade)
    values = [value_at(covariance, place) for place in places]
    return bool(np.isfinite(values).all() and np.isfinite(covariance.joint(places)).all())
