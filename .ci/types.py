"""Lay out the package as it will be installed, and type-check it there."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
TREE = ROOT / "build" / "types"
LAYOUT = {
    "oretally/recon": "recon",
    "oretally/flowsheet": "flowsheet",
    "oretally/io": "io",
    "tests": "tests",
}
shutil.rmtree(TREE, ignore_errors=True)
(TREE / "oretally").mkdir(parents=True)
for target, source in LAYOUT.items():
    try:
        (TREE / target).symlink_to(ROOT / source, target_is_directory=True)
    except OSError:  # Windows without the right to make links
        shutil.copytree(ROOT / source, TREE / target)
command = [sys.executable, "-m", "mypy", "--config-file", str(ROOT / "pyproject.toml")]
command += ["oretally", "tests"]
paths = os.pathsep.join([str(TREE), str(TREE / "tests" / "support")])
sys.exit(subprocess.run(command, cwd=TREE, env=os.environ | {"MYPYPATH": paths}).returncode)
