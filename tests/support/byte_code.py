"""Where no byte code may stand beside the sources, pytest's own folder keeps it.

Else each worker, and each program that a test starts, compiles all packages and tests anew, which
takes longer than most of their work. Imported before anything large: what comes after it is kept.
"""

import os
import sys
from pathlib import Path

if os.environ.pop("PYTHONDONTWRITEBYTECODE", ""):
    sys.pycache_prefix = str(Path(__file__).resolve().parents[2] / ".pytest_cache" / "byte_code")
    sys.dont_write_bytecode = False
    os.environ["PYTHONPYCACHEPREFIX"] = sys.pycache_prefix
