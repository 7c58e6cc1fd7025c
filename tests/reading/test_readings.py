"""How many readings a measurement is the mean of: counted, not read from words about it."""

from __future__ import annotations

from pathlib import Path

import pytest

from oretally.io.case import read_case

CIRCUIT = """basis = "batch"
[streams]
ore = { to = "table" }
conc = { from = "table" }
tails = { from = "table" }
[nodes]
table = "separator"
[errors]
Sn = { relative = 4 }
"dry mass" = { relative = 1 }
"""
ROWS = """stream,dry mass [kg],Sn [%],note
ore,40,1.0,mean of 4 replicates
conc,2,15,
tails,,0.3,
tails,,0.30,
"""


def test_rows_are_counted_and_notes_are_not(tmp_path: Path) -> None:
    (tmp_path / "circuit.toml").write_text(CIRCUIT, "utf-8")
    (tmp_path / "measurements.csv").write_text(ROWS, "utf-8")
    survey = read_case(tmp_path).survey
    ore, tails = survey.measured("ore", "Sn"), survey.measured("tails", "Sn")
    assert ore is not None and ore.note == "mean of 4 replicates" and ore.readings == 1
    assert tails is not None and tails.readings == 2
    assert survey.reading_sd(ore) == pytest.approx(0.04 * 0.01)
    assert survey.reading_sd(tails) == pytest.approx(0.04 * 0.003)
