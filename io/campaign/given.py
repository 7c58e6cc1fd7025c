"""A survey as given: the bytes of all files of its case, so that it can be read again."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from dataclasses import asdict, dataclass, replace
from datetime import datetime
from enum import Enum
from pathlib import Path, PurePath, PurePosixPath

from oretally.flowsheet import Circuit, InputError, Node, Stream
from oretally.io.case import MEASUREMENTS_FILE, Case, read_case
from oretally.io.files import Home, contents_kept, given_contents, readable_name

__all__ = ["GivenSurvey", "case_of", "circuit_text", "content_hash", "kept_case", "kept_name"]

_ROWS = re.compile(r"(?:(?P<sheet>sheet '.*'), )?rows (?P<rows>[\d, -]+?)(?:; stocks: .*)?")
_IN_NO_NAME = re.compile(r'[/\\:*?"<>|]')  # of a file on some machine


@dataclass(frozen=True, slots=True)
class GivenSurvey:
    """A survey on its way into a campaign.

    Attributes
    ----------
    label : str
    time : datetime or None
    kind : str
    files : mapping of str to bytes
        By name: the case, then the file in it ('night 3/circuit.toml'); a workbook by its own.
    source : str
        File or folder as given.
    place : str
        Sheet and rows in it; empty if it is all of it.
    circuit : Circuit
    doubled : tuple of str
        As of a `Case`.
    """

    label: str
    time: datetime | None
    kind: str
    files: Mapping[str, bytes]
    source: str
    place: str
    circuit: Circuit
    doubled: tuple[str, ...] = ()

    @property
    def case_name(self) -> str:
        """Folder or workbook."""
        return PurePosixPath(next(iter(self.files))).parts[0]

    @property
    def hash(self) -> str:
        """What tells all that was given from anything else; the name of the case is no part."""
        inside = {
            "/".join(PurePosixPath(name).parts[1:]) or "workbook": content_hash(content)
            for name, content in self.files.items()
        }
        time = None if self.time is None else self.time.isoformat()
        said = [self.label, time, self.kind, sorted(inside.items())]
        return content_hash(json.dumps(said, ensure_ascii=False).encode())


def content_hash(content: bytes) -> str:
    """Return the SHA-256 of a content, as hexadecimal digits."""
    return hashlib.sha256(content).hexdigest()


def circuit_text(circuit: Circuit) -> str:
    """Return the streams and nodes of a circuit as JSON: one text for one circuit."""

    def row(part: Stream | Node) -> dict[str, object]:
        fields = asdict(part)
        del fields["place"]  # where it was written does not matter
        return {k: v.value if isinstance(v, Enum) else v for k, v in fields.items()}

    parts = {"streams": [*map(row, circuit.streams)], "nodes": [*map(row, circuit.nodes)]}
    return json.dumps(parts, ensure_ascii=False, sort_keys=True)


def kept_case(path: Path) -> tuple[Case, dict[str, bytes]]:
    """Read a case, and return it with what was read, byte for byte, under the case's own name.

    Raises
    ------
    InputError
        As `read_case`.
    """
    with contents_kept() as kept:
        case = read_case(path)
    name = PurePosixPath(kept_name(readable_name(path.resolve().name)))
    return case, {
        (name if file == path else name / file.relative_to(path).as_posix()).as_posix(): content
        for file, content in kept.items()
    }


def kept_name(name: str) -> str:
    """Return the name under which a case is kept: a campaign goes from one machine to another.

    Examples
    --------
    >>> kept_name("survey 2026-03-14 06:30")
    'survey 2026-03-14 06-30'
    """
    return _IN_NO_NAME.sub("-", name)


def case_of(files: Mapping[str, bytes], label: str, *, source: str = "", place: str = "") -> Case:
    """Read a case again from what was kept of it.

    ``source`` and ``place`` as of a `GivenSurvey`: rows are told as those of the table that they
    come from, where they say which these are.

    Raises
    ------
    InputError
        If this version of the reader refuses what an earlier one took; the survey is named.
    """
    contents = {Path(name): content for name, content in files.items()}
    case_name = Path(next(iter(contents)).parts[0])
    try:
        with given_contents(contents, _homes(contents, source, place)):
            return read_case(case_name)
    except InputError as error:
        raise InputError(
            replace(fault, place=replace(fault.place, file=f"survey '{label}', {fault.place.file}"))
            for fault in error.faults
        ) from error


def _homes(contents: Mapping[Path, bytes], source: str, place: str) -> dict[str, Home]:
    """Return where the rows of a survey's measurements stand in the table that it was cut from."""
    found = _ROWS.fullmatch(place)
    kept = next((c for path, c in contents.items() if path.name == MEASUREMENTS_FILE), None)
    if found is None or kept is None:
        return {}
    ends = [[int(n) for n in run.split("-")] for run in found["rows"].split(", ")]
    rows = tuple(n for run in ends for n in range(run[0], run[-1] + 1))
    if len(rows) != kept.count(b"\n") - 1:  # stocks among them, of which older ones do not tell
        return {}
    sheet = found["sheet"] or ""
    return {MEASUREMENTS_FILE: Home(f"{PurePath(source).name}{sheet and ', '}{sheet}", rows)}
