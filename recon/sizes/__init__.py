"""What a balance says by size: distributions, partition curves, recovery by size.

Read ``by_size`` first.
"""

from oretally.recon.sizes.by_size import LOAD, P80, by_size, size_answers
from oretally.recon.sizes.parts import SizePart, size_parts
from oretally.recon.sizes.recovery_by_size import size_recoveries

__all__ = ["LOAD", "P80", "SizePart", "by_size", "size_answers", "size_parts", "size_recoveries"]
