"""What outlives a run: the recovery file beside a case, and the list of recent cases."""

from __future__ import annotations

import json
import os
import sys
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

from oretally.io.files import replace_file

__all__ = ["RecentCases", "forget", "keep", "kept_file", "recovered"]

_MOST = 12  # recent cases
_LARGEST = 48 * 1024 * 1024


def kept_file(case: Path) -> Path:
    """Return the recovery file of a case: hidden, within its folder or beside its workbook."""
    return (case if case.is_dir() else case.parent) / f".{case.name}.oretally-desk.json"


def keep(case: Path, run: str, work: dict[str, Any]) -> str:
    """Write the work on a case to its recovery file; return when that was.

    Raises
    ------
    OSError
        If it cannot be written.
    """
    when = time.strftime("%Y-%m-%d %H:%M:%S")
    row = {"oretally": "desk", "run": run, "when": when, **work}
    replace_file(kept_file(case), json.dumps(row, ensure_ascii=False).encode())
    return when


def forget(case: Path) -> None:
    """Remove the recovery file of a case, if there is one; a survey stands in no folder."""
    with suppress(NotADirectoryError):
        kept_file(case).unlink(missing_ok=True)


def recovered(case: Path) -> dict[str, Any] | None:
    """Return what a recovery file holds; None if there is none, or it is no such file."""
    file = kept_file(case)
    try:
        if file.is_symlink() or file.stat().st_size > _LARGEST:
            return None
        row = json.loads(file.read_bytes())
    except (OSError, ValueError, RecursionError):
        return None
    there = isinstance(row, dict) and row.get("oretally") == "desk"
    return row if there and isinstance(row.get("parts"), dict) else None


class RecentCases:
    """The cases opened lately, in a small file of the user's; a run goes on without it."""

    def __init__(self, file: Path | None = None) -> None:
        self.file = file
        if file is None and (folder := _state_folder()) is not None:
            self.file = folder / "oretally" / "recent.json"

    def rows(self) -> list[dict[str, str]]:
        """Return path, title and time of each, the latest first; those that are gone left out."""
        if self.file is None:
            return []
        try:
            found = json.loads(self.file.read_bytes())
            rows = [{key: str(row[key]) for key in ("path", "title", "when")} for row in found]
        except (OSError, ValueError, TypeError, KeyError, RecursionError):
            return []
        return [row for row in rows if os.path.exists(row["path"])]

    def add(self, case: Path, title: str) -> None:
        """Put a case first."""
        row = {"path": str(case), "title": title, "when": time.strftime("%Y-%m-%d %H:%M")}
        if self.file is None:
            return
        rows = [row, *(r for r in self.rows() if r["path"] != row["path"])][:_MOST]
        try:
            self.file.parent.mkdir(parents=True, exist_ok=True)
            replace_file(self.file, json.dumps(rows, ensure_ascii=False, indent=1).encode())
        except OSError:
            return  # it is a convenience: nothing of the user's hangs on it


def _state_folder() -> Path | None:
    """Return where programs keep their state on this platform; None where nobody is at home."""
    told = os.environ.get("LOCALAPPDATA" if os.name == "nt" else "XDG_STATE_HOME")
    if told and sys.platform != "darwin":
        return Path(told)
    try:
        home = Path.home()
    except RuntimeError:
        return None
    folders = {"win32": ("AppData", "Local"), "darwin": ("Library", "Application Support")}
    return home.joinpath(*folders.get(sys.platform, (".local", "state")))
