"""How likely a number is by the same number of the other surveys.

With x the logarithm of a number, m the median of those of the n other surveys, d their middle
distance from it and u its own relative sd::

    p(x) = t((x - m) / f) / f    f^2 = (1.4826 d)^2 + u^2

t is Student's with n - 1 degrees of freedom. A number that is wrong was meant to be another one, of
which all other numbers of its survey say what it was; the odds that it is wrong rather than right
are, beside all else that is known, p(meant) / p(read).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import inf

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.flowsheet.survey import DatedSurvey

__all__ = ["UsualReading", "UsualReadings", "log_usual"]

_LEAST_OTHERS = 3
_MAD = 1.4826  # sd over median distance, of normal numbers


@dataclass(frozen=True, slots=True)
class UsualReading:
    """What a number is in the other surveys of the campaign.

    Attributes
    ----------
    middle, spread : float
        m in logarithms of base units, and 1.4826 d.
    dof : int
        n - 1.
    """

    middle: float
    spread: float
    dof: int

    def log_odds(self, read: float, sd: float, meant: float, meant_sd: float) -> float:
        """Return log p(meant) - log p(read); all in base units, what was read above 0."""
        share = np.array([meant / read, meant_sd / read])
        found = log_usual(
            np.log(read) - self.middle, sd / read, self.spread, self.dof,
            meant=share[0], meant_sd=share[1],
        )  # fmt: skip
        return float(found)


def log_usual(
    off: Floats | float, share: Floats | float, spread: Floats | float, dof: Floats | float, *,
    meant: Floats | float, meant_sd: Floats | float,
) -> Floats:  # fmt: skip
    """Return log p(meant) - log p(read) of numbers; all arguments have one shape.

    Parameters
    ----------
    off : ndarray
        Logarithm of what was read, less the middle of the others.
    share : ndarray
        Stated error over what was read.
    spread, dof : ndarray
        As of `UsualReading`; where ``dof`` is 0 nothing is known, and 0 is returned.
    meant, meant_sd : ndarray
        What it was meant to be and the sd of that, over what was read. Nothing was meant to be less
        than 0: what is said to be is known to lie somewhere below its sd.
    """
    known = np.asarray(dof) > 0
    n = np.where(known, dof, 1.0)
    least = np.maximum(np.maximum(meant, meant_sd), 1e-12)
    at_read = _log_t(np.asarray(off), np.hypot(spread, share), n)
    own = np.hypot(np.hypot(spread, share), meant_sd / least)
    return np.where(known, _log_t(off + np.log(least), own, n) - at_read, 0.0)


def _log_t(x: Floats, scale: Floats, dof: Floats) -> Floats:
    scale = np.maximum(scale, 1e-12)
    return np.asarray(-0.5 * (dof + 1.0) * np.log1p((x / scale) ** 2 / dof) - np.log(scale))


@dataclass(frozen=True, eq=False)
class UsualReadings:
    """Surveys, each of which is judged by what is usual in the others.

    Attributes
    ----------
    surveys : sequence of DatedSurvey
    """

    surveys: Sequence[DatedSurvey]

    @cached_property
    def _read(self) -> Mapping[tuple[str, str], tuple[list[str], Floats]]:
        """Of each number the surveys that have it and the logarithms, values above 0 alone."""
        found: dict[tuple[str, str], list[tuple[str, float]]] = {}
        for dated in self.surveys:
            for m in dated.survey.measurements:
                if not m.bounded and 0.0 < m.value_base < inf:
                    found.setdefault((m.stream, m.quantity), []).append((dated.label, m.value_base))
        return {
            name: ([label for label, _ in own], np.log([value for _, value in own]))
            for name, own in found.items()
        }

    def beside(self, label: str) -> Mapping[tuple[str, str], UsualReading]:
        """Return what each number is in the surveys but one, where three others have it."""
        found = {}
        for name, (labels, x) in self._read.items():
            others = x[[other != label for other in labels]]
            if others.size >= _LEAST_OTHERS:
                middle = float(np.median(others))
                spread = _MAD * float(np.median(np.abs(others - middle)))
                found[name] = UsualReading(middle, spread, others.size - 1)
        return found
