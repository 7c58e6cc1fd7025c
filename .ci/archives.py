"""Check what the source distribution and the wheel contain: all that belongs, and no more.

python .ci/archives.py SDIST WHEEL
"""

import sys
import tarfile
import zipfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
ROOMS = ("recon", "flowsheet", "io", "examples")  # folders that become packages
SOURCES = (*ROOMS, "tests", "benchmarks")
DOCUMENTS = {"README.md", "DEVELOPERS.md", "CHANGELOG.md", "LICENSE", "pyproject.toml"}


def in_checkout(folders: tuple[str, ...]) -> set[str]:
    """Return the files below the folders, as paths from the root."""
    return {
        path.relative_to(ROOT).as_posix()
        for folder in folders
        for path in (ROOT / folder).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }


def main(sdist: str, wheel: str) -> int:
    """Print what is missing and what is too much; return how much it is."""
    with tarfile.open(sdist) as archive:
        names = (m.name.partition("/")[2] for m in archive.getmembers() if m.isfile())
        packed = {name for name in names if not name.startswith("oretally.egg-info/")}
    with zipfile.ZipFile(wheel) as archive:
        installed = {name for name in archive.namelist() if ".dist-info/" not in name}
    wanted = in_checkout(SOURCES) | DOCUMENTS
    expected = {f"oretally/{name}" for name in in_checkout(ROOMS)}
    faults = [
        *(f"{sdist}: lacks {name}" for name in sorted(wanted - packed)),
        *(
            f"{sdist}: has {name} too"
            for name in sorted(packed - wanted - {"MANIFEST.in", "PKG-INFO", "setup.cfg"})
        ),
        *(f"{wheel}: lacks {name}" for name in sorted(expected - installed)),
        *(f"{wheel}: has {name} too" for name in sorted(installed - expected)),
    ]
    counts = f"{len(packed)} files in the sdist, {len(installed)} in the wheel"
    print(*(faults or [counts]), sep="\n")
    return len(faults)


if __name__ == "__main__":
    sys.exit(1 if main(*sys.argv[1:]) else 0)
