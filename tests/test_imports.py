"""Imports run one way: io -> recon -> flowsheet; read from the sources, not from a run."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
MAY_IMPORT = {
    "flowsheet": {"flowsheet"},
    "recon": {"flowsheet", "recon"},
    "io": {"flowsheet", "recon", "io"},
}
# libraries that cost time and may be imported inside a function; our own only in the commands
LATE = {"openpyxl", "python_calamine", "pandas", "networkx", "rich", "jinja2", "html", "fractions",
        "scipy", "csv", "dataclasses", "cvxpy", "typst"}  # fmt: skip
# modules of commands: they load the rest of ours when it is needed, so that --help answers at once
COMMANDS = {"cli.py", "exit_status.py", "new_case.py"}
FILES = sorted(p for room in MAY_IMPORT for p in (ROOT / room).rglob("*.py"))


def _imports(tree: ast.AST, inside: bool = False) -> Iterator[tuple[str, bool, ast.AST]]:
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, inside, node
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative import"
            yield node.module or "", inside, node
        function = isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        yield from _imports(node, inside or function)


@pytest.mark.parametrize("file", FILES, ids=lambda p: f"{p.parent.name}/{p.name}")
def test_direction(file: Path) -> None:
    room = file.relative_to(ROOT).parts[0]
    for name, inside, _ in _imports(ast.parse(file.read_text("utf-8"))):
        parts = name.split(".")
        assert parts[0] not in MAY_IMPORT or name == "io", f"{name}: import oretally.{name}"
        if parts[0] == "oretally":
            assert parts[1] in MAY_IMPORT[room], f"{room} must not import {name}"
            assert not inside or file.name in COMMANDS, f"{name} inside a function"
        elif inside:
            assert parts[0] in LATE, f"{name} inside a function"


def test_there_is_something_to_read() -> None:
    assert len(FILES) > 30
    assert {p.relative_to(ROOT).parts[0] for p in FILES} == set(MAY_IMPORT)


def test_no_ring_of_modules() -> None:
    import networkx as nx

    graph: nx.DiGraph[str] = nx.DiGraph()
    for file in FILES:
        me = "oretally." + ".".join(file.relative_to(ROOT).with_suffix("").parts)
        tree = ast.parse(file.read_text("utf-8"))
        if file.name != "__init__.py":
            for name, inside, _ in _imports(tree):
                if name.startswith("oretally.") and not inside:
                    graph.add_edge(me, name)
    assert nx.is_directed_acyclic_graph(graph), nx.find_cycle(graph)


def test_modules_have_one_subject() -> None:
    """No module of odds and ends, and none so long that it must have two subjects."""
    for file in FILES:
        assert file.stem not in {"utils", "util", "helpers", "common", "misc"}
        assert len(file.read_text("utf-8").splitlines()) <= 400, file
