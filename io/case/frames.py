"""Surveys from pandas frames, with the headers of measurements.csv."""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from oretally.flowsheet import Circuit, InputError, NodeKind, Place, Survey
from oretally.io.definition import AnalyteRow, DefinitionRows, ErrorRow, define
from oretally.io.files import Cell, make_table
from oretally.io.measurements import read_survey

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["survey_from_frame"]


def survey_from_frame(
    frame: pd.DataFrame,
    circuit: Circuit,
    *,
    basis: str = "batch",
    analytes: Mapping[str, Mapping[str, Any]] | None = None,
    errors: Mapping[str, Mapping[str, Any]] | None = None,
    title: str = "",
    water: bool = False,
) -> Survey:
    """Make a survey from a frame.

    Parameters
    ----------
    frame : DataFrame
        Columns as in measurements.csv, wide ('stream', 'dry mass [kg]', '± Sn [rel %]', ...) or
        long.
    circuit : Circuit
    basis : str
        'batch' or 'rate'.
    analytes, errors : mapping, optional
        As the tables of circuit.toml: ``{"Sn": {"unit": "%", "max": 78.77}}``,
        ``{"Sn": {"relative": 3}}``.
    title : str
    water : bool
        Whether water is balanced too.

    Raises
    ------
    InputError
        With every fault; cells are named by column and row label.

    Warns
    -----
    UserWarning
        With what a balance of files would tell of the table: replicates that were made one, limits
        of detection, rows alike.

    Examples
    --------
    >>> import pandas as pd
    >>> circuit = Circuit.build(
    ...     {"feed": (None, "table"), "conc": ("table", None), "tails": ("table", None)})
    >>> frame = pd.DataFrame({"stream": ["feed", "conc"], "dry mass [kg]": [25.0, 0.6]})
    >>> survey_from_frame(frame, circuit, errors={"dry mass": {"relative": 1}}).measurements[1].sd
    0.006
    """
    rows = DefinitionRows(title=title, basis=basis, streams=list(circuit.streams))
    rows.water = (water, Place())
    rows.feeds = [(circuit.stream_names[0], Place())]
    rows.kinds = [  # stocks are streams of the circuit already
        (node.name, node.kind.value, node.place)
        for node in circuit.nodes
        if node.kind is not NodeKind.STOCKPILE
    ]
    for name, entry in (analytes or {}).items():
        rows.analytes.append(
            AnalyteRow(name, str(entry.get("unit", "")), entry.get("max"), entry.get("detection"),
                       Place(), entry.get("dissolved"))
        )  # fmt: skip
    for name, entry in (errors or {}).items():
        rows.errors.append(
            ErrorRow("", name, entry.get("relative"), entry.get("absolute"),
                     entry.get("coverage"), Place())
        )  # fmt: skip
    definition, faults = define(rows)
    table, wrong = make_table(Place(file="frame"), _cells(frame))
    faults.extend(wrong)
    if table is None:
        raise InputError(faults)
    reading = read_survey(table, definition, faults)
    if faults:
        raise InputError(faults)
    for note in reading.notes:
        warnings.warn(note, stacklevel=2)
    return reading.survey


def _cells(frame: pd.DataFrame) -> list[list[Cell]]:
    """Return header and rows as cells; missing values are blank."""
    lines = [[Cell(str(c), Place(file="frame", cell=f"column '{c}'")) for c in frame.columns]]
    for label, row in zip(frame.index, frame.itertuples(index=False), strict=True):
        cells = []
        for column, value in zip(frame.columns, row, strict=True):
            missing = value is None or value != value  # true of NaN alone
            item = getattr(value, "item", None)
            plain = None if missing else (item() if callable(item) else value)
            place = Place(file="frame", cell=f"row {label}, column '{column}'")
            cells.append(Cell(plain, place))
        lines.append(cells)
    return lines
