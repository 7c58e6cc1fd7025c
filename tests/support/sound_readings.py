"""Readings as they are written down, slips among them, and the survey that is made of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from oretally.flowsheet import Dimension, ErrorSource, Measurement, Survey, Unit, parse_unit
from oretally.flowsheet.survey import PROPAGATED, with_sources

__all__ = ["SHARE", "Reading", "slipped", "survey_of"]

SHARE = parse_unit("%", Dimension.SHARE)


@dataclass
class Reading:
    """A number as read, and the rule of its error.

    Attributes
    ----------
    stream, quantity : str
    value : float
        Of a stack, the mass of the class in g.
    unit : Unit
    relative, absolute : float
        Parts of the sd: of the value, and constant.
    stack : bool
        Whether it is of a stack of sieves.
    source : str
        Of the stated error.
    """

    stream: str
    quantity: str
    value: float
    unit: Unit
    relative: float
    absolute: float = 0.0
    stack: bool = False
    source: str = "row"

    @property
    def sd(self) -> float:
        """Stated error."""
        return float(np.hypot(self.relative * self.value, self.absolute))


def survey_of(
    readings: Sequence[Reading], plain: Survey, more: Sequence[Measurement] = (),
    sources: Sequence[ErrorSource] = (),
) -> Survey:  # fmt: skip
    """Return a survey with some readings; masses of a stack are turned into shares.

    Parameters
    ----------
    readings : sequence of Reading
    plain : Survey
        All but its measurements.
    more : sequence of Measurement
    sources : sequence of ErrorSource
    """
    whole: dict[str, float] = {}
    for r in readings:
        if r.stack:
            whole[r.stream] = whole.get(r.stream, 0.0) + r.value
    found = []
    for r in readings:
        size = 100.0 / whole[r.stream] if r.stack else 1.0
        source = PROPAGATED if r.stack else r.source
        found.append(Measurement(r.stream, r.quantity, r.value * size, r.unit, r.sd * size, source))
    sourced = with_sources(found, sources)
    return replace(
        plain, measurements=(*sourced.measurements, *more), shared=tuple(sourced.shared),
        stacks=frozenset(whole),
    )  # fmt: skip


def slipped(rng: np.random.Generator, readings: Sequence[Reading]) -> str:
    """Let one reading be written down wrong: ten times, a tenth, or two digits exchanged.

    Returns
    -------
    str
        What was done; empty if it changed nothing.
    """
    r = readings[int(rng.integers(len(readings)))]
    before, how = r.value, str(rng.choice(["x10", "/10", "digits"]))
    if how == "x10" and r.quantity == "% solids":  # nobody would take that
        how = "/10"
    if how == "digits":
        text = f"{before:.3g}"
        pairs = [i for i in range(len(text) - 1) if text[i : i + 2].isdigit()]
        pairs = [i for i in pairs if text[i] != text[i + 1] and "e" not in text]
        if not pairs:
            return ""
        i = int(rng.choice(pairs))
        r.value = float(text[:i] + text[i + 1] + text[i] + text[i + 2 :])
    else:
        r.value = before * 10.0 if how == "x10" else before / 10.0
    if r.value == before:
        return ""
    return f"{r.quantity} of {r.stream}: {before:.4g} read as {r.value:.4g}"
