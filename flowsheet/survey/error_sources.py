"""Sources of error: the parts of a stated error, and those that several measurements share.

A scale out of true, the bias of one laboratory batch, a moisture sample that stands for several
streams: such a source moves all its measurements together. It enters the balance as one more
unknown u ~ N(0, 1), with a loading for each measurement.

References
----------
JCGM 100:2008 (GUM), 5.1.2 (independent inputs), 5.2 and F.1.2.3 (correlation by a common source),
G.4.1 (Welch-Satterthwaite formula). Cited from memory.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from math import inf

from oretally.flowsheet.read_only import freeze

__all__ = ["SPANS", "STATED", "ErrorPart", "SharedSource", "combined_sd", "effective_dof"]

STATED = "stated error"
"""Name of the part that the row or its rule states."""
SPANS = ("day", "week", "month", "campaign")
"""Over which surveys one error may last: those of one day, week or month, or all."""


@dataclass(frozen=True, slots=True)
class ErrorPart:
    """What one source adds to the error of a measurement.

    Attributes
    ----------
    source : str
    sd : float
        In the unit of the measurement.
    shared : bool
        Whether other measurements have the same error from it.
    dof : float
        Degrees of freedom behind the sd; infinite if it is taken as known.
    """

    source: str
    sd: float
    shared: bool = False
    dof: float = inf


@dataclass(frozen=True, slots=True)
class SharedSource:
    """A source of error that moves several measurements of one quantity together.

    Attributes
    ----------
    name, quantity : str
    loadings : mapping of str to float
        Stream to what one sd of the source adds to its measurement, with its sign, in kg, kg/h or
        mass per mass.
    over : str
        Which surveys of a campaign have the same error from it, one of `SPANS`; empty: each survey
        its own.
    """

    name: str
    quantity: str
    loadings: Mapping[str, float]
    over: str = ""

    def __post_init__(self) -> None:
        freeze(self, "loadings")


def combined_sd(parts: Iterable[ErrorPart]) -> float:
    """Return the sd of a measurement from the sds of its parts, which are independent.

    Examples
    --------
    >>> combined_sd([ErrorPart("weighing", 3.0), ErrorPart("sampling", 4.0)])
    5.0
    """
    return float(sum(p.sd**2 for p in parts) ** 0.5)


def effective_dof(parts: Iterable[ErrorPart]) -> float:
    """Return the degrees of freedom behind a combined sd, by Welch and Satterthwaite.

    Examples
    --------
    >>> round(effective_dof([ErrorPart("a", 1.0, dof=10.0), ErrorPart("b", 1.0)]))
    40
    """
    parts = list(parts)
    below = sum(p.sd**4 / p.dof for p in parts)
    return combined_sd(parts) ** 4 / below if below > 0.0 else inf
