"""The command ``oretally``, also as ``python -m oretally.io``."""

from __future__ import annotations

import os
from contextlib import suppress

from oretally.io.commands.signals import STOPPED, end_by, stoppable, stopped_by

__all__ = ["main"]


def main() -> None:
    """Run the command line; a signal ends it in one line, from the first import on."""
    try:
        with stoppable():
            from oretally.io.cli import main as run

            run()
    except SystemExit as end:
        if isinstance(end.code, int):
            end_by(end.code)
        raise
    except BaseException:
        number = stopped_by()
        if number is None:
            raise
        with suppress(OSError):
            os.write(2, f"{STOPPED}\n".encode())
        end_by(128 + number)


if __name__ == "__main__":
    main()
