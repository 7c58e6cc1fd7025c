"""The definition of a case, from circuit.toml or its sheets, to objects.

Read ``definition`` first.
"""

from oretally.io.definition.analytes import AnalyteRow
from oretally.io.definition.declared_losses import loss_note
from oretally.io.definition.definition import Definition, DefinitionRows, define
from oretally.io.definition.dissolving_leaches import dissolving_notes
from oretally.io.definition.error_rules import CLASS_GRADES, CLASS_MASS, FROM_LAB, ErrorRow, Scope
from oretally.io.definition.error_sources import SourceRow
from oretally.io.definition.from_sheets import (
    OUTSIDE,
    SHEET_COLUMNS,
    read_circuit_sheets,
    read_lab_sheet,
)
from oretally.io.definition.from_toml import read_circuit_text
from oretally.io.definition.gross_error_rates import error_rates
from oretally.io.definition.lab_columns import (
    COLUMNS,
    IGNORED,
    TYPES,
    AnalyteColumn,
    LabHeading,
    LabLayout,
    lab_layout,
)
from oretally.io.definition.metal_prices import Price, read_metal_prices
from oretally.io.definition.sources_sheet import sources_sheet
from oretally.io.definition.stocks import STOCKS_FILE
from oretally.io.definition.water import WaterBalance

__all__ = [
    "CLASS_GRADES",
    "CLASS_MASS",
    "COLUMNS",
    "FROM_LAB",
    "IGNORED",
    "OUTSIDE",
    "SHEET_COLUMNS",
    "STOCKS_FILE",
    "TYPES",
    "AnalyteColumn",
    "AnalyteRow",
    "Definition",
    "DefinitionRows",
    "ErrorRow",
    "LabHeading",
    "LabLayout",
    "Price",
    "Scope",
    "SourceRow",
    "WaterBalance",
    "define",
    "dissolving_notes",
    "error_rates",
    "lab_layout",
    "loss_note",
    "read_circuit_sheets",
    "read_circuit_text",
    "read_lab_sheet",
    "read_metal_prices",
    "sources_sheet",
]
