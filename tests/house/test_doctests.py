"""The examples in the docstrings run."""

from __future__ import annotations

import doctest
import importlib
import pkgutil
import re
from pathlib import Path

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


def test_docstrings() -> None:
    modules = [importlib.import_module(name) for name in _modules()]
    shown = [m for m in modules if ">>> " in Path(str(m.__file__)).read_text("utf-8")]
    found = {m.__name__: doctest.testmod(m, optionflags=doctest.ELLIPSIS) for m in shown}
    assert [name for name, (failed, _) in found.items() if failed] == []
    assert sum(1 for _, tried in found.values() if tried) >= 15


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
