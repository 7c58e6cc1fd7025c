"""What the commands balance is balanced once in a run, however many tests and workers ask for it.

A balance depends on nothing but what is given and cannot be changed, so that nothing is lost by it:
the tests of recon ask `reconcile` itself. Each worker keeps what it has balanced in a folder of the
run, from which the others read it. Periods of campaigns are kept by each worker for itself.
"""

from __future__ import annotations

import hashlib
import os
import pickle
from collections import OrderedDict
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from oretally.flowsheet import Circuit, Survey
from oretally.flowsheet.survey import DatedSurvey
from oretally.recon import Balance, reconcile
from oretally.recon.periods import Period, balance_period

__all__ = ["COMMANDS", "PERIODS", "balanced_once", "period_once", "share_in"]

COMMANDS = (
    "oretally.io.commands.balance", "oretally.io.compare.cases", "oretally.io.plan.case",
    "oretally.io.campaign_commands.one_survey",
)  # fmt: skip
"""Where the commands take `reconcile` from."""
PERIODS = "oretally.io.periods.asked"
"""Where they take `balance_period` from."""
_MOST = 100  # that are kept in memory
_Kept = tuple[list[Balance], Balance]
_kept: OrderedDict[bytes, _Kept] = OrderedDict()
_periods: dict[bytes, Period] = {}
_shared: list[Path] = []


def share_in(folder: Path) -> None:
    """Let balances be written to and read from a folder, which is there for one run alone."""
    folder.mkdir(exist_ok=True)
    _shared[:] = [folder]


def balanced_once(
    circuit: Circuit, survey: Survey, *, so_far: Callable[[Balance], None] | None = None,
    **asked: Any,
) -> Balance:  # fmt: skip
    """Return what `reconcile` returned when the same was asked before; what is refused is not kept.

    ``so_far`` is told of the same balances.
    """
    key = pickle.dumps((circuit, survey, sorted(asked.items())))
    if key not in _kept:
        _kept[key] = _read(key) or _balanced(key, circuit, survey, asked)
        if len(_kept) > _MOST:
            _kept.popitem(last=False)
    told, balance = _kept[key]
    if so_far is not None:
        for early in told:
            so_far(early)
    return balance


def period_once(surveys: Sequence[DatedSurvey], **asked: Any) -> Period:
    """Return what `balance_period` returned when the same was asked before."""
    key = hashlib.sha256(pickle.dumps((tuple(surveys), sorted(asked.items())))).digest()
    if key not in _periods:
        _periods[key] = balance_period(surveys, **asked)
    return _periods[key]


def _file(key: bytes) -> Path | None:
    """Return where the balance of a key is shared, if they are."""
    return _shared[0] / hashlib.sha256(key).hexdigest() if _shared else None


def _read(key: bytes) -> _Kept | None:
    """Return what another worker has balanced."""
    file = _file(key)
    if file is None or not file.exists():
        return None
    found: _Kept = pickle.loads(file.read_bytes())
    return found


def _balanced(key: bytes, circuit: Circuit, survey: Survey, asked: dict[str, Any]) -> _Kept:
    told: list[Balance] = []
    found = told, reconcile(circuit, survey, so_far=told.append, **asked)
    file = _file(key)
    if file is not None:
        part = file.with_suffix(f".{os.getpid()}")  # renamed once whole: another may be reading
        part.write_bytes(pickle.dumps(found))
        part.replace(file)
    return found
