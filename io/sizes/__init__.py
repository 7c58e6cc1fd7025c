"""The table of size classes, to measurements.

Read ``table`` first.
"""

from oretally.io.sizes.table import SIZES_FILE, SizesReading, read_sizes

__all__ = ["SIZES_FILE", "SizesReading", "read_sizes"]
