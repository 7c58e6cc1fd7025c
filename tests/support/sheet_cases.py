"""Cases filled in as sheets."""

from __future__ import annotations

from pathlib import Path

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"


ALL = sorted(p.name for p in EXAMPLES.iterdir() if p.is_dir() and (p / "circuit.toml").exists())
