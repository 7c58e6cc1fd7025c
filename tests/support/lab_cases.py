"""A small case with a laboratory's certificate, and the command that reads it."""

from __future__ import annotations

from pathlib import Path

import pytest

from oretally.io.cli import main

Capture = pytest.CaptureFixture[str]
CIRCUIT = """title = "Tin table"
basis = "batch"
[streams]
"feed" = { to = "table" }
"concentrate" = { from = "table" }
"middlings" = { from = "table" }
"tailings" = { from = "table" }
[errors]
"dry mass" = { relative = 1 }
Sn = { relative = 3 }
As = { relative = 5 }
[lab]
samples = { "GT-04" = "tailings" }
"""
TIN_ONLY = CIRCUIT.replace("As = { relative = 5 }\n", "")
HEADER = "sample,type,analyte,value,unit,pair,standard,certified,certified sd\n"
LAB = (
    HEADER + "TT-1,sample,Sn,1.10,%,,,,\n"
    "TT-1D,duplicate,Sn,1.08,%,TT-1,,,\n"
    "concentrate,sample,Sn,31.2,%,,,,\n"
    "GT-04,sample,Sn,0.303,%,,,,\n"
    "TT-3,sample,Sn,20100,g/t,,,,\n"
    "TT-3,sample,As,<0.005,%,,,,\n"
    "S1,standard,Sn,1.55,%,,STD,1.52,0.02\n"
    "S2,standard,Sn,1.57,%,,STD,1.52,0.02\n"
)
ROWS = (
    "stream,dry mass [g],Sn [%],As [g/t],note\r\n"
    'feed,1000,,,"a, b"\r\n'
    "concentrate,30,31.2,,\r\n"
    "middlings,70,2.0,,kept\r\n"
    "tailings,,,,\r\n"
)


def run(capsys: Capture, *arguments: object) -> tuple[int, str, str]:
    with pytest.raises(SystemExit) as stop:
        main([str(each) for each in arguments])
    shown = capsys.readouterr()
    return int(stop.value.code or 0), shown.out, shown.err


def case(path: Path, rows: str = ROWS, lab: str = LAB, circuit: str = CIRCUIT) -> Path:
    path.mkdir()
    (path / "circuit.toml").write_text(circuit, "utf-8")
    (path / "measurements.csv").write_bytes(rows.encode())
    (path / "lab.csv").write_text(lab, "utf-8")
    return path


def told(out: str) -> list[str]:
    """Return what the summary says of the samples, a sentence a line."""
    block = out.split("\n\n")[-2].replace("\n", " ")
    return [f"{sentence}." for sentence in block.removesuffix(".").split(". ")]
