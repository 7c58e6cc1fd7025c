"""Rows of what a balance says by size: distributions, fitted laws, partition curves."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

from oretally.flowsheet.read_only import freeze
from oretally.recon.result.estimate import Estimate

__all__ = [
    "ClassRow",
    "FittedLaw",
    "FittedPartition",
    "Meets",
    "NoFit",
    "OpenClass",
    "PartitionLaw",
    "PartitionRow",
    "Partitioned",
    "Sharpness",
    "SizeAt",
    "SizeLaw",
    "SizeResults",
    "StreamSizes",
    "UnusedClass",
]


@dataclass(frozen=True, slots=True)
class SizeAt:
    """The size at which a curve takes a value.

    Attributes
    ----------
    percent : float
        Value of the curve. [%]
    size_um : float or None
        None where the curve gives no size; ``reason`` then says why. [um]
    sd_um : float or None
        One standard deviation, to first order: good while it is small beside the gap between
        openings. None without a size or without a covariance. [um]
    method : str
        How the size was found: an interpolation or a fitted law.
    reason : str
        Empty if there is a size.
    extrapolated : bool
        Whether the size lies outside those of the points used: of a fitted law only.
    """

    percent: float
    size_um: float | None
    sd_um: float | None
    method: str
    reason: str = ""
    extrapolated: bool = False


@dataclass(frozen=True, slots=True)
class NoFit:
    """No curve was fitted; ``reason`` says why, in words."""

    reason: str


class SizeLaw(StrEnum):
    """A law of two parameters for the cumulative passing P at a size x.

    Gates, Gaudin and Schuhmann: P = (x/k)^m up to the size modulus k, so ln P = m ln(x/k). Rosin
    and Rammler: 1 - P = exp(-(x/d')^n), so ln(-ln(1 - P)) = n ln(x/d'), with d' the size that
    63.2 % pass. Both are straight lines of a function of P against ln x. Source: the module's
    references.
    """

    GATES_GAUDIN_SCHUHMANN = "Gates-Gaudin-Schuhmann"
    ROSIN_RAMMLER = "Rosin-Rammler"


@dataclass(frozen=True, slots=True)
class Sharpness:
    """How sharply a separator cuts; all None, with a reason, where a size of the three is missing.

    Attributes
    ----------
    d25, d50, d75 : SizeAt
        Sizes of which 25, 50 and 75 % report to the coarse product.
    ecart_probable_um, ecart_probable_sd_um : float or None
        (d75 - d25) / 2 and its sd. [um]
    imperfection, imperfection_sd : float or None
        (d75 - d25) / (2 d50). [1]
    kappa, kappa_sd : float or None
        d25 / d75, 1 for a perfect cut. [1]
    reason : str
    """

    d25: SizeAt
    d50: SizeAt
    d75: SizeAt
    ecart_probable_um: float | None = None
    ecart_probable_sd_um: float | None = None
    imperfection: float | None = None
    imperfection_sd: float | None = None
    kappa: float | None = None
    kappa_sd: float | None = None
    reason: str = ""


class PartitionLaw(StrEnum):
    """The corrected curve c, what reports to the coarse product without the bypass.

    Plitt, a Rosin-Rammler curve: c = 1 - exp(-ln 2 (d/d50c)^m); ln 2 is printed as 0.6931.
    Whiten: c = (exp(a x) - 1) / (exp(a x) + exp(a) - 2), x = d/d50c. Source: the module's
    references.
    """

    PLITT = "Plitt"
    WHITEN = "Whiten"


@dataclass(frozen=True, slots=True)
class UnusedClass:
    """A class that a fit does not use, counted from 0, and why: a few words."""

    place: int
    reason: str


@dataclass(frozen=True, slots=True)
class OpenClass:
    """The coarsest class or the pan, which bounds a fitted curve.

    Attributes
    ----------
    place : int
        Of the class, counted from 0.
    least, most : float
        Between which the fitted curve lets its share be: the pan between the bypass and the curve
        at the finest sieve, the coarsest class between the curve at its sieve and 1. [1]
    meets : Meets
        Where its share lies in that: only at an end does the class check the curve, and hold it.
    """

    place: int
    least: float
    most: float
    meets: Meets


@dataclass(frozen=True, slots=True)
class FittedPartition:
    """A curve with a bypass fitted to the shares of the solids, weighted by their covariance.

    Attributes
    ----------
    law : PartitionLaw
    d50c_um : (float, float) or None
        Cut size without the bypass, and its sd; None where no curve was fitted, ``reason`` then
        says why. [um]
    sharpness : (float, float) or None
        Plitt's m or Whiten's alpha: the larger, the sharper. [1]
    bypass : (float, float) or None
        Share of the finest sizes that goes to the coarse product, and its sd. [%]
    bypass_range : (float, float) or None
        From where to where chi-square rises by 1 or less: value less and plus sd, unless a bound is
        near: 0 below, the share of the pan above. Its half is then the sd. [%]
    bypass_held : bool
        Whether the bypass rests at a bound, 0 or the share of the pan.
    chi_square : float or None
        Weighted sum of squares of what the curve misses.
    dof : int or None
        Classes that check the curve less the parameters fitted; at 0 nothing checks it.
    p : float or None
        Chance of a larger chi-square by the stated errors alone; None at 0 degrees of freedom.
    open_classes : tuple of OpenClass
        The coarsest class and the pan: bounds of the curve.
    left_out : tuple of UnusedClass
        Classes that were not used.
    doubt : str
        Words on a curve that misses the points by more than their errors explain, or empty.
    note : str
        What the free fit found where it was not kept.
    reason : str
    """

    law: PartitionLaw
    d50c_um: Estimate | None = None
    sharpness: Estimate | None = None
    bypass: Estimate | None = None
    bypass_range: Estimate | None = None
    bypass_held: bool = False
    chi_square: float | None = None
    dof: int | None = None
    p: float | None = None
    open_classes: tuple[OpenClass, ...] = ()
    left_out: tuple[UnusedClass, ...] = ()
    doubt: str = ""
    note: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class PartitionRow:
    """One class at a separator: what share of it reports to the product, in percent."""

    label: str
    size_um: float | None
    solids: Estimate | None
    analytes: Mapping[str, Estimate | None]

    def __post_init__(self) -> None:
        freeze(self, "analytes")


@dataclass(frozen=True, slots=True)
class Partitioned:
    """Partition of the classes of a separator's feed to its coarsest product.

    ``sharpness`` is read between the points, ``fits`` are curves with a bypass. The circulating
    load is the flow of the coarse product per flow of all that goes on, in percent; None where the
    coarse product does not come back to the separator, or a flow is not known.
    """

    node: str
    product: str
    classes: tuple[PartitionRow, ...]
    sharpness: Sharpness
    fits: tuple[FittedPartition, ...] = ()
    circulating_load: Estimate | None = None


@dataclass(frozen=True, slots=True)
class ClassRow:
    """One size class of a stream, adjusted.

    Attributes
    ----------
    label : str
    retained_um, passed_um : float
        Openings that bound it; 0 and infinity where open. [um]
    share : (float, float)
        Of the dry solids, and its sd. [%]
    passing : (float, float) or None
        What passes the opening that retains it; None for the finest class. [%]
    grade : mapping of str to (float, float) or None
        By analyte, in its unit; None where the balance does not give it.
    distribution : mapping of str to (float, float) or None
        Share of the stream's analyte in this class. [%]
    """

    label: str
    retained_um: float
    passed_um: float
    share: Estimate
    passing: Estimate | None
    grade: Mapping[str, Estimate | None]
    distribution: Mapping[str, Estimate | None]

    def __post_init__(self) -> None:
        freeze(self, "grade", "distribution")


@dataclass(frozen=True, slots=True)
class FittedLaw:
    """A law of two parameters fitted to the cumulative passing, weighted by its covariance.

    Attributes
    ----------
    law : SizeLaw
    exponent, size_um : (float, float) or None
        m and k of Gates, Gaudin and Schuhmann, n and d' of Rosin and Rammler, each with its sd;
        None where no law was fitted, ``reason`` then says why. [1], [um]
    chi_square : float or None
        Weighted sum of squares of what the law misses.
    dof : int or None
        Openings used less 2; at 0 nothing checks the law.
    p : float or None
        Chance of a larger chi-square by the stated errors alone; None at 0 degrees of freedom.
    left_out_um : tuple of float
        Openings that all or nothing passes. [um]
    doubt : str
        Words on a law that misses the points by more than their errors explain, or empty.
    reason : str
    """

    law: SizeLaw
    exponent: Estimate | None = None
    size_um: Estimate | None = None
    chi_square: float | None = None
    dof: int | None = None
    p: float | None = None
    left_out_um: tuple[float, ...] = ()
    doubt: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class StreamSizes:
    """Sizes of a stream: classes from coarse to fine, the size that 80 % pass, fitted laws."""

    stream: str
    classes: tuple[ClassRow, ...]
    p80: SizeAt
    fits: tuple[FittedLaw, ...] = ()


@dataclass(frozen=True, slots=True)
class SizeResults:
    """All that a balance says by size; empty without sizes."""

    streams: tuple[StreamSizes, ...] = ()
    partitions: tuple[Partitioned, ...] = ()


class Meets(StrEnum):
    """Where the share of an open class lies in what the curve lets it have."""

    WITHIN = "within"
    LEAST = "least"
    MOST = "most"
