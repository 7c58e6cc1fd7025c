"""`__all__` is complete and sorted everywhere; packages re-export public names and nothing else."""

from __future__ import annotations

import importlib
import pkgutil
from types import ModuleType

import pytest

PACKAGES = ("oretally.flowsheet", "oretally.io", "oretally.recon")
ENTRY_POINTS = ("__main__", "_version")  # run or read by others, nothing to import from them


def _modules(package: str) -> list[str]:
    path = importlib.import_module(package).__path__
    names = [m.name for m in pkgutil.walk_packages(path, package + ".")]
    return [name for name in names if name.rpartition(".")[2] not in ENTRY_POINTS]


def _order(name: str) -> tuple[int, str]:
    """Return the sort key: constants, then classes, then functions, each by name."""
    return (0 if name.isupper() else 1 if name[0].isupper() else 2, name)


def _defined(module: ModuleType) -> set[str]:
    """Return the public functions and classes that a module itself defines."""
    return {
        name
        for name, value in vars(module).items()
        if not name.startswith("_") and getattr(value, "__module__", None) == module.__name__
    }


@pytest.mark.parametrize("package", PACKAGES)
def test_sorted_and_real(package: str) -> None:
    for name in (package, *_modules(package)):
        module = importlib.import_module(name)
        names = list(module.__all__)
        assert names == sorted(set(names), key=_order), name
        assert [each for each in names if not hasattr(module, each)] == [], name


@pytest.mark.parametrize("package", PACKAGES)
def test_complete(package: str) -> None:
    for name in _modules(package):
        module = importlib.import_module(name)
        assert sorted(_defined(module) - set(module.__all__)) == [], name


@pytest.mark.parametrize("package", PACKAGES)
def test_packages_re_export_only(package: str) -> None:
    root = importlib.import_module(package)
    offered = {each for name in _modules(package) for each in importlib.import_module(name).__all__}
    assert sorted(set(root.__all__) - offered) == []
    assert sorted(_defined(root)) == []


def test_one_name_for_one_thing() -> None:
    """No public class, function or constant stands in two modules, but for commands."""
    homes: dict[str, list[str]] = {}
    for name in (m for p in PACKAGES for m in _modules(p)):
        module = importlib.import_module(name)
        if not hasattr(module, "__path__") and name != "oretally.io.cli":
            for each in module.__all__:
                homes.setdefault(each, []).append(name)
    assert {k: v for k, v in homes.items() if len(v) > 1} == {}
