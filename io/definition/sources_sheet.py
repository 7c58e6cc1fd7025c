"""The sheet 'sources': rows of the sources of error, and the stages of sampling in one cell."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

from oretally.io.definition.error_sources import SourceRow
from oretally.io.sampling import KEYS

__all__ = ["SAMPLING_COLUMNS", "SOURCE_COLUMNS", "sources_sheet", "stages_of", "stages_text"]

SOURCE_COLUMNS = (
    "source", "quantity", "stream", "relative", "absolute", "coverage", "shared", "dof",
)  # fmt: skip
SAMPLING_COLUMNS = KEYS
"""Columns that say how a sample was taken."""
_STAGE = re.compile(
    r"(?P<mass>.+?)\s+at\s+(?P<top>.+?)(?:\s*,\s*granulometric\s+(?P<granulometric>.+))?"
)


def sources_sheet(rows: Sequence[SourceRow]) -> list[tuple[object, ...]]:
    """Return a header and a row a source; of how samples were taken only the columns in use."""
    taken = [row.sampling if isinstance(row.sampling, Mapping) else {} for row in rows]
    used = [key for key in SAMPLING_COLUMNS if any(key in entry for entry in taken)]
    lines: list[tuple[object, ...]] = [(*SOURCE_COLUMNS, *used)]
    for row, entry in zip(rows, taken, strict=True):
        size = row.size
        lines.append(
            (row.name, size.quantity, size.stream, size.relative, size.absolute, size.coverage,
             row.shared, row.dof, *(_cell(entry.get(key)) for key in used))
        )  # fmt: skip
    return lines


def _cell(value: object) -> object:
    return stages_text(value) if isinstance(value, list) else value


def stages_text(stages: Sequence[Mapping[str, object]]) -> str:
    """Return the stages of sampling as they stand in one cell.

    Examples
    --------
    >>> stages_text([{"top": "10 mm", "mass": "20 kg"}, {"top": "1 mm", "mass": "500 g"}])
    '20 kg at 10 mm; 500 g at 1 mm'
    """
    parts = []
    for stage in stages:
        own = stage.get("granulometric")
        more = "" if own is None else f", granulometric {own}"
        parts.append(f"{stage.get('mass')} at {stage.get('top')}{more}")
    return "; ".join(parts)


def stages_of(text: str) -> object:
    """Return the stages that a cell lists, as in circuit.toml; the text itself if it lists none.

    Examples
    --------
    >>> stages_of("20 kg at 10 mm; 500 g at 1 mm, granulometric 0.5")[1]
    {'mass': '500 g', 'top': '1 mm', 'granulometric': '0.5'}
    """
    found = [_STAGE.fullmatch(part.strip()) for part in text.split(";")]
    stages = [{k: v for k, v in m.groupdict().items() if v is not None} for m in found if m]
    return stages if len(stages) == len(found) else text
