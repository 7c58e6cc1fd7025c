"""Where the uncertainty of a recovery comes from, and which assay would take most of it away.

Rows are made when they are asked for: a large survey has a share for each of its numbers, and shows
a few of them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from oretally.flowsheet.arrays import Floats, Ints
from oretally.recon.result.estimate import Estimate

__all__ = ["ErrorOrigin", "ErrorShare", "MissingAssay", "RecoveryBudget"]

_MOST = 50  # shares of one recovery told one by one: a large survey has as many as it has numbers

_ROUNDING = 1e-24  # a share that is none
_DIGITS = 9  # of a share: those that differ by less are in the order of their names


@dataclass(frozen=True, slots=True)
class ErrorOrigin:
    """Where an error comes from.

    Attributes
    ----------
    source : str
        'stated error', or the name of a source.
    stream : str
        Empty for a source that several measurements share.
    quantity : str
    """

    source: str
    stream: str
    quantity: str

    @property
    def shared(self) -> bool:
        """Whether several measurements have this error together."""
        return not self.stream


@dataclass(frozen=True, slots=True)
class ErrorShare(ErrorOrigin):
    """What one source adds to the variance of an answer: ``share``; all together are 1."""

    share: float


@dataclass(frozen=True, slots=True)
class MissingAssay:
    """An assay that was not made, and how well a recovery would be known with it.

    Attributes
    ----------
    stream, quantity : str
        What to assay, and for what.
    grade, sd : float
        What the balance expects there, and the error of the assay, as stated for others; in
        ``unit``.
    unit : str
    analyte : str
        Whose recovery it tells.
    kept : tuple of str
        The products that it is recovered in.
    percent : (float, float)
        That recovery, and its sd without the assay. [%]
    sd_then : float
        Its sd with the assay. [%]
    """

    stream: str
    quantity: str
    grade: float
    sd: float
    unit: str
    analyte: str
    kept: tuple[str, ...]
    percent: Estimate
    sd_then: float


@dataclass(frozen=True, slots=True, eq=False)
class RecoveryBudget:
    """Shares of the variance of one recovery.

    Attributes
    ----------
    stream, analyte : str
    sd : float
        Of the recovery, in percent.
    origins : tuple of ErrorOrigin
        All sources of error of the survey, in the order of their names.
    share : ndarray, shape (n_origins,)
        They add up to 1.
    """

    stream: str
    analyte: str
    sd: float
    origins: tuple[ErrorOrigin, ...]
    share: Floats

    def __eq__(self, other: object) -> bool:
        return isinstance(other, RecoveryBudget) and self._key() == other._key()

    def __hash__(self) -> int:
        return hash(self._key())

    def _key(self) -> tuple[object, ...]:
        return self.stream, self.analyte, self.sd, self.origins, self.share.tobytes()

    @property
    def shares(self) -> tuple[ErrorShare, ...]:
        """The sources that have a share, the largest first, 50 at the most."""
        return self.first(_MOST)

    @property
    def rest(self) -> float:
        """What all sources but those of `shares` add to the variance together."""
        return float(self.share[self._order()[_MOST:]].sum())

    def first(self, n: int) -> tuple[ErrorShare, ...]:
        """Return the n largest shares, as far as there are so many."""
        order = self._order()[:n]
        told = ((self.origins[i], float(self.share[i])) for i in order if self.share[i] > _ROUNDING)
        return tuple(ErrorShare(o.source, o.stream, o.quantity, share) for o, share in told)

    def _order(self) -> Ints:
        """Return the places of all shares, the largest first."""
        return np.argsort(-np.round(self.share, _DIGITS), kind="stable")
