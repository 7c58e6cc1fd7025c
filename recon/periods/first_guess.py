"""First values of what shifts share: any do, near ones take fewer rounds."""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache

import numpy as np

from oretally.flowsheet.arrays import Floats
from oretally.recon.periods.shifts import Coupled, Source

__all__ = ["first_guess"]

_LEAST = 0.02  # of the largest flow, or grade, of all: a stock begins with no less
_OFF = 0.3  # of itself: how far off it may be


def first_guess(
    coupled: Coupled, shared: Sequence[tuple[int, str] | Source]
) -> tuple[Floats, Floats]:
    """Return first values, and how far off they may be (an sd), shapes (n_shared,).

    A source is 0 +- 1. A stock is as it was measured on either side; else as in the mean of all
    stocks of its pile; else as the largest flow of the period, with the mean of all grades.
    """
    value, sd = np.zeros(len(shared)), np.ones(len(shared))
    of_pile = cache(lambda node, quantity: _of_pile(coupled, node, quantity))
    of_all = cache(lambda quantity: _of_all(coupled, quantity))
    for i, key in enumerate(shared):
        if isinstance(key, Source):
            continue
        number, quantity = key
        link = coupled.links[number]
        here = _at_link(coupled, number, quantity)
        pile = of_pile(link.node, quantity)
        every = of_all(quantity)
        known = here or pile or every
        value[i] = float(np.mean(known)) if known else 1.0
        largest = max([*every, *pile], default=1.0) or 1.0
        value[i] = max(value[i], _LEAST * largest)
        sd[i] = _OFF * value[i]
    return value, sd


def _at_link(coupled: Coupled, number: int, quantity: str) -> list[float]:
    """Return what was measured of a stock that is handed on, on both sides."""
    link = coupled.links[number]
    found = []
    for t, opening in ((link.before, False), (link.after, True)):
        shift = coupled.shifts[t]
        stock = shift.stock(link.node, opening=opening)
        m = None if stock is None else shift.survey.measured(stock.name, quantity)
        found += [] if m is None else [m.value_base]
    return found


def _of_pile(coupled: Coupled, node: str, quantity: str) -> list[float]:
    """Return all that was measured of the stocks of one pile."""
    return [
        m.value_base
        for shift in coupled.shifts
        for s in shift.circuit.streams
        if s.stock and node in (s.source, s.target)
        for m in [shift.survey.measured(s.name, quantity)]
        if m is not None
    ]


def _of_all(coupled: Coupled, quantity: str) -> list[float]:
    """Return all that was measured of a quantity."""
    return [
        m.value_base
        for s in coupled.shifts
        for m in s.survey.measurements
        if m.quantity == quantity
    ]
