"""A search that ends without a balance: said first, in every output; its numbers are no answer."""

from __future__ import annotations

import io
import json
import re
from pathlib import Path

import openpyxl
import pytest

from oretally.io.cli import main

# what goes on and what comes back are richer than feed and product: no finite flow does that
CIRCUIT = """title = "no way"
basis = "batch"
[streams]
feed = { to = "a" }
on = { from = "a", to = "b" }
back = { from = "b", to = "a" }
out = { from = "b" }
"""
ROWS = """stream,dry mass [kg],± dry mass [kg],Sn [%],± Sn [%]
feed,10,0.1,1,0.01
on,,,5,0.01
back,,,5,0.01
out,,,1,0.01
"""
SAID = (
    "There is no balance of these numbers, so no answers are given. Below stand what was measured, "
    "what is in the way, and what would help."
)
WHY = "There is no balance of these numbers."


def test_it_is_said_before_any_number(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    case = tmp_path / "case"
    case.mkdir()
    (case / "circuit.toml").write_text(CIRCUIT, "utf-8")
    (case / "measurements.csv").write_text(ROWS, "utf-8")
    files = [str(tmp_path / f"out.{kind}") for kind in ("html", "xlsx", "json")]
    with pytest.raises(SystemExit) as stop:
        main(["balance", str(case), "--html", files[0], "--xlsx", files[1], "--json", files[2]])
    shown = capsys.readouterr()
    assert stop.value.code == 1
    assert shown.err.splitlines()[-1] == WHY
    lines = [" ".join(line.split()) for line in shown.out.splitlines() if line.strip()]
    assert lines[0] == "no way"
    assert lines[1].startswith("Do not use: there is no balance of these numbers.")
    html = Path(files[0]).read_text("utf-8")
    assert re.search(
        r"<h1>no way</h1>\s*<section>\s*<p class=\"lead\">Do not use: there is no balance ", html
    )
    assert f'<p class="stop">{SAID}</p>' in html
    rows = list(openpyxl.load_workbook(io.BytesIO(Path(files[1]).read_bytes()))["summary"].values)
    assert rows[0][:2] == ("title", "no way")
    assert rows[1][:2] == ("NO BALANCE", SAID)
    assert json.loads(Path(files[2]).read_text("utf-8"))["converged"] is False


def test_nothing_of_it_where_there_is_a_balance(capsys: pytest.CaptureFixture[str]) -> None:
    example = Path(__file__).resolve().parents[3] / "examples" / "tin_table"
    with pytest.raises(SystemExit) as stop:
        main(["balance", str(example)])
    assert stop.value.code == 0
    assert "NO BALANCE" not in capsys.readouterr().out
