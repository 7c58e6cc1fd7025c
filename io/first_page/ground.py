"""How fine a mill grinds, in one line for each circuit that it stands in."""

from __future__ import annotations

from collections.abc import Sequence

from oretally.flowsheet import NodeKind
from oretally.flowsheet.digits import DASH, format_with_sd
from oretally.io.wording import quoted
from oretally.recon.result import Balance

__all__ = ["ground_sentences"]


def ground_sentences(balance: Balance) -> tuple[str, ...]:
    """Return of each grinding circuit the size of its product, the cut and the circulating load.

    Of a mill alone what leaves it, of a closed circuit what its separator lets go on. Empty where
    the sizes are not known.
    """
    circuit = balance.circuit
    mills = {n.name for n in circuit.nodes if n.kind is NodeKind.MILL}
    found = []
    for p in balance.sizes.partitions:
        if p.circulating_load is None or not circuit.nodes_behind([p.product]) & mills:
            continue
        said = _passing(balance, [s for s in circuit.outlets(p.node) if s != p.product])
        cut = p.sharpness.d50
        if cut.size_um is not None:
            said.append(f"'{p.node}' cuts at {_with_sd(cut.size_um, cut.sd_um)} um")
        said.append(f"circulating load {_with_sd(*p.circulating_load)} %")
        found.append(said)
    found += [_passing(balance, circuit.outlets(mill)) for mill in sorted(mills)
              if mill not in circuit.nodes_behind(circuit.outlets(mill))]  # fmt: skip
    return tuple(f"Ground: {'; '.join(said)}." for said in found if said)


def _passing(balance: Balance, streams: Sequence[str]) -> list[str]:
    """Return of each stream the size that 80 % of it pass, where the sizes give one."""
    sizes = {s.stream: s.p80 for s in balance.sizes.streams if s.stream in streams}
    return [
        f"80 % of {quoted([name])} passes {_with_sd(at.size_um, at.sd_um)} um"
        for name, at in sizes.items()
        if at.size_um is not None
    ]


def _with_sd(value: float, sd: float | None) -> str:
    return " ± ".join(t for t in format_with_sd(value, sd) if t != DASH)
