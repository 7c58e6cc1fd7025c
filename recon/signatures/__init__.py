"""What an error leaves in all the balances, how well errors explain a survey, common slips.

Read ``signatures``, then ``evidence``.
"""

from oretally.recon.signatures.equivalent_sets import NEAR, Groups, equivalence
from oretally.recon.signatures.evidence import (
    Evidence,
    Ways,
    covariance_known,
    joined_ways,
    log_evidence,
    single_log_evidence,
)
from oretally.recon.signatures.mixups import Mixups
from oretally.recon.signatures.possible_slips import PossibleSlips
from oretally.recon.signatures.signatures import (
    LOSS_UNIT,
    Traces,
    only_pushed,
    traces_at,
    traces_of,
)
from oretally.recon.signatures.slips import (
    ANY_SIZE,
    SWAPPED,
    Meant,
    Reading,
    log_density_of_any_error,
    log_normal,
    wet_reason,
)

__all__ = [
    "ANY_SIZE",
    "LOSS_UNIT",
    "NEAR",
    "SWAPPED",
    "Evidence",
    "Groups",
    "Meant",
    "Mixups",
    "PossibleSlips",
    "Reading",
    "Traces",
    "Ways",
    "covariance_known",
    "equivalence",
    "joined_ways",
    "log_density_of_any_error",
    "log_evidence",
    "log_normal",
    "only_pushed",
    "single_log_evidence",
    "traces_at",
    "traces_of",
    "wet_reason",
]
