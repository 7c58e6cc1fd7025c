"""Units of the trade: exact factors, spellings read or refused, conversions, sieves.

Knows nothing of circuits.

Read ``table``, then ``parse``.
"""

from oretally.flowsheet.units.conversion import Conversion, convert, read_exactly
from oretally.flowsheet.units.parse import UnitError, is_unit, parse_unit, practice_of
from oretally.flowsheet.units.sieves import (
    SIEVES,
    Series,
    Sieve,
    belongs,
    opening_um,
    openings_of,
    outside,
)
from oretally.flowsheet.units.table import Dimension, Unit, offered_units, units_of
from oretally.flowsheet.units.times import Elapsed, time_unit

__all__ = [
    "SIEVES",
    "Conversion",
    "Dimension",
    "Elapsed",
    "Series",
    "Sieve",
    "Unit",
    "UnitError",
    "belongs",
    "convert",
    "is_unit",
    "offered_units",
    "opening_um",
    "openings_of",
    "outside",
    "parse_unit",
    "practice_of",
    "read_exactly",
    "time_unit",
    "units_of",
]
