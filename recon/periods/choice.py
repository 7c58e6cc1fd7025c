"""In which way shifts are balanced together: as one circuit, or each condensed."""

from __future__ import annotations

from oretally.recon.periods.condensed import condensed_balance
from oretally.recon.periods.condensed_shift import NotCondensable
from oretally.recon.periods.joint import JointBalance
from oretally.recon.periods.shifts import Coupled
from oretally.recon.periods.whole import whole_balance

__all__ = ["joint_balance"]

_SMALL = 250  # streams of all shifts together: one circuit is quicker up to there
_MOST = 1000  # ... and affordable up to there


def joint_balance(coupled: Coupled) -> JointBalance:
    """Balance shifts, which have no size classes, together: the answers are the same in both ways.

    One circuit also has stocks that come to nothing.

    Raises
    ------
    NotBalanceable
        If there is no balance.
    """
    size = sum(len(s.circuit.streams) for s in coupled.shifts)
    if size <= _SMALL:
        return whole_balance(coupled)
    try:
        return condensed_balance(coupled)
    except NotCondensable:
        if size > _MOST:
            raise
        return whole_balance(coupled)
