"""How far agreement, or the lack of it, is to be believed; what would help most."""

from __future__ import annotations

from oretally.flowsheet.digits import format_p
from oretally.flowsheet.survey import DECLARED_LOSS
from oretally.io.wording import MOVES_NOTHING, hidden_sentence, listed, one_in, remedy
from oretally.recon.result import BEYOND_BOUNDS, SOLIDS_EXPLAIN, Balance, ErrorPlace

__all__ = ["beyond_what_was_reported", "mild_sentences", "missing_solids", "one_check"]

_ALIKE = 1e-3  # standardised adjustments as large: no data tells which number it is
_NAMED = 3  # told by name


def mild_sentences(balance: Balance) -> tuple[str, ...]:
    """Return what is to be made of numbers that are slightly off, and what would help most."""
    p, stated = balance.global_test.p, "or errors are stated too small."
    told = (f"Use with care: the numbers agree poorly, but nothing stands out. One sound survey in "
            f"{one_in(p)} is as far off as this (p {format_p(p)}), {stated}")  # fmt: skip
    return (told,) if missing_solids(balance) else (told, *_most_helpful(balance))


def _most_helpful(balance: Balance) -> tuple[str, ...]:
    """Return which number to settle first: that without which chi-square falls most.

    It falls by the square of the standardised adjustment.
    """
    moved = [v for v in balance.values
             if v.standardised is not None and v.error_source != DECLARED_LOSS]  # fmt: skip
    if not moved:
        return ()
    most = max(abs(v.standardised or 0.0) for v in moved)
    steps = [remedy(balance, ErrorPlace("measurement", v.stream, v.quantity)) for v in moved
             if abs(v.standardised or 0.0) >= most * (1.0 - _ALIKE)]  # fmt: skip
    more = f" (or {len(steps) - _NAMED} more as well)" if len(steps) > _NAMED else ""
    return (f"What would help most: {listed(steps[:_NAMED], 'or')}{more}.",)


def missing_solids(balance: Balance) -> tuple[str, ...]:
    """Return that solids are missing at a leach, where that explains that numbers do not agree."""
    notes = (n.partition(". If ore dissolves") for n in balance.notes if SOLIDS_EXPLAIN in n)
    return tuple(f"{said}. Ore that dissolves, or a wrong weight: --show notes."
                 for said, _, _ in notes)  # fmt: skip


def beyond_what_was_reported(balance: Balance) -> tuple[str, ...]:
    """Return which readings the balance puts outside the bounds that were reported of them."""
    return tuple(note for note in balance.notes if note.endswith(f"{BEYOND_BOUNDS}."))


def one_check(balance: Balance) -> str:
    """Return what a single check is worth: the error that it would let pass and that matters most.

    There always is one: with redundancies r_i that add up to 1 and shares s_i of the variance of a
    recovery, an error that is just seen, 2.8 sd / sqrt(r_i), moves it by 2.8 sqrt(s_i / r_i) of
    its ±, so by no less than 2.8 for one of them. What nothing checks comes first: of its error
    any size passes.
    """
    found = balance.gross_errors
    moving = (h for h in found.hidden if abs(h.points) > MOVES_NOTHING)
    worst = min(moving, key=lambda h: h.checked, default=None)
    if worst is None:
        return "It is one check only: it cannot tell which number is wrong."
    return f"It is one check only. {hidden_sentence(worst, found.power, balance.survey)}"
