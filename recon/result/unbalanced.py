"""Why there is no balance, and what would make one possible, as named rows.

Nothing here is an answer: no value in it is a result of a balance of the survey as it is.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["LEFT_OUT", "SIZES", "ChangedReading", "Hold", "Misfit", "Recycle", "Repair",
           "Unbalanced"]  # fmt: skip

LEFT_OUT = "left out"
"""Kind of a repair that does without a reading; other kinds are those of slips."""
SIZES = "sizes"
"""What stands for all classes of a stack in a `Hold`."""


@dataclass(frozen=True, slots=True)
class Misfit:
    """A measurement that the others contradict.

    ``off`` is its distance from what they leave for it, in its own standard deviations.
    """

    stream: str
    quantity: str
    unit: str
    measured: float
    sd: float
    off: float


@dataclass(frozen=True, slots=True)
class Recycle:
    """Streams in a ring whose flow would grow without limit.

    Attributes
    ----------
    quantity : str
        That of the solids, or 'water'.
    streams : tuple of str
        What goes back stands first.
    back : tuple of str
        Those that go back towards the feed.
    """

    quantity: str
    streams: tuple[str, ...]
    back: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Hold:
    """Something not measured that would keep the recycles finite, by itself or with its fellows.

    ``quantity`` is one of the survey, or `SIZES`.
    """

    stream: str
    quantity: str


@dataclass(frozen=True, slots=True)
class ChangedReading:
    """A reading, and what it would be; ``fits`` is None if it is left out. Both in ``unit``."""

    stream: str
    quantity: str
    unit: str
    read: float
    fits: float | None
    note: str = ""


@dataclass(frozen=True, slots=True)
class Repair:
    """A change of the survey with which there is a balance; proposed, never applied.

    Attributes
    ----------
    kind : str
        `LEFT_OUT`, or the kind of a slip.
    readings : tuple of ChangedReading
        One, or those that were exchanged.
    reason : str
        The slip in words; empty for a reading that is left out.
    objective, dof : float, int
    p : float or None
        Chance of a larger objective if the stated errors hold; None without degrees of freedom.
    log_odds : float
        Logarithm of its likelihood, to rank it among the others.
    opened : tuple of (str, str)
        Stream and quantity of values that nothing determines any more.
    checked : bool
        Whether other numbers check the readings: else any size will do.
    """

    kind: str
    readings: tuple[ChangedReading, ...]
    reason: str
    objective: float
    dof: int
    p: float | None
    log_odds: float
    opened: tuple[tuple[str, str], ...] = ()
    checked: bool = True


@dataclass(frozen=True, slots=True)
class Unbalanced:
    """Why a survey has no balance, and what would help.

    Attributes
    ----------
    recycles : tuple of Recycle
        That would grow without limit.
    together : tuple of Hold
        Flows that were taken as known to keep them finite, and ``taken`` what each was taken for.
    taken : float
        In ``flow_unit``; 0 if nothing was taken as known.
    flow_unit : str
    holds : tuple of Hold
        Each of which would do, tried one by one; the cheapest first. Empty if it takes several.
    objective, dof : float, int
        Of the balance with ``together`` held; else at the best point that the search reached.
    p : float or None
    balanced : bool
        Whether those two figures are of a balance.
    agree : bool
        Whether the measurements agree there: then none of them need be wrong.
    misfits : tuple of Misfit
        The worst first.
    repairs : tuple of Repair
        The likeliest first.
    tried, left_out : int
        Changes that were tried, and how many of them left a reading out.
    untried : int
        Readings with which nothing was tried.
    most : int
        Changes that are tried at the most, if the work allows them.
    holds_untried : int
        Measurements of which nobody knows whether they would do: the work was done.
    """

    recycles: tuple[Recycle, ...] = ()
    together: tuple[Hold, ...] = ()
    taken: float = 0.0
    flow_unit: str = ""
    holds: tuple[Hold, ...] = ()
    objective: float = 0.0
    dof: int = 0
    p: float | None = None
    balanced: bool = False
    agree: bool = False
    misfits: tuple[Misfit, ...] = ()
    repairs: tuple[Repair, ...] = ()
    tried: int = 0
    left_out: int = 0
    untried: int = 0
    most: int = 0
    holds_untried: int = 0
