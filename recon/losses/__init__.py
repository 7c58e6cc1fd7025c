"""Where metal is lost, and the test that would tell why.

Read ``losses`` first.
"""

from oretally.recon.losses.losses import losses_of
from oretally.recon.losses.single_reading import one_reading

__all__ = ["losses_of", "one_reading"]
