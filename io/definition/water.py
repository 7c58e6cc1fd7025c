"""What of a case's water is balanced."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from oretally.flowsheet.circuit import Content

__all__ = ["WaterBalance"]


@dataclass(frozen=True, slots=True)
class WaterBalance:
    """What a case says of its water.

    Attributes
    ----------
    balanced : bool
    contents : mapping of str to Content
        By stream; pulp where nothing is said.
    dissolved : mapping of str to bool
        Analytes of which is stated whether the solution carries them.
    """

    balanced: bool = False
    contents: Mapping[str, Content] = field(default_factory=dict)
    dissolved: Mapping[str, bool] = field(default_factory=dict)
