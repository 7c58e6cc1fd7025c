"""What an error leaves in all the balances, how well errors explain a survey, common slips.

Read ``signatures``, then ``evidence``.
"""

from oretally.recon.signatures.equivalent_sets import NEAR, Groups, equivalent_sets
from oretally.recon.signatures.evidence import (
    Evidence,
    Ways,
    covariance_known,
    joined_ways,
    log_evidence,
    single_log_evidence,
    single_variance_known,
)
from oretally.recon.signatures.inner_products import InnerProducts
from oretally.recon.signatures.mixups import Mixups
from oretally.recon.signatures.possible_slips import PossibleSlips, SlipTable
from oretally.recon.signatures.signatures import (
    LOSS_UNIT,
    Signatures,
    only_pushed,
    signatures_at,
    signatures_of,
)
from oretally.recon.signatures.slips import (
    SWAPPED,
    Meant,
    MeasuredReading,
    log_density_of_any_error,
    log_normal,
    wet_reason,
)
from oretally.recon.signatures.way_table import WayTable, log_odds

__all__ = [
    "LOSS_UNIT",
    "NEAR",
    "SWAPPED",
    "Evidence",
    "Groups",
    "InnerProducts",
    "Meant",
    "MeasuredReading",
    "Mixups",
    "PossibleSlips",
    "Signatures",
    "SlipTable",
    "WayTable",
    "Ways",
    "covariance_known",
    "equivalent_sets",
    "joined_ways",
    "log_density_of_any_error",
    "log_evidence",
    "log_normal",
    "log_odds",
    "only_pushed",
    "signatures_at",
    "signatures_of",
    "single_log_evidence",
    "single_variance_known",
    "wet_reason",
]
