"""What a balance says by size: distributions, partition curves, recovery by size.

Read ``by_size`` first.
"""

from oretally.recon.sizes.by_size import by_size
from oretally.recon.sizes.parts import SizePart, size_parts
from oretally.recon.sizes.recovery_by_size import size_recoveries

__all__ = ["SizePart", "by_size", "size_parts", "size_recoveries"]
