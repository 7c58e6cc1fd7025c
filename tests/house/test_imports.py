"""Imports run one way: io -> recon -> flowsheet, and between the folders of a room as listed here.

Read from the sources, not from a run. A folder is entered by its door, the names that its
``__init__.py`` offers; the modules inside import each other by their full path.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import networkx as nx
import pytest

ROOT = Path(__file__).resolve().parents[2]
ROOMS = {"flowsheet": (), "recon": ("flowsheet",), "io": ("flowsheet", "recon")}
# what each folder may import of its own room; the ground floor stands first
FOLDERS = {
    "flowsheet": {
        "arrays": "",
        "foreign_text": "",
        "faults": "foreign_text",
        "digits": "",
        "read_only": "",
        "late_names": "",
        "units": "",
        "circuit": "arrays faults foreign_text units",
        "survey": "faults read_only circuit units",
        "problem": "arrays faults read_only circuit survey",
    },
    "recon": {
        "_version": "",
        "numerics": "",
        "result": "",
        "reduction": "numerics",
        "batch": "numerics reduction",
        "solution": "numerics reduction result",
        "careful": "batch numerics reduction result solution",
        "natural": "numerics reduction result solution",
        "solver": "batch careful natural numerics reduction result solution",
        "propagation": "result solver",
        "other_surveys": "",
        "signatures": "numerics other_surveys propagation reduction result solution solver",
        "kinetics": "propagation result signatures solution solver",
        "answers": "kinetics propagation reduction result solution solver",
        "variance_components": "numerics",
        "dated_balances": "reduction solution solver",
        "sizes": "propagation result solver",
        "trends": "answers dated_balances result sizes variance_components",
        "laboratory": "",
        "comparison": "answers result",
        "linear_tests": "answers result signatures solver",
        "gross_errors": "answers kinetics linear_tests natural other_surveys propagation "
        "reduction result signatures solution solver",
        "leach_and_stocks": "answers propagation result solver",
        "leach_over_time": "answers kinetics propagation result signatures solver",
        "losses": "answers propagation result sizes solver",
        "plan": "answers kinetics numerics propagation reduction signatures solution solver",
        "persistent_bias": "dated_balances other_surveys propagation result signatures solution "
        "trends variance_components",
        "periods": "answers numerics other_surveys persistent_bias propagation reduction result "
        "signatures solution solver",
        "draws": "leach_and_stocks result solution solver",
        "no_balance": "answers gross_errors leach_and_stocks reduction result signatures "
        "solution solver",
        "many": "batch numerics propagation reduction solution solver",
    },
    "io": {
        "draw_limits": "",
        "files": "",
        "grids": "files",
        "json_rows": "",
        "pictures": "",
        "cells": "files",
        "sampling": "cells files",
        "definition": "cells files sampling",
        "wording": "cells definition draw_limits files",
        "report": "wording",
        "leach_course": "files wording",
        "timed": "files pictures report wording",
        "first_page": "definition leach_course report timed wording",
        "laboratory": "cells definition files json_rows pictures report wording",
        "sizes": "cells definition files",
        "kinetics": "cells definition files",
        "measurements": "cells definition files laboratory sizes",
        "results": "cells definition files first_page json_rows leach_course pictures report timed "
        "wording",
        "case": "definition files kinetics laboratory measurements sizes",
        "campaign": "case definition files wording",
        "compare": "case cells files json_rows pictures report wording",
        "forms": "case cells definition files kinetics laboratory measurements pictures report "
        "sizes wording",
        "plan": "case cells definition files json_rows measurements sampling wording",
        "manual": "cells definition kinetics laboratory measurements plan report sampling sizes",
        "certificate": "case files grids laboratory measurements",
        "beginning": "forms",
        "campaign_views": "files json_rows pictures report results wording",
        "campaign_commands": "campaign campaign_views case certificate definition files first_page "
        "laboratory report results wording",
        "periods": "campaign campaign_views files first_page json_rows report results wording",
        "commands": "campaign campaign_commands campaign_views case cells definition draw_limits "
        "files periods plan report results wording",
        "desk_files": "case definition files grids kinetics laboratory measurements sizes",
        "desk_campaign": "campaign campaign_commands campaign_views desk_files files first_page "
        "wording",
        "desk": "case cells certificate commands compare definition desk_campaign desk_files "
        "draw_limits files first_page forms grids kinetics laboratory manual measurements pictures "
        "plan results sizes wording",
    },
}
# of other rooms, where that is less than all
OF_ROOMS = {
    "recon.numerics": {"flowsheet.arrays"},
    "recon.result": {
        "flowsheet.",
        "flowsheet.arrays",
        "flowsheet.circuit",
        "flowsheet.digits",
        "flowsheet.read_only",
    },
    "recon.reduction": {"flowsheet.", "flowsheet.arrays", "flowsheet.survey"},
    "recon.batch": {"flowsheet.", "flowsheet.arrays"},
    "recon.solution": {"flowsheet.", "flowsheet.arrays"},
    "recon.careful": {"flowsheet.", "flowsheet.arrays"},
    "recon.natural": {"flowsheet.", "flowsheet.arrays"},
    "recon.solver": {"flowsheet.", "flowsheet.arrays"},
    "recon.variance_components": {"flowsheet.arrays"},
    "recon.laboratory": {"flowsheet.arrays", "flowsheet.late_names"},
    "io.files": {"flowsheet"},
    "io.grids": {"flowsheet"},
    "io.cells": {"flowsheet"},
    "io.json_rows": {"recon.result"},
    "io.pictures": {"flowsheet", "recon.result"},
    "io.wording": {"flowsheet", "recon.result"},
    "io.definition": {"flowsheet", "recon.result"},
    "io.sizes": {"flowsheet"},
    "io.kinetics": {"flowsheet"},
    "io.case": {"flowsheet", "recon.result"},
    "io.forms": {"flowsheet"},
    "io.first_page": {"flowsheet", "recon.result"},
    "io.manual": {"flowsheet"},
    "io.leach_course": {"flowsheet", "recon.result"},
    "io.report": set(),
    "io.results": {"flowsheet", "recon.result"},
    "io.timed": {"flowsheet", "recon.result"},
}
# libraries that cost time and may be imported inside a function; our own only in the commands
LATE = {"openpyxl", "python_calamine", "pandas", "networkx", "jinja2", "html", "fractions",
        "markdown_it", "scipy", "csv", "dataclasses", "cvxpy", "typst", "importlib.metadata",
        "clarabel", "qdldl", "distributed"}  # fmt: skip
# modules of commands: they load the rest of ours when it is needed, so that --help answers at once
COMMANDS = {
    "__main__.py",
    "campaign.py",
    "cli.py",
    "exit_status.py",
    "new_case.py",
    "output_files.py",
}
FILES = sorted(p for room in ROOMS for p in (ROOT / room).rglob("*.py"))


def _imports(tree: ast.AST, inside: bool = False) -> Iterator[tuple[str, bool]]:
    """Yield the modules that a source imports, and whether inside a function."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.Import):
            for alias in node.names:
                yield alias.name, inside
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative import"
            yield node.module or "", inside
        function = isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        yield from _imports(node, inside or function)


@cache
def _imported(source: str) -> tuple[tuple[str, bool], ...]:
    return tuple(_imports(ast.parse(source)))


def _folder(parts: tuple[str, ...]) -> str:
    """Return the folder of a module, or the module itself where it stands in the room; or ''."""
    return parts[0].removesuffix(".py") if parts and parts[0] != "__init__.py" else ""


def breaches(path: str, source: str) -> list[str]:
    """Return what a source imports that it must not, as sentences."""
    room, *rest = Path(path).parts
    me, name = _folder(tuple(rest)), Path(path).name
    top = me not in FOLDERS[room]  # the room's own modules: its ways in
    found = []
    for module, inside in _imported(source):
        of, *into = module.split(".")
        if of in ROOMS and module != "io":
            found.append(f"{module}: import oretally.{module}")
        if of != "oretally":
            if inside and not {of, module} & LATE:
                found.append(f"{module} inside a function")
            continue
        if not into:
            found.append(f"{module}: import from a room")
            continue
        other, *deep = into
        if inside and name not in COMMANDS:
            found.append(f"{module} inside a function")
        if other != room and other not in ROOMS[room]:
            found.append(f"{room} must not import {module}")
            continue
        entered = deep[0] if deep else ""
        mine = other == room and entered == me
        if len(deep) > 1 and not mine and not (top and entered == "commands"):
            found.append(f"{module}: import from oretally.{other}.{entered}")
        if other == room and entered and not mine and not top:
            if entered not in FOLDERS[room][me].split():
                found.append(f"{room}/{me} must not import {module}")
        elif other == room and not entered and not top:
            found.append(f"{room}/{me} must not import the door of its own room")
        elif other != room and (allowed := OF_ROOMS.get(f"{room}.{me}")) is not None:
            if not {other, f"{other}.{entered}"} & allowed:
                found.append(f"{room}/{me} must not import {module}")
    return found


def test_direction() -> None:
    assert len(FILES) > 100
    paths = {file.relative_to(ROOT).as_posix(): file.read_text("utf-8") for file in FILES}
    assert {path: found for path, text in paths.items() if (found := breaches(path, text))} == {}


@pytest.mark.parametrize(
    ("path", "source", "breach"),
    [
        ("recon/solver/ways.py", "from oretally.io.case import read_case",
         "recon must not import oretally.io.case"),
        ("recon/solver/ways.py", "from oretally.recon.answers import closures",
         "recon/solver must not import oretally.recon.answers"),
        ("recon/answers/closures.py", "from oretally.recon.solver.ways import solve",
         "oretally.recon.solver.ways: import from oretally.recon.solver"),
        ("recon/answers/closures.py", "from oretally.recon import reconcile",
         "recon/answers must not import the door of its own room"),
        ("recon/reconciliation.py", "from oretally.recon.answers.closures import closures",
         "oretally.recon.answers.closures: import from oretally.recon.answers"),
        ("io/wording/tables.py", "from oretally.recon.solver import solve",
         "io/wording must not import oretally.recon.solver"),
        ("io/files/table.py", "def f():\n    from oretally.io.cells import read_number",
         "oretally.io.cells inside a function"),
        ("flowsheet/units/parse.py", "from flowsheet.units import table",
         "flowsheet.units: import oretally.flowsheet.units"),
        ("recon/solver/ways.py", "def f():\n    import numpy", "numpy inside a function"),
        ("io/definition/definition.py", "from oretally.recon.solver import solve",
         "io/definition must not import oretally.recon.solver"),
        ("io/forms/new_case.py", "from oretally.recon import reconcile",
         "io/forms must not import oretally.recon"),
        ("recon/batch/newton.py", "from oretally.flowsheet.survey import Survey",
         "recon/batch must not import oretally.flowsheet.survey"),
        ("recon/solver/ways.py", "from oretally import io", "oretally: import from a room"),
    ],
)  # fmt: skip
def test_planted_breach(path: str, source: str, breach: str) -> None:
    assert breach in breaches(path, source)


def test_the_table_is_the_house() -> None:
    for room, folders in FOLDERS.items():
        there = {p.parent.name for p in (ROOT / room).glob("*/__init__.py")}
        assert there == {name for name in folders if (ROOT / room / name).is_dir()}
        for number, (name, may) in enumerate(folders.items()):
            assert set(may.split()) <= set(list(folders)[:number]), (room, name)


def test_no_ring_of_modules() -> None:
    graph: nx.DiGraph[str] = nx.DiGraph()
    for file in FILES:
        me = "oretally." + ".".join(file.relative_to(ROOT).with_suffix("").parts)
        if file.name != "__init__.py":
            for name, inside in _imported(file.read_text("utf-8")):
                if name.startswith("oretally.") and not inside:
                    graph.add_edge(me, name)
    assert len(graph) > 100
    assert nx.is_directed_acyclic_graph(graph), nx.find_cycle(graph)


def test_modules_have_one_subject() -> None:
    """No module of odds and ends, none so long that it must have two subjects, no full folder."""
    for file in FILES:
        assert file.stem not in {"utils", "util", "helpers", "common", "misc"}
        assert len(file.read_text("utf-8").splitlines()) <= 400, file
    for file in (ROOT / "tests").rglob("*.py"):
        assert len(file.read_text("utf-8").splitlines()) <= 400, file
    for folder in {file.parent for file in FILES}:
        assert len(list(folder.glob("*.py"))) <= 16, folder


def test_doors_say_where_to_begin() -> None:
    """Each folder's docstring says what is here and which module to read first; there is one."""
    for door in (p for room in ROOMS for p in (ROOT / room).glob("*/__init__.py")):
        said = ast.get_docstring(ast.parse(door.read_text("utf-8"))) or ""
        first = re.search(r"Read ``(\w+)``", said)
        assert first and (door.parent / f"{first[1]}.py").is_file(), door
