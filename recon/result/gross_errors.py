"""What is probably wrong, as named rows: suspects, explanations, what could go unseen.

Nothing here changes a balance: no measurement is dropped or corrected.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from scipy.special import chdtrc

from oretally.recon.result.error_rates import ErrorRates

__all__ = [
    "EquivalenceGroup",
    "ErrorPlace",
    "GrossErrors",
    "HiddenError",
    "NamedExplanation",
    "RecoveryUnder",
    "SecondOpinion",
    "Slip",
    "SlippedReading",
    "Suspect",
    "TieBreaker",
    "VarianceFactor",
    "explained",
]

_SOUND = 0.5  # probability that all numbers are right, from which none stands out
_UNEXPLAINED = 1e-4  # chance of what an explanation leaves, below which it is none


def explained(objective: float, dof: int) -> bool:
    """Whether what an explanation leaves may be chance: chi-square on so many degrees of freedom.

    True where nothing is left to judge by.
    """
    return dof < 1 or float(chdtrc(dof, max(objective, 0.0))) >= _UNEXPLAINED


class ErrorPlace(NamedTuple):
    """Where an error may be: a measurement, a shared source, or what a node loses or gains unseen.

    ``kind`` is 'measurement', 'source', 'loss' or 'gain'; ``where`` is the stream, the name of
    the source or the node; ``quantity`` is empty for a loss or gain. Of what moves an answer also
    'bound': a grade that its bound holds.
    """

    kind: str
    where: str
    quantity: str = ""

    def __str__(self) -> str:
        if self.kind == "loss":
            return f"an unmeasured loss at '{self.where}'"
        if self.kind == "gain":
            return f"something that came in unseen at '{self.where}'"
        if self.kind == "source":
            return f"the shared error '{self.where}' of {self.quantity}"
        return f"{self.quantity} of '{self.where}'"


@dataclass(frozen=True, slots=True)
class TieBreaker:
    """A quantity not measured yet whose measurement would tell members of a group apart.

    ``correlation`` is what would be left of the correlation of their signatures, were it measured
    as well as its like.
    """

    stream: str
    quantity: str
    correlation: float


@dataclass(frozen=True, slots=True)
class SlippedReading:
    """A reading and what it would be without the slip, both in ``unit``; None if nobody knows.

    ``note`` says what the reading was made from, where nobody typed it.
    """

    stream: str
    quantity: str
    read: float
    fits: float | None
    unit: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Slip:
    """A common slip that would explain a reading; proposed, never applied.

    Attributes
    ----------
    kind : str
        'decimal point', 'unit', 'swapped', 'digits', 'container', 'wet mass'; of several readings
        'swapped', 'samples', 'streams' or 'lines'.
    readings : tuple of SlippedReading
        One, or all that were mixed up.
    reason : str
        The slip in words.
    probability : float
        That it happened.
    log_odds : float
        Logarithm of its odds against an error of any size in that measurement; against nothing
        being wrong for a mix-up of several.
    misfit : float
        How far the corrected reading is from what the others say, in standard deviations; of
        several the farthest.
    objective, dof : float, int
        Objective and degrees of freedom with the reading corrected.
    """

    kind: str
    readings: tuple[SlippedReading, ...]
    reason: str
    probability: float
    log_odds: float
    misfit: float
    objective: float
    dof: int


@dataclass(frozen=True, slots=True)
class Suspect:
    """One error that is probably there; the data cannot tell the members of the group apart.

    Or several numbers that were mixed up: then ``together`` is true, and all members are wrong.

    Attributes
    ----------
    group : tuple of ErrorPlace
        The first is the one whose figures are given.
    probability : float
        That one of the group is in error, under the stated rates.
    shares : tuple of float
        Probability that each member is the one.
    near : tuple of (ErrorPlace, float)
        Others whose signatures are nearly the same, with the correlation, if they may be wrong.
    unit : str
    estimated_error, sd : float
        Measured minus what the others say, in ``unit``, and its sd; what is lost, for a loss.
    statistic, p : float
        Absolute standardised adjustment; p corrected for the number of tests (Sidak).
    objective_without, dof_without : float, int
        Objective and degrees of freedom if it is left out; by linear propagation where the survey
        was not balanced again without it.
    slips : tuple of Slip
        Likeliest first.
    together : bool
        Whether all of the group are wrong at once: a mix-up of several readings.
    tie_breakers : tuple of TieBreaker
        Best first; empty if the group has one member, or if nothing unmeasured would help.
    over_time : bool
        Whether it is the course of a leach over time that speaks against it, not the balances:
        then chi-square is that of the balance and of the course together.
    instead : tuple of (ErrorPlace, float)
        Others that may be wrong in place of the first, with their probabilities, the likeliest
        first: hardly ever are two of all these wrong together.
    """

    group: tuple[ErrorPlace, ...]
    probability: float
    shares: tuple[float, ...]
    near: tuple[tuple[ErrorPlace, float], ...]
    unit: str
    estimated_error: float
    sd: float
    statistic: float
    p: float
    objective_without: float
    dof_without: int
    slips: tuple[Slip, ...] = ()
    tie_breakers: tuple[TieBreaker, ...] = ()
    together: bool = False
    over_time: bool = False
    instead: tuple[tuple[ErrorPlace, float], ...] = ()


class RecoveryUnder(NamedTuple):
    """A recovery under one explanation, in percent."""

    stream: str
    analyte: str
    recovery: float | None
    sd: float | None


@dataclass(frozen=True, slots=True)
class NamedExplanation:
    """One way to explain the survey, and what it makes of the answers.

    Attributes
    ----------
    places : tuple of ErrorPlace
        These are wrong, all others are right; empty: nothing is wrong. One that was mixed up with
        others and is wrong besides stands twice.
    slips : tuple of Slip
        The likeliest slip behind each of them, where one fits.
    probability : float
    objective, dof : float, int
        After balancing again without them.
    recoveries : tuple of RecoveryUnder
        Of the reported products.
    """

    places: tuple[ErrorPlace, ...]
    slips: tuple[Slip, ...]
    probability: float
    objective: float
    dof: int
    recoveries: tuple[RecoveryUnder, ...]


@dataclass(frozen=True, slots=True)
class EquivalenceGroup:
    """Errors whose signatures are the same in every balance, or nearly so.

    ``correlation`` is the least among the members, 1 if no data can tell them apart.
    """

    members: tuple[ErrorPlace, ...]
    correlation: float

    @property
    def exact(self) -> bool:
        """Whether nothing at all tells the members apart."""
        return self.correlation == 1.0


@dataclass(frozen=True, slots=True)
class HiddenError:
    """An error that would pass unnoticed, and how far it would move a recovery.

    Attributes
    ----------
    stream, quantity, unit : str
    size : float
        Detectable error; one stated error where nothing checks the measurement.
    checked : bool
    product, analyte : str
        The recovery that it moves most.
    points : float
        By how much, in percentage points, for an error of plus ``size``.
    """

    stream: str
    quantity: str
    unit: str
    size: float
    checked: bool
    product: str
    analyte: str
    points: float


@dataclass(frozen=True, slots=True)
class VarianceFactor:
    """Adjustments against stated errors: a variance factor of 1 if the errors are stated well.

    Attributes
    ----------
    quantity : str
        Empty for all measurements together.
    factor, low, high : float
        Mean squared standardised adjustment, and its confidence limits.
    confidence : float
    checks : float
        Degrees of freedom that the quantity has a share in.
    left_out : int
        Suspects that were not counted.
    """

    quantity: str
    factor: float
    low: float
    high: float
    confidence: float
    checks: float
    left_out: int

    @property
    def verdict(self) -> str:
        """'too small', 'too generous', or empty if the stated errors are believable."""
        return "too small" if self.low > 1.0 else "too generous" if self.high < 1.0 else ""


@dataclass(frozen=True, slots=True)
class SecondOpinion:
    """Measurements that another method finds in error, for comparison."""

    method: str
    found: tuple[ErrorPlace, ...]


@dataclass(frozen=True, slots=True)
class GrossErrors:
    """All that the tests say of one balance.

    Attributes
    ----------
    suspects : tuple of Suspect
        The likeliest first.
    probabilities : tuple of (ErrorPlace, float)
        That each measurement is wrong, and that each node loses or gains unseen; those that leave
        no signature are not among them, for nothing is known of them. Of a very large survey those
        above 0.1 %.
    explanations : tuple of NamedExplanation
        The likeliest first; 'nothing is wrong' is among them, and they need not sum to 1.
    groups : tuple of EquivalenceGroup
    hidden : tuple of HiddenError
        One a measurement, the most harmful first; none in a very large survey.
    variance_factors : tuple of VarianceFactor
        All measurements together first, then by quantity.
    opinions : tuple of SecondOpinion
    tests : int
        Different measurement and loss tests; p is corrected for as many.
    measurement_limit, nodal_limit : float or None
        Least absolute statistic that is significant, corrected for the number of tests.
    adjustment_limits : (float, float) or None
        Largest absolute standardised adjustments that chance explains: of a measurement looked at
        alone, and of all that are checked (Sidak). None where nothing is checked.
    near_limit : float
        Correlation from which signatures count as nearly the same.
    power : float
        Of the detectable errors.
    rates : ErrorRates
    all_up_to : int
        Explanations of up to so many errors were all compared, larger ones by search.
    left_out : float
        Share of the probability of explanations that were not balanced again, and estimate of that
        of sets that the search left out.
    sound : float or None
        Probability that nothing is wrong; None where nothing checks anything.
    tried, untried : int
        Explanations that were balanced again, and those that may be likely and were not: the work
        that it may take is bounded. They are ranked by linear propagation.
    """

    suspects: tuple[Suspect, ...] = ()
    probabilities: tuple[tuple[ErrorPlace, float], ...] = ()
    explanations: tuple[NamedExplanation, ...] = ()
    groups: tuple[EquivalenceGroup, ...] = ()
    hidden: tuple[HiddenError, ...] = ()
    variance_factors: tuple[VarianceFactor, ...] = ()
    opinions: tuple[SecondOpinion, ...] = ()
    tests: int = 0
    measurement_limit: float | None = None
    nodal_limit: float | None = None
    adjustment_limits: tuple[float, float] | None = None
    near_limit: float = 0.95
    power: float = 0.80
    rates: ErrorRates = field(default_factory=ErrorRates)
    all_up_to: int = 0
    left_out: float = 0.0
    sound: float | None = None
    tried: int = 0
    untried: int = 0

    @property
    def quiet(self) -> bool:
        """Whether no number stands out: likelier than not all are right."""
        return self.sound is not None and self.sound >= _SOUND
