"""What is to be said of a fitted partition curve: its bypass, what bounds it, what was left out."""

from __future__ import annotations

from oretally.flowsheet.digits import DASH, format_with_sd
from oretally.recon.result import FittedPartition, Meets, OpenClass, Partitioned

__all__ = ["BYPASS_LEGEND", "bypass_cells", "partition_remark", "partition_sentences"]

BYPASS_LEGEND = (
    "Bypass: share of the finest sizes that goes with the water to the coarse product; not below "
    "0, not above the share of the pan. (held): one of these holds it. +a -b in place of ±: how "
    "far up and down it may be off, where a bound is near."
)


def bypass_cells(fit: FittedPartition) -> list[str]:
    """Return the bypass and its ±, as +a -b where a bound lets it be off by more one way."""
    if fit.bypass is None or fit.bypass_range is None:
        return [DASH, DASH]
    value, (low, high) = fit.bypass[0], fit.bypass_range
    number, spread = format_with_sd(value, max(high - value, value - low))
    places = len(spread.partition(".")[2])
    up, down = (f"{each:.{places}f}" for each in (high - value, value - low))
    if up != down and spread != DASH:
        spread = " ".join(t for t in (f"+{up}", f"-{down}") if float(t))
    if fit.bypass_held:
        number = f"{number if value else '0'} (held)"
    return [number, spread]


def partition_sentences(p: Partitioned) -> list[str]:
    """Return the remarks on the curves of a separator, once if they are the same of all laws."""
    said = {fit.law.value: partition_remark(p, fit) for fit in p.fits if not fit.reason}
    if len(said) > 1 and len(set(said.values())) == 1:
        said = {", ".join(said): next(iter(said.values()))}
    return [f"{p.node}, {law}: {words}" for law, words in said.items() if words]


def partition_remark(p: Partitioned, fit: FittedPartition) -> str:
    """Return why no curve was fitted, what was not kept, what bounds it, what was left out."""
    if fit.reason:
        return _sentence(fit.reason)
    words = [fit.note] if fit.note else []
    if fit.dof == 0:
        words.append("as many classes as parameters.")
    words += [_holds(p, o) for o in fit.open_classes if o.meets is not Meets.WITHIN]
    within = [p.classes[o.place].label for o in fit.open_classes if o.meets is Meets.WITHIN]
    if within:
        words.append("bounds of the curve, which it keeps, not points of it, as they have no mean "
                     f"size: {', '.join(within)}.")  # fmt: skip
    if fit.left_out:
        left = ", ".join(f"{p.classes[c.place].label} ({c.reason})" for c in fit.left_out)
        words.append(f"left out: {left}.")
    return " ".join(_sentence(w) for w in words)


def _holds(p: Partitioned, o: OpenClass) -> str:
    """Return how an open class bends the curve."""
    row, least, pan = p.classes[o.place], o.meets is Meets.LEAST, o.place > 0
    share, sd = row.solids or (None, None)
    limit = 100.0 * (o.least if least else o.most)
    end, _ = format_with_sd(limit, sd)
    has, sieve = (
        f"{row.label} has {' ± '.join(format_with_sd(share, sd))} %",
        row.label.lstrip("+-"),
    )
    if share is None or (share >= limit if least else share <= limit):
        # its own share is possible; the errors of others that go with it say otherwise
        what = "the bypass" if pan and least else "all" if not (pan or least) else f"as at {sieve}"
        return (f"{has} and, with the errors that it has in common with other classes, rests at "
                f"{end} %, {what}.")  # fmt: skip
    if pan and least:
        return (f"{has}, where at least the bypass, {end} %, goes to the coarse product: it holds "
                "the bypass down.")  # fmt: skip
    beyond, way = ("more above", "down") if least else ("less below", "up")
    return (f"{has}, where the curve has {end} % at {sieve} and {beyond}: it holds the curve "
            f"{way}.")  # fmt: skip


def _sentence(words: str) -> str:
    return words[:1].upper() + words[1:]
