"""Named rows of amounts: at leaches what passes into solution, also over time; inventories.

Absent is not zero: a number that the data do not give is None. ``sd`` is one standard deviation.
"""

from __future__ import annotations

from dataclasses import dataclass

from oretally.recon.result.estimate import Estimate
from oretally.recon.result.timed import RateCurve

__all__ = ["AnalyteAmount", "CourseCheck", "CoursePoint", "Dissolution", "Extraction", "Inventory",
           "InventoryLine", "LeachCourse", "ReagentPoint", "ReagentUse",
           "WorthTotal"]  # fmt: skip


@dataclass(frozen=True, slots=True)
class Extraction:
    """How much of an analyte passes from the solids to the solution at a leach, in percent.

    What carbon, resin or a precipitate takes out of the solution was extracted too.

    Attributes
    ----------
    by_solids, by_solution : float or None
        As measured: from the solids that enter and leave; from the solution against the solids
        that enter. Each with its sd.
    reconciled : float or None
        By the balance, with its sd.
    accountability : float or None
        As measured: analyte out per analyte in, solids and solution together, with its sd.
    taken_up : float or None
        By the balance: of what was in solution, the share that carbon, resin or a precipitate took
        up there, with its sd.
    masses_equal : bool
        True where ``by_solids`` is from the grades alone, the solids that leave being as many as
        those that enter.
    """

    node: str
    analyte: str
    by_solids: float | None
    by_solids_sd: float | None
    by_solution: float | None
    by_solution_sd: float | None
    reconciled: float | None
    reconciled_sd: float | None
    accountability: float | None
    accountability_sd: float | None
    taken_up: float | None = None
    taken_up_sd: float | None = None
    masses_equal: bool = False


@dataclass(frozen=True, slots=True)
class Dissolution:
    """Solids that dissolve at a leach, adjusted; masses in ``unit``.

    Attributes
    ----------
    fed, fed_sd : float or None
        Solids that enter the leach, without carbon and the like.
    dissolved, dissolved_sd : float or None
    percent, percent_sd : float or None
        What dissolves, of the solids that enter.
    """

    node: str
    unit: str
    fed: float | None
    fed_sd: float | None
    dissolved: float | None
    dissolved_sd: float | None
    percent: float | None
    percent_sd: float | None


@dataclass(frozen=True, slots=True)
class InventoryLine:
    """One amount of an inventory: 'opening', 'in', 'out', 'closing' or 'change'."""

    item: str
    measured: float | None
    measured_sd: float | None
    adjusted: float | None
    adjusted_sd: float | None


@dataclass(frozen=True, slots=True)
class Inventory:
    """Stock of one quantity in a stockpile; amounts in ``unit``.

    Attributes
    ----------
    lines : tuple of InventoryLine
        'change' is closing minus opening: what accumulated.
    unaccounted, unaccounted_sd : float or None
        opening + in - out - closing as measured; above 0 something is missing.
    z : float or None
        The two divided.
    explained : bool or None
        Whether the stated errors explain it: abs(z) at most 1.96.
    """

    node: str
    quantity: str
    unit: str
    lines: tuple[InventoryLine, ...]
    unaccounted: float | None
    unaccounted_sd: float | None
    z: float | None
    explained: bool | None


@dataclass(frozen=True, slots=True)
class AnalyteAmount:
    """What a stream holds of an analyte, adjusted.

    Attributes
    ----------
    stream, analyte : str
    amount, sd : float
        Mass of the batch, or mass per time. [kg or kg/h]
    per_feed, per_feed_sd : float or None
        Mass per dry mass of the reference stream. [kg/kg]
    product : bool
        Whether the stream is one of the reported products.
    """

    stream: str
    analyte: str
    amount: float
    sd: float
    per_feed: float | None
    per_feed_sd: float | None
    product: bool


@dataclass(frozen=True, slots=True)
class WorthTotal:
    """What some amounts are worth together, at prices that the user states.

    Attributes
    ----------
    name : str
        A stream, 'all that is kept' or 'all that is not kept'.
    analytes : tuple of str
        Those that count.
    worth, sd : float
        Money of the batch, or per hour.
    per_feed, per_feed_sd : float or None
        Money per kg of dry mass of the reference stream.
    """

    name: str
    analytes: tuple[str, ...]
    worth: float
    sd: float
    per_feed: float | None
    per_feed_sd: float | None


@dataclass(frozen=True, slots=True)
class CoursePoint:
    """One time of a leach.

    Attributes
    ----------
    time : float
    sample : str
        The stream that was drawn off; empty if none was.
    solution : Estimate or None
        In the vessel before the sample was drawn off, adjusted. [kg]
    by_solution : Estimate or None
        Extracted up to then as measured: what the solution holds and what samples took away, less
        what was put in, per analyte in the ore as assayed. [%]
    reconciled : Estimate or None
        Extracted up to then by the whole balance. [%]
    ph, ph_sd : float or None
    note : str
    """

    time: float
    sample: str
    solution: Estimate | None
    by_solution: Estimate | None
    reconciled: Estimate | None
    ph: float | None
    ph_sd: float | None
    note: str


@dataclass(frozen=True, slots=True)
class CourseCheck:
    """Whether any leach that slows down as its metal goes passes through the times.

    Attributes
    ----------
    values : int
        Times that were compared.
    chi_square : float
        Least weighted misfit of any sum of first-order leaches.
    p : float
        At most the chance of a larger one, if such a leach it is.
    """

    values: int
    chi_square: float
    p: float


@dataclass(frozen=True, slots=True)
class LeachCourse:
    """Extraction of an analyte against time.

    Attributes
    ----------
    node, analyte : str
    unit : str
        Of the times.
    points : tuple of CoursePoint
        In order of time.
    curves : tuple of RateCurve
        Fitted to what is reconciled, with its covariance; the preferred one first.
    to_come : tuple of Estimate or None
        By each of these curves, what would still be extracted after the last time; None where a
        curve is not determined. [% of the ore's]
    check : CourseCheck or None
        None where fewer than three times have an extraction.
    unaccounted : Estimate or None
        Solution put in, less what came out, as measured, where all of it was. [kg]
    """

    node: str
    analyte: str
    unit: str
    points: tuple[CoursePoint, ...]
    curves: tuple[RateCurve, ...]
    to_come: tuple[Estimate | None, ...]
    check: CourseCheck | None
    unaccounted: Estimate | None


@dataclass(frozen=True, slots=True)
class ReagentPoint:
    """What became of a reagent up to a time, in kg per t of dry ore.

    Attributes
    ----------
    time : float
    strength : Estimate or None
        As read in the solution. [g/L]
    added, left, drawn_off, consumed : Estimate or None
        Put in before it; in the vessel before the sample is drawn off; taken away by earlier
        samples; the first less the other two. Where nothing was read of what is left, ``left`` and
        ``consumed`` are None; so are ``added`` and ``consumed`` where no addition is written down.
    """

    time: float
    strength: Estimate | None
    added: Estimate | None
    left: Estimate | None
    drawn_off: Estimate | None
    consumed: Estimate | None


@dataclass(frozen=True, slots=True)
class ReagentUse:
    """The use of a reagent over time.

    Attributes
    ----------
    reagent, node : str
    unit : str
        Of the times.
    points : tuple of ReagentPoint
    never_read : bool
        Whether nothing was ever read of what is left: then only what was added is known.
    """

    reagent: str
    node: str
    unit: str
    points: tuple[ReagentPoint, ...]
    never_read: bool
