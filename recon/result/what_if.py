"""A balance beside another one with some measurements changed, as named rows."""

from __future__ import annotations

from dataclasses import dataclass

from oretally.recon.result.values import GlobalTest

__all__ = ["RecoveryChange", "ValueChange", "WhatIf"]


@dataclass(frozen=True, slots=True)
class RecoveryChange:
    """A recovery as it is, and as it would be; in percent, None where it is not determined."""

    stream: str
    analyte: str
    recovery: float | None
    sd: float | None
    otherwise: float | None
    otherwise_sd: float | None

    @property
    def change(self) -> float | None:
        """Otherwise minus as it is, in percentage points."""
        return _difference(self.otherwise, self.recovery)


@dataclass(frozen=True, slots=True)
class ValueChange:
    """An adjusted value as it is, and as it would be; None where it is not determined.

    Attributes
    ----------
    unit : str
        Of all numbers: that of the balance as it is.
    changed : bool
        Whether the measurement itself was left out, changed or added.
    """

    stream: str
    quantity: str
    unit: str
    adjusted: float | None
    sd: float | None
    otherwise: float | None
    otherwise_sd: float | None
    changed: bool

    @property
    def change(self) -> float | None:
        """Otherwise minus as it is, in ``unit``."""
        return _difference(self.otherwise, self.adjusted)


@dataclass(frozen=True, slots=True)
class WhatIf:
    """A balance beside another one with some measurements left out, changed or added.

    Attributes
    ----------
    changes : tuple of str
        What is different, in words.
    converged : bool
        Whether the other one is a balance.
    status : str
        Why it is none, in sentences; empty if it is one.
    now : GlobalTest
        Of the balance as it is.
    test : GlobalTest or None
        Of the other one; None if it is no balance.
    recoveries : tuple of RecoveryChange
        To the products.
    values : tuple of ValueChange
        All values of both.
    """

    changes: tuple[str, ...]
    converged: bool
    status: str
    now: GlobalTest
    test: GlobalTest | None
    recoveries: tuple[RecoveryChange, ...] = ()
    values: tuple[ValueChange, ...] = ()


def _difference(then: float | None, now: float | None) -> float | None:
    return None if then is None or now is None else then - now
