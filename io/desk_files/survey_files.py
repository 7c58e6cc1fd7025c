"""A survey of a campaign as a case that is read and never written back."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path, PurePosixPath

from oretally.flowsheet import Fault, InputError, Place
from oretally.io.desk_files.case_files import (
    CaseFiles,
    FolderFiles,
    Parts,
    Stored,
    WorkbookFiles,
)

__all__ = ["GivenCase", "files_of_survey", "given_case"]


class GivenCase:
    """The files of a case as a campaign keeps them.

    Attributes
    ----------
    name : str
        Of the folder or workbook.
    kind : str
        'folder' or 'workbook'.
    files : dict of str to bytes
        By the name within the folder; a workbook by its own.
    """

    def __init__(self, name: str, kind: str, files: Mapping[str, bytes]) -> None:
        self.name, self.kind, self.files = name, kind, dict(files)


def given_case(files: Mapping[str, bytes], label: str) -> GivenCase:
    """Return what a campaign keeps of a survey, 'night 3/circuit.toml', as a case.

    Raises
    ------
    InputError
        If a name is none that stands in the folder of a case: the campaign may be from anywhere.
    """
    paths = {PurePosixPath(name): data for name, data in files.items()}
    deep = {len(path.parts) for path in paths}
    tops = {path.parts[0] for path in paths}
    plain = all(_is_plain(part) for path in paths for part in path.parts)
    if not plain or len(tops) != 1 or deep not in ({1}, {2}):
        raise InputError([Fault("The files of this survey are none of a case.",
                                "Look the campaign through: oretally campaign FILE verify",
                                Place(file=f"survey '{label}'"))])  # fmt: skip
    kind = "folder" if deep == {2} else "workbook"
    return GivenCase(tops.pop(), kind, {path.name: data for path, data in paths.items()})


def _is_plain(name: str) -> bool:
    return name not in ("", ".", "..") and not set(name) & set("/\\:\x00")


def files_of_survey(within: Path, given: GivenCase, readonly: str) -> CaseFiles:
    """Return how a survey is read.

    Parameters
    ----------
    within : Path
        Where it stands in the eyes of the page; nothing is there.
    given : GivenCase
    readonly : str
        Why it cannot be saved as it is.
    """
    path = within / given.name
    if given.kind == "folder":
        return _SurveyFolder(path, given.files, readonly)
    return _SurveyBook(path, given.files[given.name], readonly)


class _SurveyFolder(FolderFiles):
    """A survey that was given as a folder, or as rows of a table."""

    def __init__(self, path: Path, given: Mapping[str, bytes], readonly: str) -> None:
        super().__init__(path)
        self.given, self.readonly = dict(given), readonly

    def beside(self, parts: Parts) -> dict[str, bytes]:
        """Return files that belong to the case and are not shown."""
        shown = self.contents()
        return {name: data for name, data in self.given.items() if name not in shown}

    def _content(self, name: str) -> bytes | None:
        return self.given.get(name)


class _SurveyBook(WorkbookFiles):
    """A survey that was given as a workbook."""

    def __init__(self, path: Path, given: bytes, readonly: str) -> None:
        super().__init__(path)
        self.given, self.why = given, readonly

    def read(self) -> Stored:
        """Return what the campaign keeps."""
        stored = super().read()
        self.readonly = self.why
        return stored

    def contents(self) -> dict[str, bytes]:
        """Return the workbook as it was given."""
        return {self.path.name: self.given}

    def copied(self, parts: Parts, stored: Stored, target: Path) -> dict[Path, bytes]:
        """Return another workbook, the same to the last byte."""
        if target.suffix.casefold() != self.path.suffix.casefold():
            kept = self.path.suffix
            raise InputError([Fault(f"A workbook is saved as {kept} here.",
                                    f"Give a name that ends in {kept}.",
                                    Place(file=target.name))])  # fmt: skip
        return {target: self.given}
