"""What share of each size class a separator sends to its coarsest product, from a balance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from oretally.flowsheet import Circuit, Node, Position
from oretally.flowsheet.survey import DECLARED_LOSS, Run
from oretally.recon.propagation import Adjusted, joint_estimate, total
from oretally.recon.result import Estimate, Partitioned, PartitionRow
from oretally.recon.sizes.partition import partition_curve, sharpness
from oretally.recon.sizes.reader import SizeReader
from oretally.recon.sizes.separator_fits import fitted_partitions

__all__ = ["circulating_load", "partitioned"]

_ALIKE = 9  # decimals to which mean classes, counted in classes, are told apart


@dataclass(frozen=True, slots=True)
class _Separation:
    """Streams by number: what enters a separator, its products, the coarsest of these.

    ``runs`` are the finest classes that are known of all.
    """

    into: list[int]
    out: list[int]
    runs: list[Run]
    coarse: int


def partitioned(circuit: Circuit, reader: SizeReader, node: Node) -> Partitioned | None:
    """Return the partition at a node; None if it does not separate, or is not known.

    Its classes are the finest that are known of all that enters and leaves.
    """
    parts = _separation(circuit, reader, node)
    if parts is None:
        return None
    into, coarse, runs, carriers = parts.into, parts.coarse, parts.runs, reader.carriers
    product = [reader.flow(coarse, run) for run in runs]
    feed = [total(reader.flow(j, run) for j in into) for run in runs]
    found = joint_estimate(reader.covariance, [*product, *feed])
    if found is None:
        return None
    v, V = found
    P, F = v[: len(runs)], v[len(runs) :]
    curve = partition_curve(reader.openings(runs), np.minimum(P, F), F, covariance=V)
    sd = curve.share_sd if curve.share_sd is not None else np.full(len(runs), np.nan)
    analytes, load = (
        [a.name for a in reader.survey.analytes],
        circulating_load(circuit, reader, node),
    )
    rows = [
        PartitionRow(
            reader.grid.label(run),
            float(curve.size_um[c]) if np.isfinite(curve.size_um[c]) else None,
            (100.0 * float(curve.share[c]), 100.0 * float(sd[c]))
            if np.isfinite([curve.share[c], sd[c]]).all() else None,
            {name: _metal(reader, k, run, coarse, into) for k, name in enumerate(analytes)},
        )
        for c, run in enumerate(runs)
    ]  # fmt: skip
    return Partitioned(node.name, carriers.streams[coarse], tuple(rows),
                       sharpness(curve), fitted_partitions(curve),
                       None if load is None else reader.estimate(100.0 * load))  # fmt: skip


def _separation(circuit: Circuit, reader: SizeReader, node: Node) -> _Separation | None:
    """Return what a node separates; None if it does not, or its sizes are not known."""
    carriers = reader.carriers
    number = {name: j for j, name in enumerate(carriers.streams)}
    into = [number[s] for s in circuit.inlets(node.name) if carriers.solids[number[s]]]
    out = [number[s] for s in circuit.outlets(node.name) if carriers.solids[number[s]]]
    sized = all(j in carriers.classes for j in (*into, *out))
    if not (node.kind.separates and node.kind.keeps_sizes and sized and into and len(out) > 1):
        return None
    out = _products(circuit, reader, out)
    runs = reader.common_runs([*into, *out])
    if len(out) < 2 or len(runs) < 2:
        return None
    flows = {j: np.array([reader.flow(j, run).value for run in runs]) for j in (*into, *out)}
    if not all(np.isfinite(f).all() and f.sum() > 0.0 for f in flows.values()):
        return None
    rank = np.arange(len(runs))  # the product with the coarsest mean class, of equals the larger
    coarse = min(out, key=lambda j: (round(float(flows[j] @ rank / flows[j].sum()), _ALIKE),
                                     -float(flows[j].sum()), j))  # fmt: skip
    return _Separation(into, out, runs, coarse)


def circulating_load(circuit: Circuit, reader: SizeReader, node: Node) -> Adjusted | None:
    """Return the coarse product per all else, as a share; None if it does not come back.

    At a cyclone that closes a grinding circuit: underflow over overflow (common practice).
    """
    parts = _separation(circuit, reader, node)
    if parts is None or node.name not in circuit.nodes_behind(
        [reader.carriers.streams[parts.coarse]]
    ):
        return None
    coarse, out = parts.coarse, parts.out
    back, *on = (reader.at(Position(None, j)) for j in (coarse, *(o for o in out if o != coarse)))
    goes_on = total(on)
    if not (np.isfinite(back.value) and goes_on.value > 0.0):
        return None
    return back / goes_on


def _products(circuit: Circuit, reader: SizeReader, out: Sequence[int]) -> list[int]:
    """Return the outlets among which a separator parts sizes.

    Without declared losses, and without streams that have the sizes of another outlet because the
    case says so: neither is a product of its own.
    """
    streams, survey = reader.carriers.streams, reader.survey
    names = {streams[j] for j in out}
    alike = {s.name for s in circuit.streams if s.like in names}
    kept = []
    for j in out:
        flow = survey.measured(streams[j], survey.basis.quantity)
        declared = flow is not None and flow.error_source == DECLARED_LOSS
        if not declared and streams[j] not in alike:
            kept.append(j)
    return kept


def _metal(
    reader: SizeReader, k: int, run: Run, product: int, into: Sequence[int]
) -> Estimate | None:
    """Return what share of an analyte in a class reports to the product, in percent."""
    found = [reader.metal(k, j, run) for j in (product, *into)]
    known = [metal for metal in found if metal is not None]
    if len(known) < len(found):
        return None
    above, below = known[0], total(known[1:])
    if not (np.isfinite(above.value) and below.value > 0.0):
        return None
    return reader.estimate(100.0 * (above / below))
