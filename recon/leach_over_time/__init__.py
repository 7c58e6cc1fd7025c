"""Leaches whose solution was sampled over time: extraction, rates, reagents.

Read ``course``.
"""

from oretally.recon.leach_over_time.course import courses
from oretally.recon.leach_over_time.reagent_use import reagent_uses

__all__ = ["courses", "reagent_uses"]
