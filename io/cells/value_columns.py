"""A column of values in a table, and the ± column that goes with it."""

from __future__ import annotations

from dataclasses import dataclass

from oretally.flowsheet import Unit

__all__ = ["ValueColumn"]


@dataclass(frozen=True, slots=True)
class ValueColumn:
    """A column of masses, grades or contained metal.

    Attributes
    ----------
    name : str
        'mass', an analyte, or an analyte with 'contained'.
    index : int
    unit : Unit
        Of a mass, of a share or of a grade.
    analyte : str
        Empty for a mass.
    error : int or None
        Position of its ± column.
    error_unit : Unit or None
        None for an error in percent of the value.
    """

    name: str
    index: int
    unit: Unit
    analyte: str = ""
    error: int | None = None
    error_unit: Unit | None = None

    @property
    def title(self) -> str:
        """The header as it should be written."""
        return f"{self.name} [{self.unit}]"
