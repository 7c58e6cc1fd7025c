"""What the answers would be with a measurement left out, changed or added."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from oretally.flowsheet import Measurement, Survey
from oretally.recon.balance import Balance, GlobalTest, Recovery

__all__ = ["Otherwise", "RecoveryOtherwise", "otherwise", "with_measurement", "without_measurement"]


@dataclass(frozen=True, slots=True)
class RecoveryOtherwise:
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
        if self.recovery is None or self.otherwise is None:
            return None
        return self.otherwise - self.recovery


@dataclass(frozen=True, slots=True)
class Otherwise:
    """A balance beside another one with some measurements left out, changed or added.

    Attributes
    ----------
    changes : tuple of str
        What is different, in words.
    converged : bool
        Whether the other one is a balance.
    test : GlobalTest
        Of the other one.
    recoveries : tuple of RecoveryOtherwise
        To the products.
    """

    changes: tuple[str, ...]
    converged: bool
    test: GlobalTest
    recoveries: tuple[RecoveryOtherwise, ...]


def without_measurement(survey: Survey, stream: str, quantity: str) -> Survey:
    """Return the survey without a measurement, and without its part in shared sources."""
    kept = tuple(
        m for m in survey.measurements if (m.stream, m.quantity) != (stream, quantity)
    )  # fmt: skip
    shared = []
    for s in survey.shared:
        loadings = {
            name: size
            for name, size in s.loadings.items()
            if (name, s.quantity) != (stream, quantity)
        }
        if loadings:
            shared.append(replace(s, loadings=loadings))
    return replace(survey, measurements=kept, shared=tuple(shared))


def with_measurement(survey: Survey, measurement: Measurement) -> Survey:
    """Return the survey with a measurement, in place of one of the same stream and quantity.

    It shares no source of error with others: its sd is all of its error.
    """
    rest = without_measurement(survey, measurement.stream, measurement.quantity)
    at = next(
        (
            i
            for i, m in enumerate(survey.measurements)
            if (m.stream, m.quantity) == (measurement.stream, measurement.quantity)
        ),
        len(rest.measurements),
    )
    kept = list(rest.measurements)
    return replace(rest, measurements=(*kept[:at], measurement, *kept[at:]))


def otherwise(now: Balance, then: Balance, changes: Sequence[str]) -> Otherwise:
    """Put two balances of one circuit side by side."""
    other: dict[tuple[str, str], Recovery] = {(r.stream, r.analyte): r for r in then.recoveries}
    rows = []
    for r in now.recoveries:
        if not r.product:
            continue
        o = other.get((r.stream, r.analyte))
        rows.append(
            RecoveryOtherwise(
                r.stream, r.analyte, r.recovery, r.sd,
                o.recovery if o is not None and then.converged else None,
                o.sd if o is not None and then.converged else None,
            )
        )  # fmt: skip
    return Otherwise(tuple(changes), then.converged, then.global_test, tuple(rows))
