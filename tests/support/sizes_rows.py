"""Rows of a table of sizes, and what they are read to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

from oretally.flowsheet import (
    Analyte,
    Dimension,
    ErrorModel,
    ErrorRule,
    Place,
    Stream,
    parse_unit,
)
from oretally.flowsheet.circuit import Content
from oretally.io.definition import DefinitionRows, define
from oretally.io.files import read_csv_table
from oretally.io.sizes import SizesReading, read_sizes

EXAMPLE = Path(__file__).resolve().parents[2] / "examples" / "grinding_by_size"


STREAMS = [
    Stream("feed", None, "cyclone"), Stream("overflow", "cyclone", None),
    Stream("underflow", "cyclone", None),
    Stream("wash water", None, "cyclone", content=Content.SOLUTION),
]  # fmt: skip
ROWS_OF_CASE = DefinitionRows(
    basis="batch", water=(True, Place()), streams=STREAMS, kinds=[("cyclone", "separator", Place())]
)
DEFINITION, _ = define(ROWS_OF_CASE)


PERCENT, GRAM = parse_unit("%", Dimension.SHARE), parse_unit("g")


LEAD = (Analyte("Pb", parse_unit("%"), detection=0.0002),)


RULES = {"class mass": ErrorRule(1.0, 0.2, PERCENT), "pb": ErrorRule(3.0)}


# invented: one stream, three classes
ROWS = """\
stream,passing [um],retained [um],mass [g],± mass [g],Pb [%],± Pb [rel %],note
feed,,150,50,1,2.0,4,
feed,150,75,30,0.5,3.0,4,
feed,75,,20,0.4,<0.05,,slimes
"""


# invented: two streams in percent
SHARES = """\
stream,passing [um],retained [um],mass [%],Pb [%]
feed,,150,50,2.0
feed,150,75,30,3.0
feed,75,0,20,4.0
overflow,,150,5,2.1
overflow,150,75,25,3.1
overflow,75,0,70,4.1
"""


def read_rows(
    folder: Path, text: str, rules: dict[str, ErrorRule] | None = None,
    analytes: Sequence[Analyte] = LEAD, in_doubt: frozenset[str] = frozenset(),
) -> tuple[SizesReading, list[str]]:  # fmt: skip
    (folder / "sizes.csv").write_text(text, "utf-8")
    table, faults = read_csv_table(folder / "sizes.csv", "sizes.csv")
    if table is None:
        return SizesReading(), [str(fault) for fault in faults]
    definition = replace(
        DEFINITION, analytes=tuple(analytes), rules_in_doubt=in_doubt,
        errors=ErrorModel(RULES if rules is None else rules),
    )  # fmt: skip
    found = read_sizes(table, definition, faults)
    return found, [str(fault) for fault in faults]


def sized_case(folder: Path, sizes: str = "", circuit: str = "", bulk: str = "") -> Path:
    """Write a grinding circuit whose bulk is measured, with sizes or without."""
    folder.mkdir(exist_ok=True)
    text = circuit or (EXAMPLE / "circuit.toml").read_text("utf-8")
    (folder / "circuit.toml").write_text(text, "utf-8")
    rows = bulk or (
        "stream,dry rate [t/h],Pb [%]\nfresh feed,85.8,3.75\ncyclone feed,250,4.0\n"
        "cyclone overflow,85.4,3.57\ncyclone underflow,,4.3\nmill discharge,,4.2\n"
    )
    (folder / "measurements.csv").write_text(rows, "utf-8")
    (folder / "sizes.csv").unlink(missing_ok=True)
    if sizes:
        (folder / "sizes.csv").write_text(sizes, "utf-8")
    return folder
