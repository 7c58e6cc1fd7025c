"""Start the page's server on this machine alone, and show it in the browser."""

from __future__ import annotations

import secrets
import socket
import webbrowser
from pathlib import Path

import click
import uvicorn

from oretally.flowsheet import Fault, InputError, Place
from oretally.io.desk.cases import OpenCases
from oretally.io.desk.guard import Guard
from oretally.io.desk.kept import RecentCases
from oretally.io.desk.server import application
from oretally.io.files import is_there

__all__ = ["run_desk"]

_HOST = "127.0.0.1"


def run_desk(case: Path | None, port: int, program: click.Group, *, browser: bool) -> None:
    """Serve the page until it is interrupted.

    Parameters
    ----------
    case : Path, optional
        That the page opens; the page may use the folder that it stands in, else the current one.
    port : int
        0 for any that is free.
    program : click.Group
        The command line, which the manual in the page tells of.
    browser : bool
        Whether the page is shown.

    Raises
    ------
    InputError
        If there is no such case, or the port is taken.
    """
    if case is not None and str(case).startswith("postgresql:"):
        mend = "Ask it on the command line: oretally campaign postgresql://... list"
        problem = "A campaign on a server is not shown in the page."
        raise InputError([Fault(problem, mend, Place(file=str(case)))])
    if case is not None and not is_there(case):
        mend = "Check the spelling, or leave it out and start a case in the page."
        problem = "There is no such file or folder."
        raise InputError([Fault(problem, mend, Place(file=str(case)))])
    root = Path.cwd() if case is None else case.resolve().parent
    listening = _listening(port)
    port = listening.getsockname()[1]
    token = secrets.token_urlsafe(32)
    first = None if case is None else case.resolve().name
    guard = Guard(application(OpenCases(root, RecentCases()), program, first), port, token)
    server = uvicorn.Server(uvicorn.Config(
        guard, log_config=None, access_log=False, lifespan="on", server_header=False,
        timeout_graceful_shutdown=1, ws="none", h11_max_incomplete_event_size=64 * 1024,
    ))  # fmt: skip
    address = f"http://{_HOST}:{port}/open?token={token}"
    click.echo(f"{address}\nOpen it once, in one browser. Ctrl-C ends it.")
    if browser:
        webbrowser.open(address)
    try:
        server.run(sockets=[listening])  # interrupted, it is raised again once all is closed
    finally:
        listening.close()


def _listening(port: int) -> socket.socket:
    """Return a socket that listens on the loopback."""
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    try:
        listening.bind((_HOST, port))
        listening.listen(128)
    except OSError as error:
        listening.close()
        raise InputError([Fault(f"The port {port} cannot be used: {error.strerror}.",
                                "Name another, or leave --port out.",
                                Place(cell="option --port"))]) from error  # fmt: skip
    return listening
