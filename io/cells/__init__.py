"""What one cell or header says: number, word, unit, stated error.

Read ``numbers``, then ``values``.
"""

from oretally.io.cells.amounts import in_unit_of, read_amount, read_definition_number, read_share
from oretally.io.cells.answer_names import (
    asked_answer,
    curve_names,
    grade_names,
    pull_names,
    recovery_names,
    unknown_answer,
    value_names,
)
from oretally.io.cells.bounded_values import entered, written_bound
from oretally.io.cells.headers import (
    RELATIVE,
    Heading,
    Spellings,
    flow_word,
    is_relative,
    read_heading,
)
from oretally.io.cells.number_range import range_fault, written_out_of_range
from oretally.io.cells.numbers import ParsedNumber, plain_number, read_number
from oretally.io.cells.plain_values import plain_document
from oretally.io.cells.quantity_names import (
    DENSITIES,
    MASS,
    OTHER_QUANTITIES,
    SHARES,
    WATER,
    WET,
    QuantityNames,
    dissolved_name,
    quantities_of,
    quantity_unit,
)
from oretally.io.cells.stated_errors import (
    ErrorColumn,
    StatedError,
    error_of_nothing,
    error_without_column,
    error_without_value,
    percent_refused,
    read_row_error,
    read_stated_error,
)
from oretally.io.cells.stream_names import StreamNames, unnamed_row
from oretally.io.cells.value_columns import ValueColumn
from oretally.io.cells.value_reader import ColumnReader, StatedValue, ValueReader
from oretally.io.cells.values import (
    WHOLE_EARTH,
    Grade,
    Measurand,
    TypedValue,
    Weight,
    value_in_own_unit,
)
from oretally.io.cells.words import NOT_MEASURED, folded_word, with_own_unit

__all__ = [
    "DENSITIES",
    "MASS",
    "NOT_MEASURED",
    "OTHER_QUANTITIES",
    "RELATIVE",
    "SHARES",
    "WATER",
    "WET",
    "WHOLE_EARTH",
    "ColumnReader",
    "ErrorColumn",
    "Grade",
    "Heading",
    "Measurand",
    "ParsedNumber",
    "QuantityNames",
    "Spellings",
    "StatedError",
    "StatedValue",
    "StreamNames",
    "TypedValue",
    "ValueColumn",
    "ValueReader",
    "Weight",
    "asked_answer",
    "curve_names",
    "dissolved_name",
    "entered",
    "error_of_nothing",
    "error_without_column",
    "error_without_value",
    "flow_word",
    "folded_word",
    "grade_names",
    "in_unit_of",
    "is_relative",
    "percent_refused",
    "plain_document",
    "plain_number",
    "pull_names",
    "quantities_of",
    "quantity_unit",
    "range_fault",
    "read_amount",
    "read_definition_number",
    "read_heading",
    "read_number",
    "read_row_error",
    "read_share",
    "read_stated_error",
    "recovery_names",
    "unknown_answer",
    "unnamed_row",
    "value_in_own_unit",
    "value_names",
    "with_own_unit",
    "written_bound",
    "written_out_of_range",
]
