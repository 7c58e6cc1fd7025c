"""Which characters a name may have is one rule: circuits made in Python, folders, files, tables."""

from __future__ import annotations

from pathlib import Path

import pandas as pd
import pytest

from oretally.flowsheet import Circuit, InputError
from oretally.flowsheet.foreign_text import unreadable_character
from oretally.io import survey_from_frame
from oretally.io.cli import main

OVERRIDE, VIRAMA = "\N{RIGHT-TO-LEFT OVERRIDE}", "\N{TAMIL SIGN VIRAMA}"


def test_a_name_begins_with_no_combining_mark() -> None:
    """Such a mark joins what stands before: a quotation mark, the rule of a table."""
    assert unreadable_character(f"{VIRAMA}feed", name=True) == "U+0BCD tamil sign virama"
    assert unreadable_character(f" {VIRAMA}feed", name=True)
    assert not unreadable_character("\N{TAMIL LETTER KA}" + VIRAMA, name=True)
    assert not unreadable_character(f"{VIRAMA}feed")  # text of a cell


@pytest.mark.parametrize("wrong", [f"fe{OVERRIDE}ed", f"{VIRAMA}feed", "fe\x1b[31med"])
@pytest.mark.parametrize("what", ["stream", "node"])
def test_a_circuit_made_in_python(what: str, wrong: str) -> None:
    stream, node = (wrong, "cell") if what == "stream" else ("feed", wrong)
    with pytest.raises(InputError) as refused:
        Circuit.build({stream: (None, node), "conc": (node, None), "tails": (node, None)})
    (fault,) = refused.value.faults
    assert fault.problem.startswith(f"The {what} '")
    assert unreadable_character(wrong, name=True) in fault.problem


def test_names_of_new_cases_and_of_batches(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name in (f"ca{OVERRIDE}se", f"{VIRAMA}case.xlsx"):
        with pytest.raises(SystemExit, match="^2$"):
            main(["new", str(tmp_path / name)])
        assert "The name of the case has the character" in capsys.readouterr().err
        assert not any(tmp_path.iterdir())
    batch = tmp_path / f"l{OVERRIDE}ab.csv"
    batch.write_text("sample,type,analyte,value,unit\n1,sample,Sn,1,%\n", "utf-8")
    with pytest.raises(SystemExit, match="^2$"):
        main(["lab", str(batch)])
    told = capsys.readouterr().err
    assert "The name of the batch has the character U+202E" in told
    assert OVERRIDE not in told


def test_notes_on_a_frame_are_told() -> None:
    """As a case of files tells them: replicates are made one."""
    circuit = Circuit.build({"feed": (None, "t"), "conc": ("t", None), "tails": ("t", None)})
    frame = pd.DataFrame({"stream": ["feed", "conc", "conc"], "dry mass [kg]": [25.0, 0.6, 0.7]})
    with pytest.warns(UserWarning, match="conc"):
        found = survey_from_frame(frame, circuit, errors={"dry mass": {"relative": 1}})
    assert len(found.measurements) == 2
