"""The result of a balance: named rows, every number with its unit and its sd.

Absent is not zero: a number that the data do not give is None. Signs: adjustment = adjusted -
measured; imbalance = in - out. ``sd`` is always one standard deviation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from enum import StrEnum
from typing import TYPE_CHECKING, Any

from oretally.flowsheet import Circuit, Survey
from oretally.flowsheet.digits import format_number
from oretally.recon.amount_rows import AnalyteAmount, Dissolution, Extraction, Inventory, WorthTotal
from oretally.recon.by_size import SizeResults
from oretally.recon.certificate import Certificate
from oretally.recon.findings import Findings, Suspect
from oretally.recon.loss_rows import Losses
from oretally.recon.unbalanced_rows import Unbalanced

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "Balance",
    "BalancedValue",
    "CalculatedHead",
    "Closure",
    "ErrorShare",
    "FormulaRecovery",
    "GlobalTest",
    "Recovery",
    "RecoveryBudget",
    "Separation",
    "ValueClass",
]


class ValueClass(StrEnum):
    """What the balances can say of a value.

    A measured value is redundant if the others can check it; an unmeasured one is observable if
    the balance gives it. An ``absent`` grade is that of a stream which carries nothing.
    """

    REDUNDANT = "redundant"
    NONREDUNDANT = "nonredundant"
    OBSERVABLE = "observable"
    UNOBSERVABLE = "unobservable"
    ABSENT = "absent"


@dataclass(frozen=True, slots=True)
class BalancedValue:
    """One quantity of one stream, measured against adjusted, in ``unit``.

    Attributes
    ----------
    measured, sd : float or None
        As measured, and its stated error.
    adjusted, adjusted_sd : float or None
        Reconciled; None where unobservable. ``adjusted_sd`` is None also at a bound.
    adjustment, standardised : float or None
        Adjusted minus measured; the same divided by its own standard deviation
        sqrt(sd^2 - adjusted_sd^2), None for a nonredundant value.
    value_class : ValueClass
    redundancy : float or None
        Redundancy number 1 - adjusted_sd^2/sd^2: the share of an error that shows. Where the
        measurement shares sources of error with others, that of its own part, and so for
        ``standardised`` and ``detectable_error``.
    detectable_error : float or None
        Least error that the measurement test finds (alpha 5 %, power 80 %).
    at_bound : bool
        True if the value was held at its bound (0, or the analyte's maximum).
    error_source, note : str
        Where the stated error came from; what else to know of the measurement.
    """

    stream: str
    quantity: str
    carrier: str
    unit: str
    measured: float | None
    sd: float | None
    adjusted: float | None
    adjusted_sd: float | None
    adjustment: float | None
    standardised: float | None
    value_class: ValueClass
    redundancy: float | None
    detectable_error: float | None
    at_bound: bool = False
    error_source: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True)
class Closure:
    """In minus out at a node, as measured; amounts in ``unit`` (mass or rate).

    ``quantity`` is the flow quantity or an analyte; ``z`` is imbalance / sd.
    """

    node: str
    quantity: str
    unit: str
    inflow: float
    outflow: float
    imbalance: float
    sd: float
    z: float


@dataclass(frozen=True, slots=True)
class CalculatedHead:
    """Feed grade rebuilt from the measured products, against the assayed and the adjusted head.

    Grades in ``unit``; ``z`` is (calculated - assayed) / sd of the difference.
    """

    stream: str
    analyte: str
    unit: str
    calculated: float
    calculated_sd: float
    assayed: float | None
    assayed_sd: float | None
    z: float | None
    adjusted: float | None
    adjusted_sd: float | None


@dataclass(frozen=True, slots=True)
class Recovery:
    """Share of the analyte of stream ``of`` that reports to ``stream``, adjusted, in percent.

    ``product`` is True for the reported products, whose recoveries are the distribution. Where the
    grade of ``stream`` rests on its lower bound there is no ``sd``, but the recovery is ``at_most``
    so much, with a confidence of 95 %; where those of all others do, ``at_least`` so much.
    """

    stream: str
    analyte: str
    of: str
    recovery: float | None
    sd: float | None
    product: bool
    unit: str = "%"
    at_most: float | None = None
    at_least: float | None = None

    @property
    def limit(self) -> str:
        """The limit in words, without its unit; empty where there is none."""
        if self.at_most is not None:
            return f"at most {format_number(self.at_most, 2)}"
        return "" if self.at_least is None else f"at least {format_number(self.at_least, 3)}"


@dataclass(frozen=True, slots=True)
class ErrorShare:
    """What one source adds to the variance of an answer.

    Attributes
    ----------
    source : str
        'stated error', or the name of a source.
    stream : str
        Empty for a source that several measurements share.
    quantity : str
    share : float
        Of the variance; all shares together are 1.
    """

    source: str
    stream: str
    quantity: str
    share: float

    @property
    def shared(self) -> bool:
        """Whether several measurements have this error together."""
        return not self.stream


@dataclass(frozen=True, slots=True)
class RecoveryBudget:
    """Shares of the variance of one recovery, the largest first; ``sd`` in percent."""

    stream: str
    analyte: str
    sd: float
    shares: tuple[ErrorShare, ...]


@dataclass(frozen=True, slots=True)
class Separation:
    """How a product compares with stream ``of``, adjusted.

    Attributes
    ----------
    yield_percent, yield_sd : float or None
        Mass pull: mass of ``stream`` per mass of ``of``. [%]
    ratio_of_concentration, ratio_sd : float or None
        Mass of ``of`` per mass of ``stream``.
    enrichment : mapping of str to (float, float) or None
        By analyte: grade of ``stream`` per grade of ``of``, and its sd.
    """

    stream: str
    of: str
    yield_percent: float | None
    yield_sd: float | None
    ratio_of_concentration: float | None
    ratio_sd: float | None
    enrichment: dict[str, tuple[float, float] | None]


@dataclass(frozen=True, slots=True)
class FormulaRecovery:
    """A textbook answer for one plain separation, beside the reconciled one, in percent.

    Attributes
    ----------
    formula : str
        'two-product formula', 'three-product formula', 'weights, assayed head' or
        'weights, calculated head'.
    recovery, sd : float
        From the measured values alone; sd by first-order propagation.
    reconciled, reconciled_sd : float or None
        What the balance says.
    """

    stream: str
    analyte: str
    formula: str
    recovery: float
    sd: float | None
    reconciled: float | None
    reconciled_sd: float | None


@dataclass(frozen=True, slots=True)
class GlobalTest:
    """Chi-square test of the whole survey; ``consistent`` if p >= alpha. p is None if dof = 0."""

    statistic: float
    dof: int
    p: float | None
    alpha: float
    consistent: bool | None


@dataclass(frozen=True, slots=True)
class Balance:
    """A consistent balance of one survey.

    Attributes
    ----------
    circuit, survey : Circuit, Survey
        What was balanced.
    feed, products : str, tuple of str
        Reference stream of the recoveries, and the streams among which they are shared.
    converged : bool
    status : str
        Why the solver stopped, in words.
    iterations : int
    objective : float
        Sum of squared adjustments in sd units.
    stationarity : float
        First-order check: objective units that a further step could still gain.
    max_imbalance : float
        Largest relative residual over all balances, each against its node's throughput.
    budgets : tuple of RecoveryBudget
        Where the uncertainty of the recoveries comes from.
    amounts : tuple of AnalyteAmount
        Of feed and products.
    sizes : SizeResults
        What it says by size.
    extractions : tuple of Extraction
        Of each dissolved analyte at each leach.
    dissolutions : tuple of Dissolution
        Solids that dissolve at leaches of which the case says so.
    inventories : tuple of Inventory
        Of the stockpiles.
    findings : Findings
        What is probably wrong; nothing was dropped or changed for it.
    notes : tuple of str
        What the reader must know: unobservable values and what to measure, bounds met.
    losses : Losses
        Where the analytes are lost, in which sizes, and which test would tell why.
    worth : tuple of WorthTotal
        What several analytes are worth together, if prices were given.
    doubtful : tuple of str
        Answers whose sd is no more than a rough guide.
    certificate : Certificate or None
        What an examination of the problem as it was stated found, however it was solved.
    unbalanced : Unbalanced or None
        Why there is no balance, and what would help, where ``converged`` is False: then no value
        is adjusted, and there are no answers.
    """

    circuit: Circuit
    survey: Survey
    feed: str
    products: tuple[str, ...]
    converged: bool
    status: str
    iterations: int
    objective: float
    stationarity: float
    max_imbalance: float
    global_test: GlobalTest
    values: tuple[BalancedValue, ...]
    closures: tuple[Closure, ...]
    heads: tuple[CalculatedHead, ...]
    recoveries: tuple[Recovery, ...]
    separations: tuple[Separation, ...]
    formulas: tuple[FormulaRecovery, ...]
    budgets: tuple[RecoveryBudget, ...]
    amounts: tuple[AnalyteAmount, ...]
    sizes: SizeResults
    extractions: tuple[Extraction, ...]
    inventories: tuple[Inventory, ...]
    findings: Findings
    notes: tuple[str, ...]
    losses: Losses = Losses()
    dissolutions: tuple[Dissolution, ...] = ()
    worth: tuple[WorthTotal, ...] = ()
    doubtful: tuple[str, ...] = ()
    certificate: Certificate | None = None
    unbalanced: Unbalanced | None = None

    @property
    def suspects(self) -> tuple[Suspect, ...]:
        """Errors that are probably there, the likeliest first."""
        return self.findings.suspects

    def value(self, stream: str, quantity: str) -> BalancedValue:
        """Return one quantity of one stream; KeyError if there is none."""
        for row in self.values:
            if (row.stream, row.quantity) == (stream, quantity):
                return row
        raise KeyError((stream, quantity))

    def recovery(self, stream: str, analyte: str) -> Recovery:
        """Return the recovery of one analyte to one stream; KeyError if there is none."""
        for row in self.recoveries:
            if (row.stream, row.analyte) == (stream, analyte):
                return row
        raise KeyError((stream, analyte))

    def values_frame(self) -> pd.DataFrame:
        """Return ``values`` as a pandas frame, one row a quantity."""
        return _frame(self.values, BalancedValue)

    def closures_frame(self) -> pd.DataFrame:
        """Return ``closures`` as a pandas frame."""
        return _frame(self.closures, Closure)

    def recoveries_frame(self) -> pd.DataFrame:
        """Return ``recoveries`` as a pandas frame."""
        return _frame(self.recoveries, Recovery)

    def __repr__(self) -> str:
        state = "converged" if self.converged else "NOT converged"
        return (
            f"<Balance {self.survey.title!r}: {state}, {len(self.circuit.nodes)} nodes, "
            f"{len(self.circuit.streams)} streams, objective {self.objective:.4g} "
            f"on {self.global_test.dof} degrees of freedom>"
        )

    def _repr_html_(self) -> str:
        """Return the values and recoveries as HTML tables, for notebooks."""
        from html import escape

        heading = f"<p>{escape(repr(self))}</p>"
        return heading + self.recoveries_frame().to_html() + self.values_frame().to_html()


def _frame(rows: Sequence[Any], kind: type) -> pd.DataFrame:
    """Return dataclass rows as a frame that has its columns even when there are no rows."""
    import pandas as pd

    return pd.DataFrame([asdict(row) for row in rows], columns=[f.name for f in fields(kind)])
