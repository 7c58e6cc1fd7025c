"""A campaign in a folder, or a file, that may only be read: by somebody else, as a rule."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from campaign_surveys import PLANT, TABLE
from warm_process import Ended, commanded

from oretally.io.campaign import open_campaign, surveys_of

pytestmark = pytest.mark.skipif(os.name == "nt", reason="no such rights")

ANOTHER = """
import contextlib, io, os, sys
import oretally.io.beginning
from oretally.io.cli import main
words, sys.argv[1:] = sys.argv[1:], []
quiet = io.StringIO()
for asked in (["campaign", {open!r}, "list"], [w.replace("/locked/", "/open/") for w in words]):
    with contextlib.redirect_stdout(quiet), contextlib.redirect_stderr(quiet):
        with contextlib.suppress(SystemExit):  # what is imported late is there before the rights go
            main(asked)
for name in os.listdir({folder!r}):
    if name.startswith("out"):
        os.unlink(os.path.join({folder!r}, name))
with contextlib.suppress(PermissionError):  # an ordinary user is one already
    os.setgroups([])
    os.setgid(65534)
    os.setuid(65534)
sys.argv[1:] = words
"""
WHY = {
    "folder": "The folder of the campaign may not be written to.",
    "file": "The file may be read and not written to.",
}


@pytest.fixture
def campaign() -> Iterator[Path]:
    """Give a campaign that is to be locked, in a folder that everybody may enter."""
    with tempfile.TemporaryDirectory() as folder:
        os.chmod(folder, 0o777)
        if any(not above.stat().st_mode & 0o001 for above in Path(folder).parents):
            pytest.skip("nobody else may enter the folder of temporary files")
        file = Path(folder) / "locked" / "c.db"
        file.parent.mkdir()
        open_campaign(file, create=True).add(surveys_of(TABLE, PLANT).surveys, by="a test")
        shutil.copytree(file.parent, file.parent.with_name("open"))
        yield file
        file.parent.chmod(0o777)


def _by_another(file: Path, *words: object) -> Ended:
    opened = file.parent.with_name("open")
    code = ANOTHER.format(open=str(opened / file.name), folder=str(opened.parent))
    return commanded(code, ["campaign", file, *words])


def _lock(file: Path, which: str) -> None:
    file.chmod(0o666 if which == "folder" else 0o444)
    file.parent.chmod(0o555 if which == "folder" else 0o777)


@pytest.mark.parametrize("which", WHY)
def test_what_only_reads_works(campaign: Path, which: str) -> None:
    _lock(campaign, which)
    before, out = campaign.read_bytes(), campaign.parent.parent / "out.csv"
    some: list[list[object]] = [["list"], ["show", "week 1"], ["bias"], ["trend"], ["verify"]]
    some += [["period", "2026", "--hours", "24"], ["export", "--csv", out]]
    for words in some if which == "folder" else (some[0], some[-1]):
        done = _by_another(campaign, *words)
        written = f"written: {out}\n" if words[0] == "export" else ""
        assert (done.returncode, done.stderr) == (0, written), words
    assert len(out.read_text("utf-8").splitlines()) == 13
    assert os.listdir(campaign.parent) == ["c.db"] and campaign.read_bytes() == before


@pytest.mark.parametrize("which", WHY)
def test_what_writes_says_why_it_cannot(campaign: Path, which: str) -> None:
    _lock(campaign, which)
    before = campaign.read_bytes()
    for words in (
        ["balance"], ["add", TABLE, "--circuit", PLANT, "--correct", "--why", "so"],
        ["decide", "week 1", "left out", "--why", "so"],
    ):  # fmt: skip
        done = _by_another(campaign, *words)
        assert done.returncode == 2 and done.stdout == "", words
        assert WHY[which] in done.stderr and "copy the campaign" in done.stderr
    assert campaign.read_bytes() == before


def test_what_was_written_last_is_not_lost(campaign: Path) -> None:
    """Its writer was killed: it stands beside the file, and is read with it or not at all."""
    store = open_campaign(campaign)
    with store.database.reading() as connection:  # who reads keeps the others from tidying up
        assert connection.exec_driver_sql("SELECT count(*) FROM surveys").scalar() == 12
        week = store.entry("week 1")
        store.decide(week, "checked", why="so", by="her")
        left = {n: campaign.with_name(n).read_bytes() for n in os.listdir(campaign.parent)}
    assert left.keys() == {"c.db", "c.db-wal", "c.db-shm"}
    for name, content in left.items():
        campaign.with_name(name).write_bytes(content)
    _lock(campaign, "folder")
    done = _by_another(campaign, "show", "week 1")
    assert (done.returncode, done.stderr) == (0, "") and "by her: checked" in done.stdout
    campaign.parent.chmod(0o777)
    campaign.with_name("c.db-shm").unlink()
    _lock(campaign, "folder")
    done = _by_another(campaign, "show", "week 1")
    assert done.returncode == 2 and "'c.db-wal', which cannot be read" in done.stderr
    copy = shutil.copytree(campaign.parent, campaign.parent.parent / "copy")
    copy.chmod(0o777)
    assert any(d.what == "checked" for d in open_campaign(copy / "c.db").decisions())


def test_a_file_that_may_not_be_read(campaign: Path) -> None:
    campaign.chmod(0)
    done = _by_another(campaign, "list")
    assert done.returncode == 2 and "The file may not be read." in done.stderr
