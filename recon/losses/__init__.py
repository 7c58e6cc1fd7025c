"""Where metal is lost, and the test that would tell why.

Read ``losses`` first.
"""

from oretally.recon.losses.deciding_test import MOST_ASSAYS, POWER
from oretally.recon.losses.kept_and_lost import LEAST_ENRICHMENT
from oretally.recon.losses.losses import COARSE_SHARE, LEAST_SHARE, losses_of, richer_between

__all__ = [
    "COARSE_SHARE",
    "LEAST_ENRICHMENT",
    "LEAST_SHARE",
    "MOST_ASSAYS",
    "POWER",
    "losses_of",
    "richer_between",
]
