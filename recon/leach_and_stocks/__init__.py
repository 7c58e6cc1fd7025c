"""Extraction, solids that dissolve, inventories of stockpiles.

Read ``extraction`` first.
"""

from oretally.recon.leach_and_stocks.dissolution import dissolution_notes, dissolutions
from oretally.recon.leach_and_stocks.extraction import extraction_notes, extractions, leach_carriers
from oretally.recon.leach_and_stocks.inventory import inventories
from oretally.recon.leach_and_stocks.stock_notes import impossible_stocks, stock_notes

__all__ = [
    "dissolution_notes",
    "dissolutions",
    "extraction_notes",
    "extractions",
    "impossible_stocks",
    "inventories",
    "leach_carriers",
    "stock_notes",
]
