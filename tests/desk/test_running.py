"""The command as it runs: opened, answered, interrupted, killed, and started again."""

from __future__ import annotations

import socket
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from desk_client import running_desk

from oretally.io.case import read_case
from oretally.io.cli import oretally
from oretally.io.desk.cases import OpenCases
from oretally.io.desk.kept import RecentCases
from oretally.io.forms import make_case

STATES = {"LISTEN": "0A", "ESTABLISHED": "01"}


def connections(pid: int) -> list[tuple[str, str, str]]:
    """Return (state, own address, other address) of the TCP sockets of a process. Linux alone."""
    inodes = set()
    for link in Path(f"/proc/{pid}/fd").iterdir():
        try:
            name = str(link.readlink())
        except OSError:
            continue
        if name.startswith("socket:["):
            inodes.add(name[8:-1])
    found = []
    for table in ("tcp", "tcp6"):
        for line in Path(f"/proc/{pid}/net/{table}").read_text("ascii").splitlines()[1:]:
            cells = line.split()
            if cells[9] in inodes:
                found.append((cells[3], cells[1], cells[2]))
    return found


def test_a_killed_run_loses_nothing_that_was_kept(tmp_path: Path) -> None:
    make_case(tmp_path / "case", "tin_table")
    state = tmp_path / "state"
    with running_desk("case", folder=tmp_path, state=state) as window:
        assert window.client.get("/").status_code == 403
        assert window.enter().status_code == 303
        document = window.told("start")["case"]
        assert document["recovered"] is None
        assert [Path(row["path"]).name for row in window.told("start", path="")["recent"]] == [
            "case"
        ]
        document["parts"]["measurements.csv"][1][1] = "24950"
        answer = window.answer(document)
        assert answer["values"]
        whatif = {"without": ["tailings:Sn"], "with": []}
        body = {"case": document["case"], "parts": document["parts"], "whatif": whatif}
        assert window.told("keep", **body)["kept"]
        taken = window.told("take", **body)
        assert taken["parts"]["measurements.csv"][4][3:] == ["", ""]
        report = window.told("make", **body, what="check", options={})
        assert report["text"] == window.client.get(report["url"]).text
        if sys.platform == "linux":
            there = connections(window.process.pid)
            assert {own[:8] for _, own, _ in there} == {"0100007F"}  # the loopback alone
            assert {other[:8] for _, _, other in there} <= {"0100007F", "00000000"}
        window.kill()
    assert read_case(tmp_path / "case").survey.measurements[0].value == 24952.0

    cases = OpenCases(tmp_path, RecentCases(state / "oretally" / "recent.json"))
    found = cases.open_named("case")
    assert found["recovered"]["parts"] == document["parts"]
    assert found["recovered"]["whatif"] == whatif
    parts, known = found["recovered"]["parts"], found["digests"]
    saved = cases.save(found["case"], parts, known, force=False)
    assert saved["saved"] == ["measurements.csv"]
    measured = read_case(tmp_path / "case").survey.measured("table feed", "dry mass")
    assert measured is not None and measured.value == 24950.0
    assert [p.name for p in (tmp_path / "case").iterdir() if p.name.startswith(".")] == []


def test_an_interrupted_run_ends_as_every_command_does(tmp_path: Path) -> None:
    with running_desk(folder=tmp_path, state=tmp_path / "state"):
        pass  # interrupted here: one line, and by the signal


def test_a_taken_port_is_told() -> None:
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        found = CliRunner().invoke(oretally, ["desk", "--no-browser", "--port", port])
    assert f"The port {port} cannot be used" in str(found.exception)


def test_a_case_that_is_not_there_is_told() -> None:
    found = CliRunner().invoke(oretally, ["desk", "no such case", "--no-browser"])
    assert "There is no such file or folder" in str(found.exception)


@pytest.mark.parametrize("missing", ["starlette", "uvicorn", "tomlkit"])
def test_without_the_extra_one_line_says_how_to_install_it(missing: str) -> None:
    script = (
        "import sys, importlib.util as u; found = u.find_spec\n"
        f"u.find_spec = lambda name, *a: None if name == '{missing}' else found(name, *a)\n"
        "from oretally.io.cli import main; main(['desk', '--no-browser'])"
    )
    told = subprocess.run(
        [sys.executable, "-c", script], capture_output=True, text=True, check=False
    )
    assert told.returncode == 2
    assert told.stderr == (
        f"Error: The page needs {missing}. Install it, in the folder of oretally's README: "
        "python3 -m pip --python .venv/bin/python install --no-cache-dir '.[web]'\n"
    )
