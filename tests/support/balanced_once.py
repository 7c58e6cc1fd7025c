"""What the commands balance is balanced once in a process, however many tests ask for it.

A balance depends on nothing but what is given and cannot be changed, so that nothing is lost by it:
the tests of recon ask `reconcile` itself.
"""

from __future__ import annotations

import pickle
from collections import OrderedDict
from collections.abc import Callable
from typing import Any

from oretally.flowsheet import Circuit, Survey
from oretally.recon import Balance, reconcile

__all__ = ["COMMANDS", "balanced_once"]

COMMANDS = (
    "oretally.io.commands.balance", "oretally.io.compare.cases", "oretally.io.plan.case",
    "oretally.io.campaign_commands.one_survey",
)  # fmt: skip
"""Where the commands take `reconcile` from."""
_MOST = 100  # that are kept
_kept: OrderedDict[bytes, tuple[list[Balance], Balance]] = OrderedDict()


def balanced_once(
    circuit: Circuit, survey: Survey, *, so_far: Callable[[Balance], None] | None = None,
    **asked: Any,
) -> Balance:  # fmt: skip
    """Return what `reconcile` returned when the same was asked before; what is refused is not kept.

    ``so_far`` is told of the same balances.
    """
    key = pickle.dumps((circuit, survey, sorted(asked.items())))
    if key not in _kept:
        told: list[Balance] = []
        _kept[key] = told, reconcile(circuit, survey, so_far=told.append, **asked)
        if len(_kept) > _MOST:
            _kept.popitem(last=False)
    told, balance = _kept[key]
    if so_far is not None:
        for early in told:
            so_far(early)
    return balance
