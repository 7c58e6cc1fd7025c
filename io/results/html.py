"""The report: one HTML file with everything in it, to read, print or send."""

from __future__ import annotations

from collections.abc import Sequence

from oretally.io.definition import Price
from oretally.io.report import Format, page
from oretally.io.results.outline import FRONT, outline
from oretally.io.wording import CLOSING, Simulated
from oretally.recon.result import Balance, WhatIf

__all__ = ["html_report"]

_OPEN = frozenset({"suspects", "simulation", "worth"})  # asked for, or to be seen at once


def html_report(
    balance: Balance, prices: Sequence[Price] = (), otherwise: WhatIf | None = None, *,
    simulated: Simulated | None = None,
) -> str:  # fmt: skip
    """Return the report of a balance as one self-contained HTML document.

    No date, no network, no script: the same balance gives the same bytes.

    Parameters
    ----------
    balance : Balance
    prices : sequence of Price, optional
        Then metal is shown in money too.
    otherwise : WhatIf, optional
        The answers with other measurements, shown beside.
    simulated : Simulated, optional
        What drawn surveys say of the answers.
    """
    title = balance.survey.title
    sections = outline(
        balance, Format.PAGE, prices=prices, otherwise=otherwise, simulated=simulated
    )
    return page(
        title, sections, about=f"{title}: mass and metal balance", closing=CLOSING,
        folded={s.key for s in sections} - FRONT - _OPEN,
    )  # fmt: skip
