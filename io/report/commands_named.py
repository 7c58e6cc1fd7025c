"""Commands that are told to be given to a campaign: with the file that the user named."""

from __future__ import annotations

import re
import shlex
import sys

__all__ = ["with_file_named"]

_COMMAND = "oretally campaign FILE "


def with_file_named(text: str, file: str) -> str:
    """Return a sentence whose command names the campaign as it was given, so that it can be pasted.

    A password in the address of a server is not shown.
    """
    shown = re.sub(r"(?<=://)([^/@:]*):[^/@]*@", r"\1@", file)
    if sys.platform == "win32":
        name = f'"{shown}"' if " " in shown else shown
    else:
        name = shlex.quote(shown)
    return text.replace(_COMMAND, f"oretally campaign {name} ")
