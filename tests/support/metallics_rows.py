"""Rows of screened metallics."""

from __future__ import annotations

from pathlib import Path

from oretally.flowsheet import Analyte, Measurement, parse_unit
from oretally.io import laboratory
from oretally.io.files import read_csv_table

STREAMS = ("mill feed", "tails")


GOLD = (Analyte("Au", parse_unit("g/t")),)


# invented: coarse gold in a mill feed
ROWS = """\
stream,fraction,mass [g],± mass [g],Au [g/t],± Au [rel %],Au contained [mg],± Au contained [mg],note
mill feed,plus,12.3,0.1,,,1.84,0.02,
mill feed,minus,987.7,1,1.02,4,,,
mill feed,minus,,,1.11,4,,,second aliquot
"""


def read_metallics(
    folder: Path, text: str, analytes: tuple[Analyte, ...] = GOLD
) -> tuple[list[Measurement], list[str], list[str]]:
    (folder / "metallics.csv").write_text(text, "utf-8")
    table, faults = read_csv_table(folder / "metallics.csv", "metallics.csv")
    found, notes = list[Measurement](), list[str]()
    if table is not None:
        found, notes = laboratory.read_metallics(table, STREAMS, analytes, faults)
    return found, notes, [str(fault) for fault in faults]
