"""The examples, each read and balanced once however many tests look at it."""

from __future__ import annotations

from functools import cache
from pathlib import Path

from balanced_once import balanced_once

from oretally.io.case import Case, read_case
from oretally.recon import Balance

__all__ = ["EXAMPLES", "example_balance", "example_case"]

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"


@cache
def example_case(name: str) -> Case:
    """Return an example as it is read."""
    return read_case(EXAMPLES / name)


@cache
def example_balance(name: str) -> Balance:
    """Return the balance of an example, with all that is asked of it by the case itself.

    It is asked for as `oretally balance` does, so that it is the same one.
    """
    case = example_case(name)
    return balanced_once(
        case.circuit, case.survey, feed=case.feeds, products=case.products, starts=None,
        rates=case.rates, lost=case.lost or None, prices={p.analyte: p.per_kg for p in case.prices},
        trials=None, second_opinions=True,
    )  # fmt: skip
