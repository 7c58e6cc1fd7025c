"""What these numbers do not tell is told in words: no figure with an sd beyond all there is."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from click.testing import CliRunner

from oretally.io.cli import oretally

CIRCUIT = """
title = "A table with a fourth outlet"
basis = "batch"
[streams]
feed = { to = "table" }
conc = { from = "table" }
tails = { from = "table" }
slimes = { from = "table" }
[analytes]
Au = { unit = "g/t" }
[errors]
"dry mass" = { relative = 1 }
Au = { relative = 3 }
"""
ROWS = """stream,dry mass [kg],Au [g/t]
feed,50,2.892
conc,0.4,240
tails,49.6,0.61
slimes,,
"""
"""Nobody measured the slimes: they weigh 0.00 +- 0.70 kg, and the rest of the gold is theirs."""


@pytest.fixture
def case(tmp_path: Path) -> Path:
    """Return a folder with the case."""
    (tmp_path / "circuit.toml").write_text(CIRCUIT, "utf-8")
    (tmp_path / "measurements.csv").write_text(ROWS, "utf-8")
    return tmp_path


def _run(case: Path, *options: str) -> str:
    found = CliRunner().invoke(oretally, ["balance", str(case), *options])
    assert found.exit_code == 0, found.output
    return found.output


def test_no_figure_whose_sd_is_hopeless(case: Path) -> None:
    told, page = case / "told.json", case / "page.html"
    text = _run(case, "--full")
    _run(case, "--json", str(told), "--html", str(page))
    for shown in (text, re.sub(r"<style.*?</style>|<svg.*?</svg>", "", page.read_text("utf-8"),
                               flags=re.DOTALL)):  # fmt: skip
        assert not re.search(r"\d{7,}", shown)
        assert "These numbers do not tell Au of 'slimes'" in shown.replace("&#39;", "'")
    assert "The ratio of concentration of 'slimes' is not told" in " ".join(text.split())
    found = json.loads(told.read_text("utf-8"))
    slimes = next(s for s in found["separations"] if s["stream"] == "slimes")
    assert slimes["ratio_of_concentration"] is slimes["ratio_sd"] is None
    assert slimes["enrichment"] == {"Au": None}
    assert slimes["yield_sd"] == pytest.approx(1.41, abs=0.01)  # a share may be nothing
    assert found["losses"]["grade_recovery"] == []


def test_what_is_not_told_is_not_the_richest(case: Path) -> None:
    """Gold in next to nothing has any grade: the concentrate is what was recovered."""
    assert "Recovered: 66.4 ± 3.0 % of the Au in 'conc'." in _run(case)


def test_too_uncertain_to_use(case: Path) -> None:
    """By hand: 100 (f - t) / (c - t) c / f of a feed of 1.0 +- 0.6 and a tailing of 0.9 +- 0.5."""
    toml = case / "circuit.toml"
    text = CIRCUIT.replace('slimes = { from = "table" }\n', "").replace(
        "Au = { relative = 3 }", "Au = { relative = 55 }")  # fmt: skip
    toml.write_text(text, "utf-8")
    (case / "measurements.csv").write_text(
        "stream,dry mass [kg],Au [g/t]\nfeed,50,1.0\nconc,,8\ntails,,0.9\n", "utf-8"
    )
    first = _run(case)
    assert "Too uncertain to use: the stated errors leave every recovery open." in first
    assert "Sound" not in first and "Not checked" not in first
    toml.write_text(text.replace("relative = 55", "relative = 1"), "utf-8")
    assert "Too uncertain" not in _run(case)
