"""How a command ends: its exit status, and what is said when it fails.

0 done; 1 the data cannot be balanced; 2 the input is wrong, or an output cannot be written; 3 a
bug of ours; 128 and its number if a signal ended it.
"""

from __future__ import annotations

import io
import os
import signal
from collections.abc import Callable
from typing import Any

import click

from oretally.flowsheet.foreign_text import shown
from oretally.io.commands.signals import STOPPED, Stopped, stopped_by
from oretally.io.commands.standard_streams import NotShown, standard_streams

__all__ = ["DONE", "NOT_BALANCEABLE", "OUR_BUG", "WRONG_INPUT", "guarded"]

DONE, NOT_BALANCEABLE, WRONG_INPUT, OUR_BUG = 0, 1, 2, 3
_PIPE = getattr(signal, "SIGPIPE", 13)  # Windows has none
_KEEP_TRACEBACK = "ORETALLY_TRACEBACK"
_TOLD = 100  # faults shown one by one


def guarded(run: Callable[[], Any]) -> int:
    """Run a command; turn every way in which it can fail into a message and a status."""
    try:
        with standard_streams():
            return _ended(run)
    except NotShown as lost:
        if lost.closed_pipe:
            return 128 + _PIPE
        click.echo(f"Error: the answer could not be shown: standard output {lost}.", err=True)
        return WRONG_INPUT


def _ended(run: Callable[[], Any]) -> int:
    try:
        return int(run() or DONE)
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except (Stopped, click.Abort, KeyboardInterrupt):
        return _stopped()
    except click.ClickException as error:
        told = io.StringIO()
        error.show(file=told)
        click.echo(shown(told.getvalue()), err=True, nl=False)
        return WRONG_INPUT
    except NotShown:
        raise
    except Exception as error:
        return _explain(error) if stopped_by() is None else _stopped()


def _stopped() -> int:
    click.echo(STOPPED, err=True)
    return 128 + (stopped_by() or signal.SIGINT)


def _explain(error: Exception) -> int:
    """Print what an exception means; return the exit status."""
    from oretally.flowsheet.faults import InputError, NotBalanceable

    if isinstance(error, InputError):
        many = len(error.faults)
        head = "1 problem in the input:" if many == 1 else f"{many} problems in the input:"
        click.echo(head, err=True)
        for fault in error.faults[:_TOLD]:
            click.echo(f"\n{fault}", err=True)
        if many > _TOLD:
            click.echo(f"\n... and {many - _TOLD} more like these.", err=True)
        return WRONG_INPUT
    if isinstance(error, NotBalanceable):
        click.echo(f"This cannot be balanced.\n\n{error}", err=True)
        return NOT_BALANCEABLE
    if isinstance(error, OSError) and error.filename is not None:  # a loop of links, a full disk
        reason = f"'{error.filename}' cannot be used: {error.strerror}."
        click.echo(shown(f"{reason}\nCheck the file or folder, and its name."), err=True)
        return WRONG_INPUT
    if os.environ.get(_KEEP_TRACEBACK):
        raise error
    click.echo(
        "This is a mistake in oretally, not in your input "
        f"({type(error).__name__}: {shown(str(error))}).\n"
        "Your files are unharmed. Please report it with the case, or with its circuit alone;\n"
        f"{_KEEP_TRACEBACK}=1 shows where it happened.",
        err=True,
    )
    return OUR_BUG
