"""Where metal is lost, and the test that would tell why.

Read ``losses`` first.
"""

from oretally.recon.losses.losses import losses_of
from oretally.recon.losses.missing_assay import foreseen_assay

__all__ = ["foreseen_assay", "losses_of"]
