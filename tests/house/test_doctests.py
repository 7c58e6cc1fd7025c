"""The examples in the docstrings run."""

from __future__ import annotations

import doctest
import importlib
import pkgutil
import re
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("oretally.recon", "oretally.flowsheet", "oretally.io")


def _modules() -> list[str]:
    names: list[str] = []
    for package in PACKAGES:
        names.append(package)
        path = importlib.import_module(package).__path__
        names += [
            m.name
            for m in pkgutil.walk_packages(path, package + ".")
            if not m.name.endswith("__main__")
        ]
    return names


@pytest.mark.parametrize("name", _modules())
def test_docstrings(name: str) -> None:
    failed, _ = doctest.testmod(importlib.import_module(name), optionflags=doctest.ELLIPSIS)
    assert failed == 0


def test_there_are_examples() -> None:
    finder = doctest.DocTestFinder()
    found = [t for name in _modules() for t in finder.find(importlib.import_module(name))
             if t.examples]  # fmt: skip
    assert len(found) >= 15


def test_names_in_backticks_exist() -> None:
    """A dotted name in a docstring or comment that begins with oretally can be imported."""
    lost = []
    for file in (p for room in ("flowsheet", "recon", "io") for p in (ROOT / room).rglob("*.py")):
        for name in re.findall(r"`(oretally(?:\.\w+)+)`", file.read_text("utf-8")):
            try:
                pkgutil.resolve_name(name)
            except (ImportError, AttributeError):
                lost.append(f"{file}: {name}")
    assert lost == []
