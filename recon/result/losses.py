"""Rows that say where an analyte is lost, in which sizes, and which test would tell why."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from oretally.recon.result.budgets import MissingAssay
from oretally.recon.result.estimate import Estimate

__all__ = [
    "COARSE_SHARE",
    "LEAST_ENRICHMENT",
    "LEAST_SHARE",
    "MOST_ASSAYS",
    "TEST_POWER",
    "ClassRecovery",
    "CurvePoint",
    "DecidingTest",
    "End",
    "Expected",
    "GradeRecovery",
    "KeptShare",
    "Loss",
    "LossCause",
    "LossEnd",
    "LossPart",
    "Losses",
    "RecoveryBySize",
    "SizeRecovery",
    "Standing",
    "TestKind",
]

COARSE_SHARE = 0.20
"""Share of the solids in the coarse end, as nearly as the sieves allow: what stays above P80.
Common practice, no source."""
LEAST_ENRICHMENT = 1.2
"""Grade of the richest product over that of the feed, below which an analyte is not read as one
that is to be won. Common practice, no source."""
LEAST_SHARE = 0.10
"""Share of a loss that an end must hold to be worth a test. Common practice, no source."""
MOST_ASSAYS = 20
"""Assays of one part beyond which no number is named: common sense, no source."""
TEST_POWER = 0.80
"""Chance to tell that a test should have."""


class End(StrEnum):
    """An end of a size distribution."""

    COARSE = "coarse"
    FINE = "fine"


class Standing(StrEnum):
    """How a grade compares with another, as far as their errors let it be told."""

    RICHER = "richer"
    LIKE = "not told apart"
    POORER = "poorer"


class TestKind(StrEnum):
    """What is done to the material that holds the loss.

    screen
        Screen it at one opening, assay both parts.
    grind half
        Halve the coarse part, grind one half, treat both with care, assay what is left of both.
    split the finest
        Split the finest class once more, into halves of equal mass; assay both.
    treat again
        Treat it once more as before; assay it before and after.
    """

    __test__ = False  # the name begins as a test's does

    SCREEN = "screen"
    GRIND_HALF = "grind half"
    SPLIT_FINEST = "split the finest"
    TREAT_AGAIN = "treat again"


class LossCause(StrEnum):
    """Why an analyte may be where it is."""

    COARSE_UNTOUCHED = "coarse untouched"
    NO_SIZE = "no size stands out"
    ALL_FINE = "all in the finer part"
    LOCKED = "locked"
    FREE = "free"
    SLIMES = "slimes"
    NOT_BY_SIZE = "not by size"
    MISSED = "missed"
    OUT_OF_REACH = "out of reach"


@dataclass(frozen=True, slots=True)
class Expected:
    """What a test would show if an explanation held.

    Attributes
    ----------
    explanation : LossCause
    value, sd : float
        The difference of two grades that is looked at, in the analyte's unit; ``sd`` holds the
        error of the prediction and of both new assays.
    chance : float
        That the test excludes every other explanation, if this one holds. [1]
    """

    explanation: LossCause
    value: float
    sd: float
    chance: float


@dataclass(frozen=True, slots=True)
class DecidingTest:
    """A test between explanations.

    Attributes
    ----------
    kind : TestKind
    part : str
        Name of the size class or classes that it works on; empty for the whole stream.
    opening_um : float or None
        Of the screen; None where no size is known to base it on. [um]
    coarse_percent : float or None
        Share of the solids on that screen, measured or (without an opening) assumed. [%]
    expected : tuple of Expected
    alpha : float
        An explanation is excluded if the result lies beyond its two-sided limits at this level.
    assays : int or None
        Fewest assays of each part, their mean taken, that make the least chance
        `TEST_POWER`; None if `MOST_ASSAYS` do not.
    """

    kind: TestKind
    part: str
    opening_um: float | None
    coarse_percent: float | None
    expected: tuple[Expected, ...]
    alpha: float
    assays: int | None

    @property
    def chance(self) -> float:
        """Chance that the test tells, under the explanation for which it is least. [1]."""
        return min(e.chance for e in self.expected)


@dataclass(frozen=True, slots=True)
class LossPart:
    """A size class of a lost product, or a run of classes that was assayed as one.

    Attributes
    ----------
    label : str
    retained_um, passed_um : float
        Openings that bound it; 0 and infinity where open. [um]
    solids : (float, float) or None
        Share of the product's dry solids, and its sd. [%]
    grade : (float, float) or None
        In the analyte's unit.
    of_loss : (float, float) or None
        Share of what the product's solids hold of the analyte. [%]
    of_feed : (float, float) or None
        Share of what the feed holds of it. [%]
    against_loss, against_head : (float, float) or None
        Grade per grade of the product's solids; per grade of the feed's solids.
    """

    label: str
    retained_um: float
    passed_um: float
    solids: Estimate | None
    grade: Estimate | None
    of_loss: Estimate | None
    of_feed: Estimate | None
    against_loss: Estimate | None
    against_head: Estimate | None


@dataclass(frozen=True, slots=True)
class LossEnd:
    """The coarse or the fine end of a lost product, read against its whole.

    Attributes
    ----------
    end : End
    part : LossPart
        The classes of the end together.
    against_loss : Standing
        Its grade, against that of the whole product.
    against_head : Standing or None
    matters : bool
        Whether it is richer than the whole and holds a share of the loss worth a test.
    """

    end: End
    part: LossPart
    against_loss: Standing
    against_head: Standing | None
    matters: bool


@dataclass(frozen=True, slots=True)
class Loss:
    """An analyte in a product that is not kept.

    Attributes
    ----------
    stream, analyte, unit, of : str
        ``of`` is the stream to which shares refer.
    kept : tuple of str
        The products that count as recovered.
    percent : (float, float)
        Share of the analyte of ``of``, in solids and solution. [%]
    in_solution : (float, float) or None
        What of that is in its solution; None where no solution is balanced. [%]
    grade : (float, float) or None
        Of its solids.
    sieved : bool
        Whether the balance knows its sizes.
    parts : tuple of LossPart
        From coarse to fine; empty if nothing is known of the analyte by size.
    ends : tuple of LossEnd
        Those that can be read.
    between : tuple of LossPart
        Classes between both ends that hold much of the loss and are richer than its whole beyond
        chance.
    tests : tuple of DecidingTest
        The one that is worth most first.
    """

    stream: str
    analyte: str
    unit: str
    of: str
    kept: tuple[str, ...]
    percent: Estimate
    in_solution: Estimate | None
    grade: Estimate | None
    sieved: bool
    parts: tuple[LossPart, ...]
    ends: tuple[LossEnd, ...]
    between: tuple[LossPart, ...]
    tests: tuple[DecidingTest, ...]


@dataclass(frozen=True, slots=True)
class ClassRecovery:
    """One size class of the feed: what of its analyte is recovered, and what is lost.

    Attributes
    ----------
    label : str
    retained_um, passed_um : float
        Openings that bound it; 0 and infinity where open. [um]
    of_feed : (float, float) or None
        Share of the feed's analyte in this class, and its sd. [%]
    recovery : (float, float) or None
        Share of what the feed has in this class that the kept products have in it. [%]
    lost : (float, float) or None
        What the lost products have in this class, of all that the feed has. [%]
    """

    label: str
    retained_um: float
    passed_um: float
    of_feed: Estimate | None
    recovery: Estimate | None
    lost: Estimate | None


@dataclass(frozen=True, slots=True)
class RecoveryBySize:
    """Recovery of one analyte by size class from the feed to all products that are kept.

    ``of`` is what shares refer to; ``classes`` from coarse to fine.
    """

    analyte: str
    of: str
    kept: tuple[str, ...]
    lost: tuple[str, ...]
    classes: tuple[ClassRecovery, ...]


@dataclass(frozen=True, slots=True)
class SizeRecovery:
    """Share of an analyte of each size class that a separator sends to its richest product.

    ``classes`` holds (label, share) from coarse to fine. [%]
    """

    node: str
    analyte: str
    product: str
    classes: tuple[tuple[str, Estimate | None], ...]


@dataclass(frozen=True, slots=True)
class CurvePoint:
    """Products from the richest down to this one, taken together.

    ``mass_pull``, ``recovery`` of the feed [%]; ``grade`` in the analyte's unit; each with its sd.
    """

    stream: str
    mass_pull: Estimate
    grade: Estimate
    recovery: Estimate


@dataclass(frozen=True, slots=True)
class GradeRecovery:
    """Cumulative grade and recovery of one analyte over three products or more."""

    analyte: str
    unit: str
    of: str
    points: tuple[CurvePoint, ...]


@dataclass(frozen=True, slots=True)
class KeptShare:
    """What the products that count as kept have of an analyte together.

    Attributes
    ----------
    analyte : str
    streams : tuple of str
    of : str
        Stream to which it refers.
    percent : (float, float)
        Of the analyte of that stream, and its sd. [%]
    """

    analyte: str
    streams: tuple[str, ...]
    of: str
    percent: Estimate


@dataclass(frozen=True, slots=True)
class Losses:
    """Where the analytes are lost.

    Attributes
    ----------
    found : tuple of Loss
        By analyte, the greatest loss first.
    not_read : tuple of str
        Analytes that no product is richer in than the feed by `LEAST_ENRICHMENT`.
    by_separator : tuple of SizeRecovery
    curves : tuple of GradeRecovery
    stated : tuple of str
        Products that were said to be lost; empty if that was left to the default.
    kept : tuple of KeptShare
        By analyte, where some products count as kept.
    by_size : tuple of RecoveryBySize
        By analyte, where size classes pass from feed to products as they are.
    sizes_change_at : tuple of str
        Nodes behind the feed that make or take away grains of a class: then there is no recovery
        by size.
    missing_assay : MissingAssay or None
        One that would at least halve the sd of a recovery.
    """

    found: tuple[Loss, ...] = ()
    not_read: tuple[str, ...] = ()
    by_separator: tuple[SizeRecovery, ...] = ()
    curves: tuple[GradeRecovery, ...] = ()
    stated: tuple[str, ...] = ()
    kept: tuple[KeptShare, ...] = ()
    by_size: tuple[RecoveryBySize, ...] = ()
    sizes_change_at: tuple[str, ...] = ()
    missing_assay: MissingAssay | None = None
