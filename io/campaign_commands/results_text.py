"""The work of `oretally campaign FILE balance`, `export` and `verify`."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

from oretally.io.campaign import (
    BALANCE,
    SUSPECTS,
    WhoBalances,
    in_this_process,
    kept_results,
    make_results,
    missing,
    open_campaign,
    over_cluster,
    over_processes,
    result_frame,
    results_now,
    to_csv,
    to_parquet,
    to_workbook,
    verified,
)

__all__ = ["balanced_text", "exported_files", "verified_text"]

_SHOWN = 10  # surveys without a balance, told one by one
_Say = Callable[[str], None]


def _spread(workers: int, cluster: str | None) -> WhoBalances:
    if cluster is not None:
        return over_cluster(cluster)
    return in_this_process if workers == 1 else over_processes(workers)


def balanced_text(
    file: str, *, suspects: bool, workers: int, cluster: str | None, say: _Say
) -> tuple[str, bool]:
    """Balance the surveys that have no result yet; return what came of it, and whether all did."""
    campaign, asked = open_campaign(file), SUSPECTS if suspects else BALANCE
    todo = missing(campaign, asked)
    if todo:
        campaign.database.refuse_read_only()
    say(f"balancing {len(todo)} surveys")
    made = make_results(campaign, todo, asked, _spread(workers, cluster), say)
    found = kept_results(campaign, asked)
    entries = {e.number: e for e in campaign.entries()}
    kept = {n: r for n, r in found.items() if n in entries}
    wrong = [(entries[n].label, r.reason) for n, r in kept.items() if r.reason]
    named = [(entries[n].label, r) for n, r in kept.items() if r.words]
    before = f", {len(kept) - made} of them before" if made < len(kept) else ""
    lines = [f"{len(kept) - len(wrong)} of {len(kept)} surveys have a balance{before}."]
    if suspects:
        lines.append("No number is suspect." if not named else "")
        lines += [
            f"{label}: suspect: {r.words['suspect']} ({100 * r.columns['probability']:.0f} %)"
            for label, r in named
        ]
    if wrong:
        lines += ["", f"{len(wrong)} without a balance:"]
        lines += [f"  {label}: {reason}" for label, reason in wrong[:_SHOWN]]
        lines += [f"  ... and {len(wrong) - _SHOWN} more."] * (len(wrong) > _SHOWN)
    return "\n".join(lines) + "\n", not wrong


def exported_files(
    file: str, *, csv: Path | None, parquet: Path | None, xlsx: Path | None, say: _Say
) -> list[tuple[Path, str | bytes]]:
    """Return the files asked for, with what they hold; what has no result yet is balanced first.

    It is kept, but where the campaign may only be read.
    """
    campaign = open_campaign(file)
    if not campaign.database.read_only:
        make_results(campaign, missing(campaign, BALANCE), BALANCE, in_this_process, say)
    frame = result_frame(campaign, results_now(campaign, BALANCE, in_this_process))
    found = list[tuple[Path, str | bytes]]()
    if csv is not None:
        found.append((csv, to_csv(frame)))
    if parquet is not None:
        found.append((parquet, to_parquet(frame)))
    if xlsx is not None:
        found.append((xlsx, to_workbook(campaign, frame)))
    return found


def verified_text(file: str, *, workers: int, say: _Say) -> tuple[str, bool]:
    """Look through a campaign; return what was found, and whether nothing is wrong."""
    found = verified(open_campaign(file), _spread(workers, None), say)
    lines = [f"{found.surveys} surveys read again, {found.results} balanced again."]
    if found.older:
        lines.append(f"{found.older} results are of other versions: kept, and not made again.")
    if found.faults:
        lines += ["", f"{len(found.faults)} things are not as they were:"]
        lines += [f"  {line}" for line in found.faults]
    else:
        lines.append("All is as it was given and as it was answered.")
    return "\n".join(lines) + "\n", not found.faults
