"""How a command ends: its exit status, and what is said when it fails.

0 done; 1 the data cannot be balanced; 2 the input is wrong; 3 a bug of ours.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from typing import Any

import click

__all__ = ["DONE", "NOT_BALANCEABLE", "OUR_BUG", "WRONG_INPUT", "guarded"]

DONE, NOT_BALANCEABLE, WRONG_INPUT, OUR_BUG = 0, 1, 2, 3
_KEEP_TRACEBACK = "ORETALLY_TRACEBACK"
_TOLD = 100  # faults shown one by one


def guarded(run: Callable[[], Any]) -> int:
    """Run a command; turn every way in which it can fail into a message and a status."""
    try:
        return int(run() or DONE)
    except click.exceptions.Exit as stop:
        return stop.exit_code
    except click.Abort:
        click.echo("Stopped.", err=True)
        return WRONG_INPUT
    except click.ClickException as error:
        error.show()
        return WRONG_INPUT
    except BrokenPipeError:
        # the reader of the pipe has gone; nothing more can be said to it
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return DONE
    except KeyboardInterrupt:
        click.echo("Stopped.", err=True)
        return WRONG_INPUT
    except Exception as error:
        return _explain(error)


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
    if os.environ.get(_KEEP_TRACEBACK):
        raise error
    click.echo(
        f"This is a mistake in oretally, not in your input ({type(error).__name__}: {error}).\n"
        "Your files are unharmed. Please report it with the case, or with its circuit alone;\n"
        f"{_KEEP_TRACEBACK}=1 shows where it happened.",
        err=True,
    )
    return OUR_BUG
