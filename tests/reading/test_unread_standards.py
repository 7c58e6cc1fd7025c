"""A standard whose value is blank tells nothing, and that is said."""

from __future__ import annotations

from pathlib import Path

import pytest
from click.testing import CliRunner

from oretally.io.cli import oretally

HEADER = "sample,type,analyte,value,unit,pair,standard,certified,certified sd\n"
READ = "".join(f"S{i},standard,Sn,{v},%,,S,1.52,0.03\n" for i, v in enumerate((1.51, 1.53, 1.5)))


@pytest.mark.parametrize(
    ("blank", "told"),
    [
        ("R7,standard,Sn,,%,,S,1.52,0.03\n", "the standard 'R7' without a value: not used"),
        ("R7,standard,Sn,,%,,S,1.52,0.03\nR8,standard,Sn, ,%,,S,1.52,0.03\n",
         "the standards 'R7', 'R8' without a value: not used"),
        ("R7,sample,Sn,,%,,,1.52,\n", "the standard 'R7' without a value: not used"),
        ("R7,sample,Sn,,%,,,,\n", ""),  # to be assayed
    ],
)  # fmt: skip
def test_a_standard_that_was_not_read_is_told(blank: str, told: str, tmp_path: Path) -> None:
    batch = tmp_path / "lab.csv"
    batch.write_text(HEADER + READ + blank, "utf-8")
    found = CliRunner().invoke(oretally, ["lab", str(batch), "--full"])
    assert found.exit_code == 0, found.output
    text = " ".join(found.output.split())
    assert told in text
    assert ("without a value" in text) == bool(told)
