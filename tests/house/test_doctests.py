"""The examples in the docstrings run."""

from __future__ import annotations

import doctest
import importlib
import pkgutil

import pytest

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
