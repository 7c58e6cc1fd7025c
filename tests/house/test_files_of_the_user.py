"""Files of the user are read and written in one place each, so that no guard forgets one."""

from __future__ import annotations

import ast
from pathlib import Path

IO = Path(__file__).resolve().parents[2] / "io"
TOUCHING = {
    "create_engine", "exists", "is_dir", "is_file", "iterdir", "mkdir", "mkstemp", "open",
    "read_bytes", "rename", "rmdir", "rmtree", "unlink", "write_bytes", "write_text",
    "TemporaryDirectory",
}  # fmt: skip
MAY = {
    # a database keeps itself whole: whatever is written to it is one transaction
    "campaign/database.py": {"create_engine"},
    "files/atomic_write.py": {"open", "read_bytes", "unlink"},
    "files/input_files.py": {"open", "read_bytes"},
    "files/workbook.py": {"open"},  # the same
    "files/workbook_xml.py": {"open"},  # the members of an archive in memory
    "campaign_commands/certificates.py": {"TemporaryDirectory", "mkdir"},  # a copy of the survey
    # the page keeps to the opened folder, and judges what stands there by its digest
    "desk/cases.py": {"iterdir", "mkdir", "open", "unlink"},
    "desk/kept.py": {"exists", "is_dir", "mkdir", "read_bytes", "unlink"},
    "desk/launch.py": {"open"},  # a browser
    "desk/server.py": {"is_dir", "iterdir", "read_bytes"},  # of the page
    "desk/toml_edits.py": {"rename"},  # of a stream or node
    "desk/worker.py": {"TemporaryDirectory", "mkdir", "write_bytes"},  # a copy of the case
    "commands/output_files.py": {"exists", "read_bytes"},  # judges what stands in the place
    "commands/signals.py": {"rmtree"},  # a folder of this process alone, not of the user
    "commands/plan.py": {"open"},  # where prints of a library go
    "commands/standard_streams.py": {"open"},
    "commands/balance.py": {"open"},  # a browser
    "forms/kinds.py": {"iterdir"},  # our own
    "forms/new_case.py": {"is_file", "iterdir", "mkdir", "rmdir", "unlink"},  # our examples; a case
    "results/pdf.py": {"TemporaryDirectory", "read_bytes"},  # an empty one; our template
}


def _touched(source: str) -> set[str]:
    """Return what a module calls that touches a file, as function or as method."""
    called = (node.func for node in ast.walk(ast.parse(source)) if isinstance(node, ast.Call))
    methods, functions = set[str](), set[str]()
    for function in called:
        if isinstance(function, ast.Attribute):
            methods.add(function.attr)
        elif isinstance(function, ast.Name):
            functions.add(function.id)
    return (methods & TOUCHING) | (functions & {"open", "mkstemp", "TemporaryDirectory"})


def test_one_place_each() -> None:
    found = {f.relative_to(IO).as_posix(): _touched(f.read_text("utf-8")) for f in IO.rglob("*.py")}
    assert {name: touched for name, touched in found.items() if touched} == MAY


def test_planted() -> None:
    source = "from pathlib import Path\nPath('x').write_text('y')\nopen('z')\nx.read_text('utf-8')"
    assert _touched(source) == {"open", "write_text"}
