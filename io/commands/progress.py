"""What is being done, shown on a terminal once it takes longer than a second."""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import click

__all__ = ["progress"]

_SLOW = 1.0  # seconds


@contextmanager
def progress(first: str) -> Iterator[Callable[[str], None]]:
    """Give a function that takes the name of the next step; ``first`` is that of the first."""
    doing = [first]
    done = threading.Event()

    def watch() -> None:
        shown = ""
        while not done.wait(_SLOW):
            if doing[0] != shown:
                shown = doing[0]
                click.echo(f"{shown} ...", err=True)

    watcher = threading.Thread(target=watch, daemon=True)
    if sys.stderr.isatty():
        watcher.start()
    try:
        yield lambda what: doing.__setitem__(0, what)
    finally:
        done.set()
