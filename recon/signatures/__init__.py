"""What an error leaves in all the balances, how well errors explain a survey, common slips.

Read ``signatures``, then ``evidence``.
"""

from oretally.recon.signatures.decades import FAR, SCALES
from oretally.recon.signatures.equivalent_sets import NEAR, Groups, equivalent_sets
from oretally.recon.signatures.evidence import (
    Ways,
    covariance_known,
    joined_ways,
    single_log_evidence,
    single_variance_known,
)
from oretally.recon.signatures.inner_products import InnerProducts
from oretally.recon.signatures.joint_evidence import Evidence, log_evidence
from oretally.recon.signatures.mixups import Mixups, MovedNumber
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
    undone,
    wet_reason,
)
from oretally.recon.signatures.way_table import WayTable, log_odds, log_size_shares

__all__ = [
    "FAR",
    "LOSS_UNIT",
    "NEAR",
    "SCALES",
    "SWAPPED",
    "Evidence",
    "Groups",
    "InnerProducts",
    "Meant",
    "MeasuredReading",
    "Mixups",
    "MovedNumber",
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
    "log_size_shares",
    "only_pushed",
    "signatures_at",
    "signatures_of",
    "single_log_evidence",
    "single_variance_known",
    "undone",
    "wet_reason",
]
