"""The definition of a case, from circuit.toml or its sheets, to objects.

Read ``definition`` first.
"""

from oretally.io.definition.analytes import AnalyteRow
from oretally.io.definition.declared_losses import loss_note
from oretally.io.definition.definition import (
    STREAMS_OF_NODES,
    Definition,
    DefinitionRows,
    ReagentRow,
    define,
)
from oretally.io.definition.dissolving_leaches import dissolving_notes
from oretally.io.definition.error_rules import (
    CLASS_GRADES,
    CLASS_MASS,
    FROM_LAB,
    REAGENTS_ADDED,
    REAGENTS_LEFT,
    SOLUTION_ADDED,
    SOLUTION_SAMPLED,
    ErrorRow,
    Scope,
)
from oretally.io.definition.error_sources import SourceRow
from oretally.io.definition.from_sheets import (
    OUTSIDE,
    SHEET_COLUMNS,
    read_circuit_sheets,
    read_lab_sheet,
)
from oretally.io.definition.from_toml import CIRCUIT_KEYS, read_circuit, read_circuit_text
from oretally.io.definition.gross_error_rates import error_rates
from oretally.io.definition.lab_columns import (
    COLUMNS,
    IGNORED,
    LAB_ANALYTE_KEYS,
    LAB_KEYS,
    TYPES,
    AnalyteColumn,
    LabHeading,
    LabLayout,
    LabSample,
    lab_layout,
)
from oretally.io.definition.metal_prices import Price, read_metal_prices
from oretally.io.definition.sources_sheet import sources_sheet
from oretally.io.definition.stocks import STOCK_COLUMNS, STOCKS_FILE, STOCKS_OF
from oretally.io.definition.water import WaterBalance

__all__ = [
    "CIRCUIT_KEYS",
    "CLASS_GRADES",
    "CLASS_MASS",
    "COLUMNS",
    "FROM_LAB",
    "IGNORED",
    "LAB_ANALYTE_KEYS",
    "LAB_KEYS",
    "OUTSIDE",
    "REAGENTS_ADDED",
    "REAGENTS_LEFT",
    "SHEET_COLUMNS",
    "SOLUTION_ADDED",
    "SOLUTION_SAMPLED",
    "STOCKS_FILE",
    "STOCKS_OF",
    "STOCK_COLUMNS",
    "STREAMS_OF_NODES",
    "TYPES",
    "AnalyteColumn",
    "AnalyteRow",
    "Definition",
    "DefinitionRows",
    "ErrorRow",
    "LabHeading",
    "LabLayout",
    "LabSample",
    "Price",
    "ReagentRow",
    "Scope",
    "SourceRow",
    "WaterBalance",
    "define",
    "dissolving_notes",
    "error_rates",
    "lab_layout",
    "loss_note",
    "read_circuit",
    "read_circuit_sheets",
    "read_circuit_text",
    "read_lab_sheet",
    "read_metal_prices",
    "sources_sheet",
]
