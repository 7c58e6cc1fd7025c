"""A PostgreSQL server of the tests' own, in a folder of its own, on a socket there."""

from __future__ import annotations

import os
import pwd
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path


def binaries() -> Path | None:
    """Return where the programs of the server are; None if it is not installed."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    if found:
        return found[-1].parent
    on_path = shutil.which("initdb")
    return Path(on_path).resolve().parent if on_path else None


def _user() -> str | None:
    """Return who runs the server, if not we: it refuses to be run by root."""
    if os.geteuid() != 0:
        return None
    for name in ("postgres", "nobody"):
        try:
            pwd.getpwnam(name)
        except KeyError:
            continue
        return name
    return None


@contextmanager
def own_postgres() -> Iterator[str]:
    """Give the URL of a server that is gone afterwards."""
    at, user = binaries(), _user()
    assert at is not None
    folder = Path(tempfile.mkdtemp(prefix="pg", dir="/tmp"))
    if user is not None:
        shutil.chown(folder, user)

    def run(*command: str) -> None:
        subprocess.run(
            command, check=True, capture_output=True, user=user, cwd=folder, env={"LC_ALL": "C"},
            stdin=subprocess.DEVNULL,
        )  # fmt: skip

    data = str(folder / "data")
    try:
        run(str(at / "initdb"), "-D", data, "-U", "tester", "--auth=trust", "-E", "UTF8", "-N")
        settings = f"-c listen_addresses='' -k {folder} -c fsync=off"
        # its own log, or it would keep our pipes open
        start = ("-o", settings, "-l", f"{folder}/log", "start")
        run(str(at / "pg_ctl"), "-D", data, "-w", "-t", "600", *start)
        try:
            yield f"postgresql://tester@/postgres?host={folder}"
        finally:
            run(str(at / "pg_ctl"), "-D", data, "-w", "-t", "600", "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
