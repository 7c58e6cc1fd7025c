"""Metal in mass, and in money at the prices that the user states.

What a smelter takes off is the user's to take off: the figures are no valuation.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from oretally.flowsheet import Basis
from oretally.flowsheet.digits import format_with_sd
from oretally.io.definition import Price
from oretally.io.files import SheetTable
from oretally.io.wording.amounts import amount_units
from oretally.io.wording.tables import ResultTable
from oretally.recon.result import AnalyteAmount, Balance

__all__ = ["MONEY_CAUTION", "WorthRow", "amount_table", "money_units", "price_sheet", "worth_rows",
           "worth_sentence", "worth_sheet",
           "worth_table"]  # fmt: skip

MONEY_CAUTION = (
    "Money is the metal at the prices that the case states, before any smelter's terms, and for "
    "these samples alone: no valuation of the ore and no resource statement. Its ± is that of the "
    "metal; a price has none."
)
_Row = Sequence[object]


def amount_table(balance: Balance) -> ResultTable:
    """Return the mass of each analyte in feed and products, and which of them count as kept."""
    rows, units = [], amount_units(balance)
    for m in balance.amounts:
        unit = units[m.analyte]
        rows.append(
            [m.stream, f"{m.analyte} [{unit}]", _standing(balance, m),
             *format_with_sd(unit.from_base(m.amount), unit.from_base(m.sd))]
        )  # fmt: skip
    return ResultTable(
        "What feed and products hold", ["stream", "analyte", "", "amount", "±"], rows, 3
    )


def _standing(balance: Balance, amount: AnalyteAmount) -> str:
    """Return whether an amount is fed, kept or not; empty where nothing is read so."""
    if not amount.product:
        return "fed"
    losses = [loss for loss in balance.losses.found if loss.analyte == amount.analyte]
    if any(loss.stream == amount.stream for loss in losses):
        return "not kept"
    return "kept" if any(amount.stream in loss.kept for loss in losses) else ""


def worth_sentence(balance: Balance, prices: Sequence[Price]) -> str:
    """Return what the metal that is kept, and that is not, is worth; empty without prices."""
    if not prices:
        return ""
    whole, _ = money_units(balance, prices)
    rows = list(worth_rows(balance, prices))
    told = []
    for standing in ("kept", "not kept"):
        own = [r for r in rows if r.standing == standing]
        joint = [r for r in rows if r.name == f"all that is {standing}"]
        found = (joint or own)[-1:] if joint or len(own) == 1 else []
        told += [f"{' ± '.join(format_with_sd(r.worth, r.sd))} {whole} {standing}" for r in found]
    return f"At the stated prices: {', '.join(told)} (no valuation)." if told else ""


def worth_table(balance: Balance, prices: Sequence[Price]) -> ResultTable:
    """Return what feed and products hold in money: of the batch or per hour, and per t of feed."""
    rows = [
        [r.name, r.of, r.standing, *format_with_sd(r.worth, r.sd),
         *format_with_sd(r.per_tonne, r.per_tonne_sd)]
        for r in worth_rows(balance, prices)
    ]  # fmt: skip
    whole, each = money_units(balance, prices)
    header = ["stream", "analyte", "", f"worth [{whole}]", "±", f"per t of feed [{each}]", "±"]
    stated = ", ".join(f"{p.analyte} {p.written}" for p in prices)
    return ResultTable(f"Metal at the stated prices ({stated})", header, rows, 3)


@dataclass(frozen=True, slots=True)
class WorthRow:
    """A row in money: of one analyte in one stream, or of several together.

    ``worth`` of the batch or per hour; ``per_tonne`` of dry feed, None where that is 0.
    """

    name: str
    analytes: tuple[str, ...]
    standing: str
    worth: float
    sd: float
    per_tonne: float | None
    per_tonne_sd: float | None

    @property
    def of(self) -> str:
        """The analytes in words."""
        return " + ".join(self.analytes)


def worth_rows(balance: Balance, prices: Sequence[Price]) -> Iterable[WorthRow]:
    """Yield the rows of single amounts, then the totals; none where there is no balance."""
    if not balance.converged:
        return
    per_kg = {p.analyte: p.per_kg for p in prices}
    for m in balance.amounts:
        if m.analyte in per_kg:
            price = per_kg[m.analyte]
            tonne = (_tonnes(x, price) for x in (m.per_feed, m.per_feed_sd))
            standing = _standing(balance, m)
            yield WorthRow(m.stream, (m.analyte,), standing, m.amount * price, m.sd * price, *tonne)
    for t in balance.worth:
        tonne = (_tonnes(x, 1.0) for x in (t.per_feed, t.per_feed_sd))
        yield WorthRow(t.name, t.analytes, "together", t.worth, t.sd, *tonne)


def _tonnes(per_kg: float | None, price: float) -> float | None:
    """Return money per t of dry feed; None where the feed is 0."""
    return None if per_kg is None else 1000.0 * per_kg * price


def money_units(balance: Balance, prices: Sequence[Price]) -> tuple[str, str]:
    """Return the units of the money of all, and per t of feed."""
    currency = prices[0].currency if prices else ""
    batch = balance.survey.basis is Basis.BATCH
    return currency if batch else f"{currency}/h", f"{currency}/t"


def worth_sheet(balance: Balance, prices: Sequence[Price]) -> SheetTable:
    """Return title, header and rows of the sheet; a pair (value, sd) is shown with its digits."""
    whole, each = money_units(balance, prices)
    header = ("stream", "analyte", "standing", f"worth [{whole}]", "sd",
              f"per t of feed [{each}]", "sd")  # fmt: skip
    rows: list[_Row] = [
        (r.name, r.of, r.standing, (r.worth, r.sd), (r.sd, r.sd), (r.per_tonne, r.per_tonne_sd),
         (r.per_tonne_sd, r.per_tonne_sd))
        for r in worth_rows(balance, prices)
    ]  # fmt: skip
    return "worth", header, [*rows, (MONEY_CAUTION,)]


def price_sheet(prices: Sequence[Price]) -> SheetTable:
    """Return the prices as the sheet of a case, which `read_case` reads again."""
    return "prices", ("analyte", "price"), [(p.analyte, p.written) for p in prices]
