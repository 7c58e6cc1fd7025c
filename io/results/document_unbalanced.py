"""Why there is no balance, as JSON."""

from __future__ import annotations

from typing import Any

from oretally.io.wording import obstacles, repair_sentences
from oretally.recon.result import Balance, Hold, Repair

__all__ = ["unbalanced_document"]


def unbalanced_document(balance: Balance) -> dict[str, Any] | None:
    """Return why there is no balance, and what would help; None if there is one."""
    found = balance.unbalanced
    if found is None:
        return None
    lines = [*obstacles(balance), *repair_sentences(balance)]
    return {
        "sentences": [sentence for _, sentence in lines],
        "recycles": [
            {"quantity": r.quantity, "streams": list(r.streams), "back": list(r.back)}
            for r in found.recycles
        ],
        "held": {
            "taken": found.taken or None,
            "unit": found.flow_unit,
            "flows": [_hold(h) for h in found.together],
        },
        "agreement": {
            "statistic": found.objective,
            "dof": found.dof,
            "p": found.p,
            "of_a_balance": found.balanced,
            "consistent": found.agree,
        },
        "would_hold": [_hold(h) for h in found.holds],
        "contradicting": [
            {
                "stream": m.stream,
                "quantity": m.quantity,
                "unit": m.unit,
                "measured": m.measured,
                "sd": m.sd,
                "off": m.off,
            }
            for m in found.misfits
        ],
        "repairs": [_repair(r) for r in found.repairs],
        "trials": {
            "tried": found.tried,
            "left_out": found.left_out,
            "slips": found.tried - found.left_out,
            "measurements_untried": found.untried,
            "most": found.most,
        },
    }


def _hold(h: Hold) -> dict[str, str]:
    return {"stream": h.stream, "quantity": h.quantity}


def _repair(r: Repair) -> dict[str, Any]:
    return {
        "kind": r.kind,
        "reason": r.reason or None,
        "readings": [
            {
                "stream": c.stream,
                "quantity": c.quantity,
                "unit": c.unit,
                "read": c.read,
                "fits": c.fits,
            }
            for c in r.readings
        ],
        "statistic": r.objective,
        "dof": r.dof,
        "p": r.p,
        "log_odds": r.log_odds,
        "checked": r.checked,
        "not_determined_then": [{"stream": s, "quantity": q} for s, q in r.opened],
    }
