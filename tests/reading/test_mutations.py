"""Spoilt cases, 300 by day and 10,000 at night: each ends in a result or in a message.

How they are spoilt and what each is held to: ``tests/support/spoilt_cases.py``, which runs here in
a process of its own.
"""

from __future__ import annotations

import json
import subprocess
import sys
from collections import Counter
from pathlib import Path

import pytest
from often import NIGHTLY

pytest.importorskip("resource")  # memory is measured and work is bounded as on Unix

PROGRAM = Path(__file__).resolve().parents[1] / "support" / "spoilt_cases.py"
EACH, ALL = (500, 10_000) if NIGHTLY else (300, 300)
HANGING = 3600 if NIGHTLY else 600  # s


@pytest.mark.parametrize("first", range(0, ALL, EACH))
def test_spoilt_cases(first: int) -> None:
    done = subprocess.run(
        [sys.executable, str(PROGRAM), str(first), str(EACH)],
        capture_output=True, text=True, timeout=HANGING, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    *wrong, counts = done.stdout.splitlines()
    assert not wrong, "\n".join(wrong)
    found = Counter[str](json.loads(counts))
    assert found.total() == EACH
    assert any("plan" in each for each in found)
    for command in ("balance", "check", "lab", "sheet", "campaign certificate"):
        assert found[f"{command} 0"] and found[f"{command} 2"], command  # both ends are met
