"""Circuits: streams and nodes, and what is wrong with them.

Read ``streams``, then ``circuit``.
"""

from oretally.flowsheet.circuit.checks import circuit_faults, content_faults
from oretally.flowsheet.circuit.circuit import Circuit, feed_faults, kind_fault, with_all_nodes
from oretally.flowsheet.circuit.streams import (
    Content,
    Node,
    NodeKind,
    Stream,
    dissolved_solids,
    fold_name,
    reference_name,
)

__all__ = [
    "Circuit",
    "Content",
    "Node",
    "NodeKind",
    "Stream",
    "circuit_faults",
    "content_faults",
    "dissolved_solids",
    "feed_faults",
    "fold_name",
    "kind_fault",
    "reference_name",
    "with_all_nodes",
]
