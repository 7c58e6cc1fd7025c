"""How the file of a campaign begins: told without opening it as a database."""

from __future__ import annotations

from pathlib import Path

from oretally.io.files.input_files import first_bytes

__all__ = ["CAMPAIGN_MARK", "is_campaign"]

CAMPAIGN_MARK = 0x4F72546C
"""The application id in the head of the file."""
_MAGIC, _AT = b"SQLite format 3\x00", slice(68, 72)  # https://www.sqlite.org/fileformat2.html 1.3


def is_campaign(path: Path) -> bool:
    """Return whether a file begins as a campaign does; False too if it cannot be read."""
    try:
        head = first_bytes(path, _AT.stop)
    except OSError:
        return False
    return head.startswith(_MAGIC) and int.from_bytes(head[_AT], "big") == CAMPAIGN_MARK
