"""The cases that are open in the page: opened, saved, kept, watched; all paths are judged here."""

from __future__ import annotations

import os
import secrets
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from oretally.flowsheet import Fault, InputError, Place
from oretally.io.case import CIRCUIT_FILE
from oretally.io.desk.circuit_table import circuit_table
from oretally.io.desk.kept import RecentCases, forget, keep, kept_file, recovered
from oretally.io.desk_files import (
    CaseFiles,
    GivenCase,
    Parts,
    Stored,
    digests,
    files_of,
    files_of_survey,
)
from oretally.io.files import (
    SUFFIXES,
    FileChanged,
    create_file,
    is_campaign,
    is_file,
    is_folder,
    is_there,
    readable_name,
    replace_file,
    unchanged_since,
)
from oretally.io.forms import kind_named, make_case, title_from, wanted_case

__all__ = ["KIND_OF_WORK", "Conflict", "OpenCase", "OpenCases"]

_DATABASES = (".db", ".sqlite", ".sqlite3")
"""Endings of the files that are looked at, whether they are campaigns."""
KIND_OF_WORK = "kind: "
"""How a template is called that is a kind of work; its name follows."""
_SEEN = 6.0  # s after which a window that says nothing is taken for closed
_BESIDE = 10.0  # s after which another run that keeps nothing is taken for ended


class Conflict(Exception):
    """The files are not as the page knows them."""

    def __init__(self, changed: list[str], theirs: Parts, digests: dict[str, str]) -> None:
        self.changed, self.theirs, self.digests = changed, theirs, digests
        super().__init__(", ".join(changed))


@dataclass
class OpenCase:
    """One case that is open."""

    number: str
    files: CaseFiles
    stored: Stored
    windows: dict[str, float] = field(default_factory=dict)
    survey: dict[str, str] | None = None
    """Of a survey: its campaign, as the page knows it, and its label."""

    @property
    def path(self) -> Path:
        """Its folder or workbook."""
        return self.files.path


class OpenCases:
    """All that are open in one run.

    Parameters
    ----------
    root : Path
        The folder that the page may open cases in; links that lead out of it are refused.
    recent : RecentCases
    """

    def __init__(self, root: Path, recent: RecentCases) -> None:
        self.root, self.recent = root.resolve(), recent
        self.run = secrets.token_hex(8)
        self.open_cases: dict[str, OpenCase] = {}

    def case(self, number: object) -> OpenCase:
        """Return an open case; InputError if there is none of that number."""
        found = self.open_cases.get(number) if isinstance(number, str) else None
        if found is None:
            raise _refused("This case is not open here.", "Open it again.")
        return found

    def confined(self, written: object) -> Path:
        """Return a path below the root, links followed; InputError if it leads out of it."""
        if not isinstance(written, str) or not written.strip() or "\x00" in written:
            raise _refused("No name is given.", "Type the name of a folder or a workbook.")
        path = _real(self.root / written)
        if not path.is_relative_to(self.root):
            raise _refused("This is outside the folder that the page may use.",
                           f"Choose something within {self.root}, or start 'oretally desk' "
                           "in another folder.", written)  # fmt: skip
        return path

    def listed(self) -> list[dict[str, str]]:
        """Return the cases that stand in the root itself."""
        try:
            there = sorted(self.root.iterdir(), key=lambda p: p.name.casefold())
        except OSError:
            return []
        kinds = ((path.name, self._kind(path)) for path in there if path.name[0] not in ".~")
        return [{"path": name, "kind": kind} for name, kind in kinds if kind]

    def _kind(self, path: Path) -> str:
        """Return what kind of case a path is by its looks; empty if it is none, or out of reach."""
        try:
            if not _real(path).is_relative_to(self.root):
                return ""
            if is_folder(path):
                return "folder" if is_file(path / CIRCUIT_FILE) else ""
            ending = path.suffix.casefold()
            if ending in SUFFIXES:
                return "workbook" if is_file(path) else ""
            return "campaign" if ending in _DATABASES and is_campaign(path) else ""
        except InputError:
            return ""

    def open(self, path: Path) -> dict[str, Any]:
        """Open a case and return what the page shows of it; of a campaign, where it is."""
        path = _real(path)
        if is_campaign(path):
            self.recent.add(path, readable_name(path.stem))
            return {"campaign": self.shown(path)}
        document = self.document(self._opened(files_of(path)))
        self.recent.add(path, document["title"])
        return document

    def _opened(self, files: CaseFiles, survey: dict[str, str] | None = None) -> OpenCase:
        """Read a case anew; one that is open keeps its number."""
        number = next((k for k, c in self.open_cases.items() if c.path == files.path), None)
        case = OpenCase(number or secrets.token_hex(8), files, files.read(), survey=survey)
        if number is not None:
            case.windows = self.open_cases[number].windows
        self.open_cases[case.number] = case
        return case

    def campaign(self, written: object) -> Path:
        """Return the file of a campaign by the path that the page shows; judged as a case's is."""
        known = isinstance(written, str) and any(r["path"] == written for r in self.recent.rows())
        path = _real(Path(str(written))) if known else self.confined(written)
        if not is_campaign(path):
            raise _refused("This is no campaign.", "Choose its file.", str(written))
        return path

    def open_survey(
        self, campaign: Path, label: str, number: int, given: GivenCase, story: str
    ) -> dict[str, Any]:
        """Open a survey of a campaign, to be read, and return what the page shows of it."""
        files = files_of_survey(campaign / str(number), given, story)
        survey = {"campaign": self.shown(campaign), "label": label}
        return self.document(self._opened(files, survey))

    def open_named(self, written: object) -> dict[str, Any]:
        """Open a case by the path that the page shows: below the root, or that of a recent one."""
        if isinstance(written, str) and Path(written).is_absolute():
            return self.open_recent(written)
        return self.open(self.confined(written))

    def open_recent(self, written: object) -> dict[str, Any]:
        """Open a case of the list of recent ones, wherever it is: its user opened it before."""
        rows = [row["path"] for row in self.recent.rows()]
        if not isinstance(written, str) or written not in rows:
            raise _refused("This is no recent case.", "Choose one of the list.")
        return self.open(Path(written))

    def new(self, template: object, folder: object) -> dict[str, Any]:
        """Make a case for a kind of work, a blank one, or a copy of an example, and open it."""
        path = self.confined(folder)
        if isinstance(template, str) and template.startswith(KIND_OF_WORK):
            kind = kind_named(template.removeprefix(KIND_OF_WORK))
            make_case(path, wanted=wanted_case(kind, title_from(path)))
        else:
            make_case(path, template if isinstance(template, str) and template != "blank" else None)
        return self.open(path)

    def document(self, case: OpenCase) -> dict[str, Any]:
        """Return a case as the page shows it."""
        stored = case.stored
        circuit = circuit_table(stored.parts)
        found = recovered(case.path)
        lost = None
        if found is not None and found["parts"] != stored.parts:
            known = found.get("digests")
            lost = {
                "when": str(found.get("when", "")),
                "parts": found["parts"],
                "whatif": found.get("whatif") or {"without": [], "with": []},
                "changed": _differing(known if isinstance(known, dict) else {},
                                      digests(stored.files)),
            }  # fmt: skip
        return {
            "case": case.number,
            "name": case.path.name,
            "title": circuit["title"] or case.path.stem,
            "path": self.shown(case.path)
            if case.survey is None
            else ": ".join(case.survey.values()),
            "survey": case.survey,
            "kind": case.files.kind,
            "parts": stored.parts,
            "digests": digests(stored.files),
            "recovered": lost,
            "circuit": circuit,
            "readonly": case.files.readonly,
        }

    def shown(self, path: Path) -> str:
        """Return a path as its user knows it."""
        return str(path.relative_to(self.root)) if path.is_relative_to(self.root) else str(path)

    def save(self, number: object, parts: Parts, known: Mapping[str, str], *,
             force: bool) -> dict[str, Any]:  # fmt: skip
        """Write the parts to the case's files; what did not change is not written.

        Raises
        ------
        Conflict
            If the files are not as the page knows them, and it does not insist.
        InputError
            If they cannot be written.
        """
        case = self.case(number)
        there = case.files.read()
        if case.files.readonly:  # as it is now
            raise _refused(case.files.readonly, "Save it under another name.", case.path.name)
        files = case.files.written(parts, there)
        # what holds already what is to be written, as after a save that failed halfway, is none
        changed = [name for name in _differing(known, digests(there.files))
                   if there.files.get(name) != files.get(name)]  # fmt: skip
        if changed and not force:
            raise Conflict(changed, there.parts, digests(there.files))
        saved, removed = [], []
        try:
            for name, data in files.items():
                if there.files.get(name) != data:
                    unchanged = unchanged_since(digests(there.files).get(name))
                    replace_file(case.files.target(name), data, judge=unchanged)
                    saved.append(name)
            for name in there.files.keys() - files.keys():
                if name in known or force:
                    case.files.target(name).unlink()
                    removed.append(name)
        except FileChanged as late:
            there = case.files.read()
            now = digests(there.files)
            raise Conflict(_differing(known, now), there.parts, now) from late
        except OSError as error:
            reason = error.strerror or type(error).__name__
            raise _refused(f"It cannot be written: {reason}.", "See whether the folder may be "
                           "written to.", case.path.name) from error  # fmt: skip
        case.stored = case.files.read()
        forget(case.path)
        self.recent.add(case.path, circuit_table(case.stored.parts)["title"] or case.path.stem)
        return {"digests": digests(case.stored.files), "saved": saved, "removed": removed}

    def save_as(self, number: object, parts: Parts, written: object) -> dict[str, Any]:
        """Write the parts to a new folder, or a new workbook, and open it; nothing is written over.

        Raises
        ------
        InputError
            If the name is taken, or of the other kind.
        """
        case, target = self.case(number), self.confined(written)
        if is_there(target):
            raise _refused("It exists already, and nothing is ever written over.",
                           "Choose another name.", target.name)  # fmt: skip
        files = case.files.copied(parts, case.stored, target)
        try:
            if case.files.kind == "folder":
                target.mkdir(parents=True)
            for path, data in files.items():
                create_file(path, data)
        except OSError as error:
            reason = error.strerror or type(error).__name__
            raise _refused(f"It cannot be written: {reason}.", "Choose another name.",
                           target.name) from error  # fmt: skip
        forget(case.path)
        return self.open(target)

    def keep(self, number: object, parts: Parts, whatif: object) -> dict[str, Any]:
        """Write the recovery file beside a case."""
        case = self.case(number)
        work = {"parts": parts, "whatif": whatif, "digests": digests(case.stored.files)}
        try:
            return {"kept": keep(case.path, self.run, work)}
        except OSError as error:
            reason = error.strerror or type(error).__name__
            raise _refused(f"No recovery file can be written: {reason}.", "Save often.",
                           kept_file(case.path).name) from error  # fmt: skip

    def forget(self, number: object) -> dict[str, Any]:
        """Remove the recovery file of a case."""
        forget(self.case(number).path)
        return {}

    def state(self, number: object, window: object, known: Mapping[str, str]) -> dict[str, Any]:
        """Return which files changed on the disk, and how many other windows show the case."""
        case, now = self.case(number), time.monotonic()
        if isinstance(window, str):
            case.windows[window] = now
        case.windows = {w: seen for w, seen in case.windows.items() if now - seen < _SEEN}
        try:
            there = digests(case.files.contents())
        except InputError:
            there = {}
        others = len(case.windows.keys() - {window})
        return {"changed": _differing(known, there), "windows": others + self._other_runs(case)}

    def _other_runs(self, case: OpenCase) -> int:
        """Return whether another run works on the same case: it keeps its own work there."""
        try:
            fresh = time.time() - kept_file(case.path).stat().st_mtime < _BESIDE
        except OSError:
            return 0
        found = recovered(case.path) if fresh else None
        return int(found is not None and found.get("run") != self.run)

    def job(self, body: Mapping[str, Any], parts: Parts) -> dict[str, Any]:
        """Return the files of a case with these parts, for the process that balances."""
        case = self.case(body.get("case"))
        files = case.files.written(parts, case.stored)
        name = case.path.name if case.files.kind == "folder" else next(iter(files))
        return {
            "name": name,
            "kind": case.files.kind,
            "files": files | case.files.beside(parts),
            "parts": parts,
        }


def _real(path: Path) -> Path:
    """Return a path with its links followed, as far as they lead anywhere."""
    return Path(os.path.realpath(path))


def _differing(known: Mapping[str, object], there: Mapping[str, str]) -> list[str]:
    return sorted(n for n in {*known, *there} if known.get(n) != there.get(n))


def _refused(problem: str, mend: str, where: str = "") -> InputError:
    return InputError([Fault(problem, mend, Place(file=where))])
