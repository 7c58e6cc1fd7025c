"""What pyproject.toml lists is what there is; public names are exported and sorted."""

from __future__ import annotations

import importlib
import importlib.metadata
import pkgutil
import tomllib
from importlib.resources import files
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


def test_every_package_is_listed() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))
    listed = set(project["tool"]["setuptools"]["packages"])
    found = {
        "oretally." + ".".join(path.parent.relative_to(ROOT).parts)
        for top in ("recon", "flowsheet", "io", "examples")
        for path in (ROOT / top).rglob("__init__.py")
    }
    assert listed == found


def test_version_is_the_installed_one() -> None:
    text = (ROOT / "recon" / "_version.py").read_text("utf-8")
    assert importlib.metadata.version("oretally") in text


@pytest.mark.parametrize(
    ("package", "name"),
    [
        ("oretally.io", "py.typed"), ("oretally.recon", "py.typed"),
        ("oretally.flowsheet", "py.typed"), ("oretally.io", "templates/report.html.j2"),
        ("oretally.io", "templates/circuit.toml"), ("oretally.io", "schemas/balance.schema.json"),
        ("oretally.examples", "tin_table/circuit.toml"),
        ("oretally.examples", "tin_table/tin_table.xlsx"),
        ("oretally.examples", "wrong_assay/measurements.csv"),
    ],
)  # fmt: skip
def test_data_is_installed(package: str, name: str) -> None:
    assert files(package).joinpath(name).is_file()


@pytest.mark.parametrize("package", ["oretally.recon", "oretally.flowsheet", "oretally.io"])
def test_exports(package: str) -> None:
    """`__all__` is sorted and complete in packages and modules."""
    root = importlib.import_module(package)
    modules = [root, *(importlib.import_module(m.name)
                       for m in pkgutil.walk_packages(root.__path__, package + ".")
                       if not m.name.endswith(("__main__", "_version")))]  # fmt: skip
    for module in modules:
        names = list(module.__all__)
        assert len(names) == len(set(names))
        for name in names:
            assert getattr(module, name) is not None, f"{module.__name__}.{name}"
        own = {
            name
            for name, value in vars(module).items()
            if getattr(value, "__module__", None) == module.__name__
            and not name.startswith("_")
            and module is not root
        }
        assert own <= set(names), f"{module.__name__}: {sorted(own - set(names))} not in __all__"
