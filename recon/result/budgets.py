"""Where the uncertainty of a recovery comes from: shares of its variance.

Rows are made when they are asked for: a large survey has a share for each of its numbers, and shows
a few of them.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["ErrorOrigin", "ErrorShare", "RecoveryBudget"]


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
class RecoveryBudget:
    """Shares of the variance of one recovery.

    Attributes
    ----------
    stream, analyte : str
    sd : float
        Of the recovery, in percent.
    origins : tuple of ErrorOrigin
        All sources of error of the survey.
    largest : tuple of int
        Numbers of the origins that have a share, the largest first.
    share : tuple of float
        Of each of these; they add up to 1.
    """

    stream: str
    analyte: str
    sd: float
    origins: tuple[ErrorOrigin, ...]
    largest: tuple[int, ...]
    share: tuple[float, ...]

    @property
    def shares(self) -> tuple[ErrorShare, ...]:
        """Every source that has a share, the largest first."""
        return self.first(len(self.largest))

    def first(self, n: int) -> tuple[ErrorShare, ...]:
        """Return the n largest shares."""
        told = (
            (self.origins[i], share) for i, share in zip(self.largest[:n], self.share, strict=False)
        )
        return tuple(ErrorShare(o.source, o.stream, o.quantity, share) for o, share in told)
