"""oretally compare, run."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"


Capture = pytest.CaptureFixture[str]


Run = Callable[..., tuple[int, str, str]]


def change(file: str, old: str, new: str) -> None:
    path = Path(file)
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")
