"""The general way: any balance problem in natural variables, by an interior point.

Read ``general`` first.
"""

from oretally.recon.natural.general import linearised_at, solve_general

__all__ = ["linearised_at", "solve_general"]
