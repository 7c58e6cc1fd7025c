"""`oretally new` on a terminal: questions and answers through a pseudo-terminal."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import pytest
from warm_process import started_at

pty = pytest.importorskip("pty", reason="no pseudo-terminals here")
pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")
PATIENCE = 60.0  # seconds without a word, after which a test gives up
ASKS = (b"]: ", b"later): ")


class Talk:
    """A command at a terminal: what it says up to a question, and answers to it."""

    def __init__(self, folder: Path, *arguments: str) -> None:
        self.ours, theirs = pty.openpty()
        self.running = started_at(
            theirs, folder, ["new", *arguments], {"TERM": "dumb", "COLUMNS": "100"}
        )
        self.said = b""

    def __enter__(self) -> Talk:
        return self

    def __exit__(self, *_: object) -> None:
        os.close(self.ours)
        self.running.kill()
        self.running.join(PATIENCE)

    def read(self) -> bool:
        """Take what is said next; False at the end."""
        ready, _, _ = select.select([self.ours], [], [], PATIENCE)
        assert ready, f"nothing more after {self.said!r}"
        try:
            more = os.read(self.ours, 4096)
        except OSError:  # Linux: the other end is closed
            return False
        self.said += more
        return bool(more)

    def asked(self) -> str:
        """Return what was said since the last answer, up to a question."""
        while not self.said.endswith(ASKS):
            assert self.read(), self.said.decode()
        told, self.said = self.said.decode(), b""
        return told

    def answer(self, *texts: str) -> str:
        """Answer questions one after the other; return what the last answer brought."""
        told = ""
        for text in texts:
            told = self.asked()
            os.write(self.ours, text.encode())
        return told

    def end(self) -> tuple[int, str]:
        """Return the exit status and what was said last."""
        while self.read():
            pass
        self.running.join(PATIENCE)
        assert self.running.exitcode is not None
        return self.running.exitcode, self.said.decode().replace("\r\n", "\n")


def test_every_default(tmp_path: Path) -> None:
    with Talk(tmp_path, "my_test") as talk:
        talk.answer(*["\n"] * 7)
        status, said = talk.end()
    assert status == 0, said
    assert said.endswith(
        "written: my_test/circuit.toml\nwritten: my_test/measurements.csv\n"
        "written: my_test/lab.csv\n"
        "What to weigh, and labels to cut out: oretally sheet my_test --html sheet.html\n"
        "Masses go into measurements.csv, assays into it or, as the laboratory reports them, into "
        "lab.csv: once is enough.\n"
        "Fill it in, then: oretally check my_test\n"
    )
    document = tomllib.loads((tmp_path / "my_test" / "circuit.toml").read_text("utf-8"))
    assert document["title"] == "my test"
    assert document["report"]["products"] == ["concentrate", "tailings"]
    assert not document["errors"]


def test_answers_stand_in_the_case_and_wrong_ones_are_asked_again(tmp_path: Path) -> None:
    with Talk(tmp_path, "a.xlsx") as talk:
        told = talk.answer("nothing\n", "flot\n", "\n")
        assert "Say which: flotation test or flotation survey." in told.replace("\r\n", " ")
        told = talk.answer("\x1b[31mred\n", "flotation\n")
        assert "has the character U+001B escape" in told
        assert told.rstrip().endswith("Title [a]:")
        told = talk.answer("Xq\n", "gold\n")
        assert "What unit has 'Xq'?" in told
        told = talk.answer("x, X\n", "conc, tails\n")
        assert "There are two streams 'X'." in told
        told = talk.answer("bar\n", "kg\n")
        assert "'bar' is not a unit known here." in told
        talk.answer("2 g\n", "3\n")
        status, said = talk.end()
    assert status == 0, said
    assert (tmp_path / "a.xlsx").is_file()


def test_answers_of_a_survey(tmp_path: Path) -> None:
    with Talk(tmp_path, "s") as talk:
        talk.answer("flotation survey\n", "\n", "weekly\n")
        told = talk.answer("batch\n")
        assert "The basis of a flotation survey is not 'weekly'." in told
        talk.answer("Cu, Au\n", "\n", "\n", "150, 75\n", "1 %\n", "\n")
        status, said = talk.end()
    assert status == 0, said
    document = tomllib.loads((tmp_path / "s" / "circuit.toml").read_text("utf-8"))
    assert document["basis"] == "batch"
    assert document["errors"] == {
        "dry mass": {"relative": 1}, "class mass": {"relative": 1, "absolute": "0.2 %"},
    }  # fmt: skip
    header = (tmp_path / "s" / "measurements.csv").read_text("utf-8").splitlines()[0]
    assert header.startswith("stream,dry mass [t],Cu [%],")
    assert (tmp_path / "s" / "sizes.csv").is_file()


def test_times_come_before_the_products_that_have_them(tmp_path: Path) -> None:
    with Talk(tmp_path, "s") as talk:
        told = talk.answer("timed flotation\n", "\n", "\n", "1, 2\n", "2; 4 min\n", "\n")
        assert "Products, the one thrown away last [concentrate 1, concentrate 2, tailings]" in told
        talk.answer("\n", "\n", "\n")
        status, said = talk.end()
    assert status == 0, said
    document = tomllib.loads((tmp_path / "s" / "circuit.toml").read_text("utf-8"))
    assert [e.get("time") for e in document["streams"].values()] == [None, "2 min", "4 min", None]


@pytest.mark.parametrize(
    ("before", "key"), [(["2\n", "\n"], "\x03"), ([], "\x04")], ids=["^C", "^D"]
)
def test_who_stops_leaves_nothing(before: list[str], key: str, tmp_path: Path) -> None:
    """In the midst of the questions, and at the first."""
    with Talk(tmp_path, "a") as talk:
        talk.answer(*before)
        talk.asked()
        time.sleep(0.3)  # as fast as a hand is: it reads by then, and what comes before is missed
        os.write(talk.ours, key.encode())
        status, said = talk.end()
    assert (status, said.splitlines()[-1]) == (-signal.SIGINT, "Stopped.")
    assert not list(tmp_path.iterdir())


def test_a_place_that_is_taken_is_refused_before_any_question(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "mine").write_text("x", "utf-8")
    with Talk(tmp_path, "a") as talk:
        status, said = talk.end()
    assert status == 2
    assert "It exists already" in said and "What kind" not in said


def test_none_of_these_is_the_blank_case(tmp_path: Path) -> None:
    with Talk(tmp_path, "a") as talk:
        talk.answer("blank\n")
        status, said = talk.end()
    assert status == 0 and said.endswith("Fill it in, then: oretally check a\n")
    assert 'title = "My test"' in (tmp_path / "a" / "circuit.toml").read_text("utf-8")


def test_with_a_kind_nothing_is_asked(tmp_path: Path) -> None:
    with Talk(tmp_path, "a", "--kind", "month") as talk:
        status, said = talk.end()
    assert status == 0 and "What kind" not in said


def test_without_a_terminal_it_is_the_blank_case_as_before(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "oretally.io", "new", "a"], cwd=tmp_path, check=False,
        stdin=subprocess.DEVNULL, capture_output=True, text=True,
    )  # fmt: skip
    assert (done.returncode, done.stdout) == (0, "")
    assert done.stderr.endswith("Fill it in, then: oretally check a\n")
    assert not (tmp_path / "a" / "lab.csv").exists()
