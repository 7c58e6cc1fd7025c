"""Numbers computed from measured or adjusted values, with their sd; levels of the tests.

Read ``derived`` first.
"""

from oretally.recon.propagation.derived import (
    Adjusted,
    Derived,
    adjusted,
    adjusted_amount,
    amount_at,
    amount_roots,
    estimate,
    estimates,
    joint_estimate,
    joint_roots,
    moved_by_bounds,
    moved_by_errors,
    per_unit,
    total,
    value_at,
)
from oretally.recon.propagation.redundancy import LARGEST, POWER, SEEN, detectable_error
from oretally.recon.propagation.significance import global_test, sidak_limit, sidak_p

__all__ = [
    "LARGEST",
    "POWER",
    "SEEN",
    "Adjusted",
    "Derived",
    "adjusted",
    "adjusted_amount",
    "amount_at",
    "amount_roots",
    "detectable_error",
    "estimate",
    "estimates",
    "global_test",
    "joint_estimate",
    "joint_roots",
    "moved_by_bounds",
    "moved_by_errors",
    "per_unit",
    "sidak_limit",
    "sidak_p",
    "total",
    "value_at",
]
