"""Circuits: streams and nodes, and what is wrong with them.

Read ``streams``, then ``circuit``.
"""

from oretally.flowsheet.circuit.checks import circuit_faults, content_faults
from oretally.flowsheet.circuit.circuit import Circuit, kind_fault, with_all_nodes
from oretally.flowsheet.circuit.report_streams import feed_faults, product_faults
from oretally.flowsheet.circuit.streams import (
    Content,
    Node,
    NodeKind,
    Stream,
    dissolved_solids,
    fold_name,
    reference_name,
)
from oretally.flowsheet.circuit.time_chain import (
    Drawn,
    Instant,
    added_at,
    chain_faults,
    chained,
    sample_at,
    unchained,
)
from oretally.flowsheet.circuit.timed import time_faults, timed_streams

__all__ = [
    "Circuit",
    "Content",
    "Drawn",
    "Instant",
    "Node",
    "NodeKind",
    "Stream",
    "added_at",
    "chain_faults",
    "chained",
    "circuit_faults",
    "content_faults",
    "dissolved_solids",
    "feed_faults",
    "fold_name",
    "kind_fault",
    "product_faults",
    "reference_name",
    "sample_at",
    "time_faults",
    "timed_streams",
    "unchained",
    "with_all_nodes",
]
