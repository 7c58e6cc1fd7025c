"""What pyproject.toml lists is what there is, and the data files are installed with it."""

from __future__ import annotations

import importlib.metadata
import tomllib
from importlib.resources import files
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[2]


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
    assert f'"{importlib.metadata.version("oretally")}"' in text


def test_the_namespace_stays_open() -> None:
    """One package folder each, typed; no `__init__.py` where it would hide another library."""
    assert not (ROOT / "__init__.py").exists()
    assert not list((ROOT / "tests").rglob("__init__.py"))
    assert not (ROOT / "tests" / "io").exists()


@pytest.mark.parametrize(
    ("package", "name"),
    [
        ("oretally.io", "py.typed"), ("oretally.recon", "py.typed"),
        ("oretally.flowsheet", "py.typed"), ("oretally.io", "templates/report.html.j2"),
        ("oretally.io", "templates/circuit.toml"), ("oretally.io", "schemas/balance.schema.json"),
        ("oretally.io", "data/cautions.toml"),
        ("oretally.examples", "tin_table/circuit.toml"),
        ("oretally.examples", "tin_table/tin_table.xlsx"),
        ("oretally.examples", "wrong_assay/measurements.csv"),
    ],
)  # fmt: skip
def test_data_is_installed(package: str, name: str) -> None:
    assert files(package).joinpath(name).is_file()
