"""What the page needs beside the rest: the extra 'web', looked for before anything is loaded."""

from __future__ import annotations

from importlib.util import find_spec

import click

__all__ = ["refuse_without_web"]

_NEEDED = ("starlette", "uvicorn", "tomlkit")
_INSTALL = "python3 -m pip --python .venv/bin/python install --no-cache-dir '.[web]'"


def refuse_without_web() -> None:
    """Refuse to serve the page where what serves it is not installed.

    Raises
    ------
    click.UsageError
        Saying how to install it.
    """
    missing = [name for name in _NEEDED if find_spec(name) is None]
    if missing:
        raise click.ClickException(
            f"The page needs {', '.join(missing)}. Install it, in the folder of oretally's "
            f"README: {_INSTALL}"
        )
