"""Doors that import late: what they say to a type checker, to Python and to readers is one."""

from __future__ import annotations

import ast
import importlib
import os
import subprocess
import sys
from pathlib import Path

import pytest

from oretally.flowsheet.late_names import late_names

ROOT = Path(__file__).resolve().parents[2]
DOORS = sorted(
    door
    for room in ("flowsheet", "recon", "io")
    for door in (ROOT / room).rglob("__init__.py")
    if "late_names(" in door.read_text("utf-8")
)
# neither these libraries nor these parts of ours: a plain balance has no use for them
NOT_LOADED = {
    "clarabel", "cvxpy", "jinja2", "networkx", "openpyxl", "pandas",
    "qdldl", "rich", "scipy.interpolate", "scipy.optimize", "scipy.spatial", "scipy.stats", "typst",
    "oretally.io.compare", "oretally.io.forms", "oretally.io.laboratory.batches",
    "oretally.io.laboratory.report", "oretally.io.pictures.layout", "oretally.io.plan",
    "oretally.io.results.document", "oretally.io.results.html", "oretally.io.results.pdf",
    "oretally.io.results.workbook", "oretally.io.sampling.terms", "oretally.recon.comparison",
    "oretally.recon.laboratory.control", "oretally.recon.laboratory.duplicates",
    "oretally.recon.laboratory.replicates", "oretally.recon.no_balance.no_balance",
    "oretally.recon.plan",
}  # fmt: skip


def _python(code: str, *arguments: str) -> str:
    """Return what code prints in a Python of its own, away from the sources."""
    done = subprocess.run(
        [sys.executable, "-c", code, *arguments], capture_output=True, text=True, check=True,
        cwd=Path(sys.executable).anchor, env=dict(os.environ),
    )  # fmt: skip
    return done.stdout


@pytest.mark.parametrize("door", DOORS, ids=lambda p: p.parent.relative_to(ROOT).as_posix())
def test_late_names_are_those_of_the_types(door: Path) -> None:
    """Names and their homes: as imported for type checkers; and no module stands in the way."""
    me = ".".join(("oretally", *door.parent.relative_to(ROOT).parts))
    tree = ast.parse(door.read_text("utf-8"))
    typed = {
        alias.name: node.module.removeprefix(f"{me}.")
        for block in tree.body if isinstance(block, ast.If)
        for node in block.body if isinstance(node, ast.ImportFrom) and node.module
        for alias in node.names
    }  # fmt: skip
    (call,) = [n for n in ast.walk(tree) if isinstance(n, ast.Call)]
    homes = ast.literal_eval(call.args[1])
    late = {name: below for below, names in homes.items() for name in names.split()}
    assert late == typed
    assert sorted(late) == sorted(importlib.import_module(me).__all__)
    modules = {p.stem for p in door.parent.glob("*.py")} | {p.name for p in door.parent.iterdir()}
    assert not modules & set(late)


def test_name_is_imported_when_it_is_used() -> None:
    code = (
        "import sys, oretally.io.results as results\n"
        "print('oretally.io.results.document' in sys.modules)\n"
        "results.to_json\n"
        "print('oretally.io.results.document' in sys.modules, 'to_json' in vars(results))\n"
    )
    assert _python(code).split() == ["False", "True", "True"]


def test_unknown_name_is_refused() -> None:
    find = late_names("oretally.recon", {"solver": "solve"})
    with pytest.raises(AttributeError, match=r"module 'oretally.recon' has no attribute 'sovle'"):
        find("sovle")


def test_plain_balance_loads_what_it_needs() -> None:
    code = (
        "import sys\nfrom oretally.io.cli import main\n"
        "try:\n    main()\nexcept SystemExit as stop:\n    assert stop.code == 0, stop.code\n"
        "print('\\n'.join(sys.modules))"
    )
    printed = _python(code, "balance", str(ROOT / "examples" / "grind_coarse")).splitlines()
    assert "oretally.recon.reconciliation" in printed
    assert sorted(NOT_LOADED & set(printed)) == []


def test_what_a_plain_balance_does_without_is_there() -> None:
    """Names that no longer exist would make the test above empty."""
    for name in NOT_LOADED - {"rich", "typst"}:
        importlib.import_module(name)
