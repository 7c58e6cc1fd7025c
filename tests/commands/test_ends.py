"""How a command ends that is stopped, or that cannot show or write what it has: in one line.

Each in a process of its own: signals, standard streams and limits belong to a process. What happens
while one starts, or depends on how it was started, in one that starts; else in one that has
imported the commands.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from warm_process import commanded

from oretally.io.cli import main

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"
POSIX = pytest.mark.skipif(os.name == "nt", reason="no such signals, no such standard streams")
FULL = pytest.mark.skipif(not Path("/dev/full").exists(), reason="there is no /dev/full")
ORE = (
    "sample-mass", "--grade", "0.8 %", "--top", "2 mm", "--liberation", "0.1 mm",
    "--mineral-grade", "78 %", "--mineral-density", "6.9 kg/L", "--gangue-density", "2.7 kg/L",
    "--error", "5 %",
)  # fmt: skip
Done = subprocess.CompletedProcess[str]


def _shell(line: str, *words: object, **environment: str) -> Done:
    """Run a line of the shell, in which "$@" is the command with its words."""
    return subprocess.run(
        ["/bin/sh", "-c", line, "sh", sys.executable, "-m", "oretally.io", *map(str, words)],
        capture_output=True, text=True, timeout=1200, check=False, env=os.environ | environment,
    )  # fmt: skip


def _python(code: str, *words: object) -> Done:
    """Run code of which the last thing is the command with these words."""
    end = "\nfrom oretally.io.__main__ import main\nmain()\n"
    return subprocess.run(
        [sys.executable, "-c", code + end, *map(str, words)], capture_output=True, text=True,
        timeout=1200, check=False,
    )  # fmt: skip


@FULL
@pytest.mark.parametrize("words", [("--help",), ("lab", EXAMPLES / "tin_table", "--json", "-")])
def test_standard_output_is_full(words: tuple[str, ...]) -> None:
    """Less than a buffer holds, and more."""
    done = _shell('"$@" >/dev/full', *words)
    assert (done.returncode, done.stderr) == (
        2, "Error: the answer could not be shown: standard output says 'No space left on device'.\n"
    )  # fmt: skip


@FULL
def test_standard_output_is_full_and_ascii() -> None:
    done = _shell('"$@" >/dev/full', "convert", "1", "kg", "g", PYTHONIOENCODING="ascii")
    assert done.returncode == 2 and "'No space left on device'" in done.stderr


@POSIX
def test_standard_output_is_closed(tmp_path: Path) -> None:
    """The file asked for is whole: it did not get the number of the output that is closed."""
    file = tmp_path / "x.json"
    done = _shell('"$@" >&-', *ORE, "--json", file)
    assert (done.returncode, done.stderr) == (
        2, f"written: {file}\nError: the answer could not be shown: standard output is closed.\n"
    )  # fmt: skip
    assert json.loads(file.read_text("utf-8"))["schema"].startswith("oretally.")
    assert os.listdir(tmp_path) == ["x.json"]


@POSIX
def test_messages_are_closed(tmp_path: Path) -> None:
    """What nobody can read is no reason to fail; all three closed do not harm the file."""
    file = tmp_path / "x.json"
    done = _shell('"$@" 2>&-', *ORE, "--json", file)
    assert (done.returncode, done.stderr) == (0, "")
    before = file.read_bytes()
    assert _shell('"$@" <&- >&- 2>&-', *ORE, "--json", file).returncode == 2
    assert file.read_bytes() == before


@POSIX
def test_who_was_reading_has_gone() -> None:
    """As any program of a pipe: silently, and not as what cannot be balanced."""
    reader, writer = os.pipe()
    os.close(reader)
    done = subprocess.run(
        [sys.executable, "-m", "oretally.io", "--help"], stdout=writer, stderr=subprocess.PIPE,
        timeout=1200, check=False,
    )  # fmt: skip
    os.close(writer)
    assert (done.returncode, done.stderr) == (-signal.SIGPIPE, b"")


IMPORTING = """
import os, signal, sys
class Finder:
    def find_spec(self, name, *_):
        if name == {name!r}:
            os.kill(os.getpid(), signal.{sent})
sys.meta_path.insert(0, Finder())
"""


@POSIX
@pytest.mark.parametrize(("sent", "name"), [("SIGINT", "click"), ("SIGTERM", "numpy")])
def test_stopped_while_importing(sent: str, name: str) -> None:
    done = _python(IMPORTING.format(sent=sent, name=name), "check", EXAMPLES / "tin_table")
    assert (done.returncode, done.stdout) == (-getattr(signal, sent), "")
    assert done.stderr == "Stopped.\n"


WRITING = """
import os, signal
really = os.replace
def replace(*names):
    os.kill(os.getpid(), signal.{sent})
    really(*names)
os.replace = replace
{more}
"""


@POSIX
@pytest.mark.parametrize("sent", ["SIGINT", "SIGTERM"])
def test_stopped_while_writing(sent: str, tmp_path: Path) -> None:
    file = tmp_path / "x.json"
    file.write_text('{"schema": "oretally.old', "utf-8")
    done = commanded(WRITING.format(sent=sent, more=""), [*ORE, "--json", file])
    assert (done.returncode, done.stdout) == (-getattr(signal, sent), "")
    assert done.stderr == "Stopped.\n"
    assert file.read_text("utf-8") == '{"schema": "oretally.old'
    assert os.listdir(tmp_path) == ["x.json"]


@POSIX
def test_a_signal_that_is_ignored_stays_so(tmp_path: Path) -> None:
    """As under nohup."""
    more = "signal.signal(signal.SIGHUP, signal.SIG_IGN)"
    file = tmp_path / "x.json"
    done = commanded(WRITING.format(sent="SIGHUP", more=more), [*ORE, "--json", file])
    assert (done.returncode, done.stderr) == (0, f"written: {file}\n")


LIMITED = """
import resource, sys
sys.dont_write_bytecode = True  # cut short, it would stay among that of the other tests
resource.setrlimit(resource.RLIMIT_FSIZE, ({size}, {size}))
"""


@POSIX
def test_a_limit_on_the_size_of_files(tmp_path: Path) -> None:
    file = tmp_path / "x.json"
    file.write_text('{"schema": "oretally.old', "utf-8")
    done = commanded(LIMITED.format(size=500), [*ORE, "--json", file])
    assert (done.returncode, done.stdout) == (2, "")
    assert done.stderr == (
        f"Error: '{file}' cannot be written: File too large. Make room, or give a folder on "
        "another disk.\n"
    )
    assert file.read_text("utf-8") == '{"schema": "oretally.old'
    folder = tmp_path / "a" / "b"
    done = commanded(LIMITED.format(size=500), ["new", folder, "--from", "tin_table"])
    assert done.returncode == 2 and "It cannot be written: File too large." in done.stderr
    assert os.listdir(tmp_path) == ["x.json"]


FORBIDDEN = """
import contextlib, io, os, sys
import oretally.io.beginning
from oretally.io.cli import main
words, sys.argv[1:] = sys.argv[1:], ["convert", "1", "kg", "g"]
with contextlib.redirect_stdout(io.StringIO()), contextlib.suppress(SystemExit):
    main([words[0], {warm!r}])  # what is imported late is there before the rights are gone
with contextlib.suppress(PermissionError):  # an ordinary user is one already
    os.setgroups([])
    os.setgid(65534)
    os.setuid(65534)
sys.argv[1:] = words
"""


@POSIX
@pytest.mark.parametrize("of", ["case", "output", "folder"])
def test_a_folder_that_may_not_be_entered(of: str, tmp_path: Path) -> None:
    """As an ordinary user; the superuser of a test server becomes one first."""
    forbidden, case = tmp_path / "forbidden", EXAMPLES / "tin_table"
    forbidden.mkdir()
    forbidden.chmod(0)
    code = FORBIDDEN.format(warm=str(case))
    try:
        if of == "folder":
            done = commanded(code, ["new", forbidden / "mine"])
        elif of == "case":
            done = commanded(code, ["check", forbidden / "case"])
        else:
            done = commanded(code, ["check", case, "--svg", forbidden / "x.svg"])
    finally:
        forbidden.chmod(0o700)
    assert (done.returncode, done.stdout) == (2, ""), done.stderr
    assert "Permission denied" in done.stderr and "mistake" not in done.stderr
    assert os.listdir(forbidden) == []


def test_status_of_a_signal_within_the_process(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Handlers are put back; a library that makes another exception of it is seen through."""

    def interrupted(*_: object, **__: object) -> None:
        try:
            signal.raise_signal(signal.SIGINT)
        except BaseException as error:
            raise ImportError("of no use") from error

    monkeypatch.setattr("oretally.io.commands.balance.reconcile", interrupted)
    before = signal.getsignal(signal.SIGINT)
    with pytest.raises(SystemExit) as stop:
        main(["balance", str(EXAMPLES / "tin_table")])
    assert stop.value.code == 130
    assert capsys.readouterr().err == "Stopped.\n"
    assert signal.getsignal(signal.SIGINT) is before
