"""The one way in which files are written: whole or not at all, whatever fails, whoever else writes.

What needs many writes or a death is driven in a process of its own, without the commands.
"""

from __future__ import annotations

import errno
import os
import stat
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest
from often import NIGHTLY

from oretally.io.files import (
    FileChanged,
    create_file,
    digest_of,
    replace_file,
    unchanged_since,
)

POSIX = pytest.mark.skipif(not hasattr(os, "fork"), reason="no fork here")
PATCHED = "oretally.io.files.atomic_write.os"


def _fails(number: int) -> Callable[..., None]:
    def fail(*_: object, **__: object) -> None:
        raise OSError(number, os.strerror(number))

    return fail


def _python(code: str, *arguments: object) -> str:
    """Return what code prints in a Python of its own."""
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, arguments)], capture_output=True, text=True,
        timeout=600, check=False,
    )  # fmt: skip
    assert (done.returncode, done.stderr) == (0, "")
    return done.stdout


def test_written_anew_and_in_place(tmp_path: Path) -> None:
    file = tmp_path / "x.html"
    replace_file(file, "± first")
    assert file.read_bytes() == "± first".encode()
    replace_file(file, b"second\r\n")
    assert file.read_bytes() == b"second\r\n"
    assert os.listdir(tmp_path) == ["x.html"]


@pytest.mark.skipif(os.name == "nt", reason="no permissions of this kind")
def test_permissions(tmp_path: Path) -> None:
    """A new file has those that the umask leaves; one in place of another has the other's."""
    file, plain = tmp_path / "x.html", tmp_path / "plain"
    plain.touch()
    replace_file(file, "")
    assert file.stat().st_mode == plain.stat().st_mode
    for mode in (0o600, 0o666):
        file.chmod(mode)
        replace_file(file, "again")
        assert stat.S_IMODE(file.stat().st_mode) == mode


@pytest.mark.parametrize("step", ["fsync", "replace", "open", "chmod"])
@pytest.mark.parametrize("number", [errno.ENOSPC, errno.EIO])
def test_a_failing_step_leaves_what_was_there(
    step: str, number: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = tmp_path / "x.html"
    file.write_text("old", "utf-8")
    monkeypatch.setattr(f"{PATCHED}.{step}", _fails(number))
    if step == "chmod":  # a file system without permissions: no reason not to write
        replace_file(file, "new")
    else:
        with pytest.raises(OSError, match=os.strerror(number)):
            replace_file(file, "new")
    monkeypatch.undo()
    assert file.read_text("utf-8") == ("new" if step == "chmod" else "old")
    assert os.listdir(tmp_path) == ["x.html"]


@pytest.mark.parametrize("step", ["fsync", "replace"])
def test_stopped_by_the_user(step: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    file = tmp_path / "x.html"
    monkeypatch.setattr(f"{PATCHED}.{step}", stop)
    with pytest.raises(KeyboardInterrupt):
        replace_file(file, "new")
    with pytest.raises(KeyboardInterrupt):
        monkeypatch.setattr(f"{PATCHED}.link", _fails(errno.EPERM))
        create_file(file, "new")
    assert os.listdir(tmp_path) == []


def test_file_systems_that_cannot_sync(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(f"{PATCHED}.fsync", _fails(errno.EINVAL))
    replace_file(tmp_path / "x.html", "new")
    assert (tmp_path / "x.html").read_text("utf-8") == "new"


def test_a_folder_that_may_be_written_but_not_read(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    really = os.open

    def opened(path: str, flags: int, mode: int = 0o777) -> int:
        if Path(path).is_dir():
            raise PermissionError(errno.EACCES, "planted")
        return really(path, flags, mode)

    monkeypatch.setattr(f"{PATCHED}.open", opened)
    replace_file(tmp_path / "x.html", "new")
    create_file(tmp_path / "y.html", "new")
    assert sorted(os.listdir(tmp_path)) == ["x.html", "y.html"]


@pytest.mark.parametrize("planted", ["file", "link"])
def test_what_has_the_name_of_a_part_is_left_alone(
    planted: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The name cannot be guessed; were it guessed, nothing would be lost."""
    monkeypatch.setattr(f"{PATCHED}.urandom", lambda n: b"\x01" * n)
    part, precious = tmp_path / f".oretally-{'01' * 8}.part", tmp_path / "precious"
    precious.write_text("mine", "utf-8")
    part.symlink_to(precious) if planted == "link" else part.write_text("mine", "utf-8")
    for write in (replace_file, create_file):
        with pytest.raises(FileExistsError):
            write(tmp_path / "x.html", "new")
    assert (part.read_text("utf-8"), precious.read_text("utf-8")) == ("mine", "mine")
    assert part.is_symlink() == (planted == "link")
    assert not (tmp_path / "x.html").exists()


def test_old_names_of_parts_are_nothing_special(tmp_path: Path) -> None:
    (tmp_path / "x.html.part").write_text("mine", "utf-8")
    replace_file(tmp_path / "x.html", "new")
    assert (tmp_path / "x.html.part").read_text("utf-8") == "mine"


def test_a_link_stays_and_what_it_leads_to_is_written(tmp_path: Path) -> None:
    (tmp_path / "far").mkdir()
    link, target = tmp_path / "x.html", tmp_path / "far" / "y.html"
    target.write_text("old", "utf-8")
    link.symlink_to(target)
    replace_file(link, "new")
    assert link.is_symlink() and target.read_text("utf-8") == "new"
    assert os.listdir(tmp_path / "far") == ["y.html"]


def test_created_once(tmp_path: Path) -> None:
    file, link = tmp_path / "x", tmp_path / "link"
    link.symlink_to(tmp_path / "nowhere")
    create_file(file, "mine")
    for taken in (file, link):
        with pytest.raises(FileExistsError):
            create_file(taken, "other")
    assert file.read_text("utf-8") == "mine"
    assert sorted(os.listdir(tmp_path)) == ["link", "x"]


def test_created_once_without_links(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(f"{PATCHED}.link", _fails(errno.EPERM))
    create_file(tmp_path / "x", "mine")
    with pytest.raises(FileExistsError):
        create_file(tmp_path / "x", "other")
    assert (tmp_path / "x").read_text("utf-8") == "mine"
    monkeypatch.setattr(f"{PATCHED}.replace", _fails(errno.EIO))
    with pytest.raises(OSError, match=os.strerror(errno.EIO)):
        create_file(tmp_path / "y", "mine")
    assert os.listdir(tmp_path) == ["x"]


def test_only_if_unchanged(tmp_path: Path) -> None:
    file = tmp_path / "x"
    create_file(file, "one")
    read = digest_of(file)
    file.write_text("two", "utf-8")
    with pytest.raises(FileChanged, match="has been changed since it was read"):
        replace_file(file, "three", judge=unchanged_since(read))
    assert file.read_text("utf-8") == "two"
    replace_file(file, "three", judge=unchanged_since(digest_of(file)))
    with pytest.raises(FileChanged):
        replace_file(file, "four", judge=unchanged_since(None))
    assert digest_of(tmp_path / "none") is None
    assert file.read_text("utf-8") == "three"
    assert os.listdir(tmp_path) == ["x"]


TWO_WRITERS = """
import os, sys, time
from pathlib import Path
from oretally.io.files import FileChanged, digest_of, replace_file, unchanged_since
os.fsync = lambda _: None  # it is the order of events that is tested, not the disk
file, counter = Path(sys.argv[1]) / "x", Path(sys.argv[1]) / "counter"
replace_file(counter, "0")
one, two = b"1" * 30_000, b"2" * 20_000
replace_file(file, one)
writers = []
for content in (one, two):
    writers.append(os.fork())
    if not writers[-1]:
        for _ in range(1000):
            replace_file(file, content)
        done = 0
        while done < 50:
            read = digest_of(counter)
            number = int(counter.read_text())
            try:
                replace_file(counter, str(number + 1), judge=unchanged_since(read))
                done += 1
            except FileChanged:
                pass
        os._exit(0)
seen, ended = set(), []
while len(ended) < 2:
    time.sleep(0.001)
    seen.add(file.read_bytes())
    found, status = os.waitpid(-1, os.WNOHANG)
    if found:
        ended.append(status)
print(ended, seen <= {one, two}, int(counter.read_text()), sorted(os.listdir(sys.argv[1])))
"""


@POSIX
def test_two_writers_a_thousand_times(tmp_path: Path) -> None:
    """Whoever reads meanwhile finds one content or the other; no change on a read one is lost."""
    said = _python(TWO_WRITERS, tmp_path)
    assert said == "[0, 0] True 100 ['counter', 'x']\n"


KILLED = """
import os, random, signal, sys, time
from pathlib import Path
from oretally.io.files import create_file, replace_file
os.fsync = lambda _: None  # a killed process takes nothing from the disk
folder, times, pause = Path(sys.argv[1]), int(sys.argv[2]), random.Random(7)
file, new = folder / "x", folder / "new"
contents = [b"1" * 300_000, b"2" * 200_000]
replace_file(file, contents[0])
for _ in range(times):
    child = os.fork()
    if not child:
        while True:
            for content in contents:
                replace_file(file, content)
                new.unlink(missing_ok=True)
                create_file(new, content)
    time.sleep(pause.uniform(0.0, 0.02))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    assert file.read_bytes() in contents
    assert not new.exists() or new.read_bytes() in contents
left = sorted(set(os.listdir(folder)) - {"x", "new"})
assert len(left) <= times and all(n.startswith(".oretally-") and n.endswith(".part") for n in left)
replace_file(file, b"after")  # what was left does no harm
assert file.read_bytes() == b"after" and sorted(set(os.listdir(folder)) - {"x", "new"}) == left
print("whole")
"""


@POSIX
def test_killed_while_writing(tmp_path: Path) -> None:
    """At random moments: each file is whole, and only hidden parts are left."""
    assert _python(KILLED, tmp_path, 200 if NIGHTLY else 20) == "whole\n"


@pytest.mark.parametrize("write", [replace_file, create_file])
def test_a_disk_that_is_full(write: Callable[[Path, bytes], None], tmp_path: Path) -> None:
    """A real one, of 64 KiB, where this user may make one."""
    disk = tmp_path / "disk"
    disk.mkdir()
    mount = ["mount", "-t", "tmpfs", "-o", "size=64k", "oretally", str(disk)]
    try:
        made = subprocess.run(mount, capture_output=True, check=False)
    except OSError:
        pytest.skip("there is no mount here")
    if made.returncode:
        pytest.skip("this user may not mount a disk")
    try:
        (disk / "x").write_bytes(b"old")
        name = "x" if write is replace_file else "y"
        with pytest.raises(OSError, match=os.strerror(errno.ENOSPC)):
            write(disk / name, b"1" * 100_000)
        assert os.listdir(disk) == ["x"] and (disk / "x").read_bytes() == b"old"
        write(disk / name, b"fits")
        assert (disk / name).read_bytes() == b"fits"
    finally:
        for _ in range(20):
            if not subprocess.run(["umount", str(disk)], check=False).returncode:
                break
            time.sleep(0.1)
