"""When there is no balance: why, and what would make one possible.

Read ``unbalanced`` first.
"""

from oretally.recon.no_balance.no_balance import NoBalance

__all__ = ["NoBalance"]
