"""Where metal is lost, and the test that would tell why.

Read ``losses`` first.
"""

from oretally.recon.losses.losses import losses_of

__all__ = ["losses_of"]
