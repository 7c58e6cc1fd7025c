"""Numbers computed from adjusted values, with their sd; levels of the tests."""

from oretally.recon.propagation.amounts import (
    Amount,
    adjusted_amount,
    adjusted_sd,
    over,
    times,
    weighted,
)
from oretally.recon.propagation.propagated import (
    Function,
    estimate,
    joint_estimate,
    propagated,
    value_at,
)
from oretally.recon.propagation.redundancy import LARGEST, POWER, SEEN, detectable_error
from oretally.recon.propagation.significance import global_test, sidak_limit, sidak_p

__all__ = [
    "LARGEST",
    "POWER",
    "SEEN",
    "Amount",
    "Function",
    "adjusted_amount",
    "adjusted_sd",
    "detectable_error",
    "estimate",
    "global_test",
    "joint_estimate",
    "over",
    "propagated",
    "sidak_limit",
    "sidak_p",
    "times",
    "value_at",
    "weighted",
]
