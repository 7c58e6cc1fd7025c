"""The table of size classes, to measurements.

Read ``table`` first.
"""

from oretally.io.sizes.columns import SIZES_COLUMNS
from oretally.io.sizes.table import SIZES_FILE, SizesReading, read_sizes

__all__ = ["SIZES_COLUMNS", "SIZES_FILE", "SizesReading", "read_sizes"]
