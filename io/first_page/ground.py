"""How fine a mill grinds, in one line for each circuit that it stands in."""

from __future__ import annotations

from collections.abc import Sequence

from oretally.flowsheet import Circuit, NodeKind
from oretally.flowsheet.digits import DASH, format_with_sd
from oretally.io.wording import no_size
from oretally.recon.result import Balance

__all__ = ["ground_sentences"]


def ground_sentences(balance: Balance) -> tuple[str, ...]:
    """Return of each grinding circuit the size of its product, the cut and the circulating load.

    Of a mill alone what leaves it, of a closed circuit what its separator lets go on. Empty where
    the sizes are not known.
    """
    circuit, found = balance.circuit, []
    partitions = {p.node: p for p in balance.sizes.partitions}
    for node in circuit.nodes:
        outlets = circuit.outlets(node.name)
        if node.kind is NodeKind.MILL and node.name not in circuit.nodes_behind(outlets):
            found.append(_passing(balance, outlets))
        if not (node.kind.separates and any(_into_mill(circuit, s) for s in outlets)):
            continue
        said = _passing(balance, [s for s in outlets if node.name not in circuit.nodes_behind([s])])
        p = partitions.get(node.name)
        if p is not None and (cut := p.sharpness.d50).size_um is not None:
            said.append(f"'{node.name}' cuts at {_with_sd(cut.size_um, cut.sd_um)} um")
        if p is not None and p.circulating_load is not None:
            said.append(f"circulating load {_with_sd(*p.circulating_load)} %")
        found.append(said)
    return tuple(f"Ground: {'; '.join(said)}." for said in found if said)


def _into_mill(circuit: Circuit, stream: str) -> bool:
    """Tell whether a stream goes into a mill, by sumps and distributors at the most."""
    kinds = {n.name: n.kind for n in circuit.nodes}
    targets = {s.name: s.target for s in circuit.streams}
    ahead, seen = [targets[stream]], set[str]()
    while ahead:
        node = ahead.pop()
        if node is None or node in seen:
            continue
        seen.add(node)
        if kinds[node] is NodeKind.MILL:
            return True
        if kinds[node] in (NodeKind.MIXER, NodeKind.SPLITTER):
            ahead += [targets[s] for s in circuit.outlets(node)]
    return False


def _passing(balance: Balance, streams: Sequence[str]) -> list[str]:
    """Return of each stream that has sizes the size that 80 % of it pass, or why it has none."""
    return [
        f"of '{s.stream}' {no_size(s)}" if s.p80.size_um is None
        else f"80 % of '{s.stream}' passes {_with_sd(s.p80.size_um, s.p80.sd_um)} um"
        for s in balance.sizes.streams if s.stream in streams
    ]  # fmt: skip


def _with_sd(value: float, sd: float | None) -> str:
    return " ± ".join(t for t in format_with_sd(value, sd) if t != DASH)
