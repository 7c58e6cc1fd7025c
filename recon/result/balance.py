"""The result of a balance: named rows, every number with its unit and its sd.

Absent is not zero: a number that the data do not give is None. Signs: adjustment = adjusted -
measured; imbalance = in - out. ``sd`` is always one standard deviation.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass, fields
from typing import TYPE_CHECKING, Any

from oretally.flowsheet import Circuit, Survey
from oretally.flowsheet.circuit import reference_name
from oretally.recon.result.amounts import (
    AnalyteAmount,
    Dissolution,
    Extraction,
    Inventory,
    LeachCourse,
    ReagentUse,
    WorthTotal,
)
from oretally.recon.result.budgets import RecoveryBudget
from oretally.recon.result.certificate import Certificate
from oretally.recon.result.gross_errors import GrossErrors, Suspect
from oretally.recon.result.losses import Losses
from oretally.recon.result.sizes import SizeResults
from oretally.recon.result.timed import TimedProducts
from oretally.recon.result.unbalanced import Unbalanced
from oretally.recon.result.values import (
    BalancedValue,
    CalculatedHead,
    Closure,
    CombinedFeed,
    FormulaRecovery,
    GlobalTest,
    Recovery,
    Separation,
)

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Balance"]


@dataclass(frozen=True, slots=True)
class Balance:
    """A consistent balance of one survey.

    Attributes
    ----------
    circuit, survey : Circuit, Survey
        What was balanced.
    feeds, products : tuple of str
        Streams to which recoveries refer, all together, and those among which they are shared.
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
        Of feeds and products; of several feeds also of all together, by the name in ``feed``.
    sizes : SizeResults
        What it says by size.
    extractions : tuple of Extraction
        Of each dissolved analyte at each leach.
    dissolutions : tuple of Dissolution
        Solids that dissolve at leaches of which the case says so.
    inventories : tuple of Inventory
        Of the stockpiles.
    gross_errors : GrossErrors
        What is probably wrong; nothing was dropped or changed for it.
    notes : tuple of str
        What the reader must know: unobservable values and what to measure, bounds met.
    losses : Losses
        Where the analytes are lost, in which sizes, and which test would tell why.
    worth : tuple of WorthTotal
        What several analytes are worth together, if prices were given.
    doubtful : tuple of str
        Answers whose sd is no more than a rough guide.
    contradictions : tuple of str
        What the measurements would need and cannot be, such as a stock below nothing: the answers
        are not to be relied on.
    certificate : Certificate or None
        What an examination of the problem as it was stated found, however it was solved.
    combined_feed : CombinedFeed or None
        The feeds together, if there are several.
    timed : TimedProducts or None
        Products taken one after the other, if any has a time.
    courses : tuple of LeachCourse
        Extraction against time at a leach that was sampled over time, by analyte.
    reagents : tuple of ReagentUse
        What became of the reagents there.
    unbalanced : Unbalanced or None
        Why there is no balance, and what would help, where ``converged`` is False: then no value
        is adjusted, and there are no answers.
    """

    circuit: Circuit
    survey: Survey
    feeds: tuple[str, ...]
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
    gross_errors: GrossErrors
    notes: tuple[str, ...]
    losses: Losses = Losses()
    dissolutions: tuple[Dissolution, ...] = ()
    worth: tuple[WorthTotal, ...] = ()
    doubtful: tuple[str, ...] = ()
    contradictions: tuple[str, ...] = ()
    certificate: Certificate | None = None
    combined_feed: CombinedFeed | None = None
    timed: TimedProducts | None = None
    courses: tuple[LeachCourse, ...] = ()
    reagents: tuple[ReagentUse, ...] = ()
    unbalanced: Unbalanced | None = None

    @property
    def feed(self) -> str:
        """What the feeds are called together; the name of the feed if there is one."""
        return reference_name(self.feeds)

    @property
    def suspects(self) -> tuple[Suspect, ...]:
        """Errors that are probably there, the likeliest first."""
        return self.gross_errors.suspects

    @property
    def mildly_off(self) -> bool:
        """Whether numbers do not agree, yet likelier than not all are right: it may be chance."""
        return self.global_test.slightly_off and self.gross_errors.quiet

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
        title, n = f" {self.survey.title!r}" if self.survey.title else "", len(self.circuit.nodes)
        return (
            f"<Balance{title}: {state}, {n} node{'s' * (n != 1)}, "
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
