"""Laboratory batches, written as a case; the verdict on one."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from oretally.io.laboratory import judged_table, read_lab

__all__ = [
    "BLANKS",
    "CIRCUIT",
    "LAB_HEADER",
    "SEND",
    "STANDARDS",
    "batch_case",
    "duplicate_pairs",
    "verdict_on",
]

LAB_HEADER = "sample,type,analyte,value,unit,pair,certified,certified sd\n"
CIRCUIT = """title = "t"
basis = "batch"
[streams]
feed = { to = "table" }
conc = { from = "table" }
tails = { from = "table" }
[errors]
"dry mass" = { relative = 1 }
Sn = "from lab"
"""
_ROWS = "stream,dry mass [kg],Sn [%]\nfeed,25.4,0.82\nconc,0.41,31.2\ntails,,0.31\n"
SEND = "Send each standard twice, 2 blanks and 8 duplicates at least with a batch."
STANDARDS = "K1,standard,Sn,1.51,%,,1.52,0.02\nK2,standard,Sn,1.53,%,,1.52,0.02\n"
BLANKS = "B1,blank,Sn,<0.01,%,,,\nB2,blank,Sn,<0.01,%,,,\n"


def duplicate_pairs(n: int, a: float, b: float, seed: int = 1) -> str:
    """Return duplicate rows with the sd a + b grade."""
    rng = np.random.default_rng(seed)
    rows = []
    for i in range(n):
        grade = 10.0 ** rng.uniform(-1.0, 1.5)
        for half in "ab":
            value = max(grade + (a + b * grade) * rng.standard_normal(), 1e-3)
            rows.append(f"S{i}{half},duplicate,Sn,{value:.5g},%,P{i},,")
    return "\n".join(rows) + "\n"


def batch_case(folder: Path, lab: str) -> Path:
    (folder / "circuit.toml").write_text(CIRCUIT, "utf-8")
    (folder / "measurements.csv").write_text(_ROWS, "utf-8")
    (folder / "lab.csv").write_text(LAB_HEADER + lab, "utf-8")
    return folder


def verdict_on(folder: Path, rows: str) -> tuple[str, ...]:
    """Return the sentences on the one analyte of a batch."""
    (judgement,) = judged_table(read_lab(batch_case(folder, rows)), "x").judgements
    return judgement.verdict
