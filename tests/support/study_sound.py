"""A study of sound surveys: our solver against IPOPT in natural variables, by feature.

python tests/support/study_sound.py --first 0 --count 60 [--whole] [--json FILE] [--cache FILE]
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from natural_optimiser import CLOSED
from sound_surveys import Made, sound_survey
from sound_tasks import Worker, hash_of

__all__ = ["Outcome", "confirmed", "examined", "table"]

SAME = 1e-6  # absolute and relative: objectives that count as equal
_JUDGE_LIMIT = 600.0


@dataclass(frozen=True)
class Outcome:
    """How one seed went.

    Attributes
    ----------
    verdict : str
        "agree"; "better": ours is lower, in balance, and IPOPT comes to the same from there;
        "local": ours is higher, called converged, and IPOPT stays there; "FALSE": the same, but
        IPOPT finds a way down from there; "apart": from the amounts of our solution
        follows another objective than it says, or balances that are open; "not converged";
        "runaway": not converged, and IPOPT found that a recycle fits the better the larger it is;
        "no answer" in time; "exception"; "no judge": IPOPT found nothing in balance.
    """

    seed: int
    features: tuple[str, ...]
    verdict: str
    said: str
    ours: float | None
    theirs: float | None
    judge: str
    seconds: float
    slip: str

    @property
    def line(self) -> str:
        """The outcome in one line."""
        ours, theirs = ("-" if v is None else f"{v:.9g}" for v in (self.ours, self.theirs))
        return (f"{self.seed:5} {self.verdict:13} ours {ours}, theirs {theirs} ({self.judge}), "
                f"{self.seconds:.2f} s: {self.said} [{', '.join(self.features)}]"
                + (f" {self.slip}" if self.slip else ""))  # fmt: skip


def examined(made: Made, ours: Mapping[str, Any] | None, judge: Mapping[str, Any] | None,
             limit: float) -> Outcome:  # fmt: skip
    """Return the outcome of one seed."""
    theirs, how = None, "no answer"
    if judge is not None:
        how = judge.get("exception") or judge["status"]
        theirs = judge["objective"] if judge.get("feasible") else None
    value, seconds, verdict = None, limit, "agree"
    if ours is None:
        verdict, said = "no answer", f"none in {limit:g} s"
    elif "exception" in ours:
        verdict, said, seconds = "exception", f"exception: {ours['exception']}", 0.0
    else:
        value, said, seconds = ours["objective"], ours["status"], ours["seconds"]
        room = SAME * (1.0 + abs(theirs or 0.0))
        if not ours["converged"]:
            verdict = "not converged"
            if theirs is not None and abs(value - theirs) <= room:
                said += " (at the right objective)"
            elif "without limit" in how:
                verdict = "runaway"
        elif theirs is None:
            verdict = "no judge"
        elif (wrong := _apart(ours)) != "":
            verdict, said = "apart", f"{said}; {wrong}"
        elif value > theirs + room:
            verdict = "FALSE"
        elif value < theirs - room:
            verdict = "better"
    return Outcome(made.seed, tuple(sorted(made.features)), verdict, said, value, theirs, how,
                   seconds, made.slip)  # fmt: skip


def _apart(ours: Mapping[str, Any]) -> str:
    """Return what is not so in the amounts that a solution comes to."""
    wrong = []
    value, again = ours["objective"], ours.get("again", ours["objective"])
    if not abs(value - again) <= SAME * (1.0 + value):
        wrong.append(f"{again:.9g} in its amounts")
    if not ours.get("open", 0.0) <= CLOSED:
        wrong.append(f"balances of its amounts open by {ours['open']:.1e}")
    return ", ".join(wrong)


_COLUMNS = (
    "agree", "better", "local", "FALSE", "apart", "not converged", "runaway", "no answer",
    "exception", "no judge",
)  # fmt: skip


def confirmed(outcome: Outcome, found: Mapping[str, Any]) -> Outcome:
    """Return the outcome in the light of what IPOPT makes of our solution."""
    ours, theirs = outcome.ours, found.get("objective", np.inf)
    assert ours is not None
    room = SAME * (1.0 + abs(ours))
    if outcome.verdict == "better":
        if theirs <= ours + room:
            return outcome
        return replace(outcome, verdict="apart", said=f"{outcome.said}; not confirmed: {found}")
    if abs(theirs - ours) <= room:
        return replace(outcome, verdict="local")
    way = f"goes on to {theirs:.9g}" if theirs < ours else "fails"
    return replace(outcome, said=f"{outcome.said}; IPOPT {way} from there")


def table(outcomes: Sequence[Outcome]) -> str:
    """Return counts and times by feature."""
    features = sorted({f for o in outcomes for f in o.features})
    head = ["feature", "n", *_COLUMNS, "median s", "max s"]
    rows = [head]
    for feature in ("all", *features):
        own = [o for o in outcomes if feature == "all" or feature in o.features]
        times = [o.seconds for o in own]
        rows.append([feature, str(len(own)),
                     *(str(sum(o.verdict == c for o in own)) for c in _COLUMNS),
                     f"{np.median(times):.3f}", f"{max(times):.2f}"])  # fmt: skip
    widths = [max(len(row[i]) for row in rows) for i in range(len(head))]
    return "\n".join(
        "  ".join(c.rjust(w) if i else c.ljust(w)
                  for i, (c, w) in enumerate(zip(row, widths, strict=True)))
        for row in rows
    )  # fmt: skip


def main() -> None:
    """Study a range of seeds."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=60)
    parser.add_argument("--seeds", help="these instead, with commas between")
    parser.add_argument("--time-limit", type=float, default=60.0, help="of ours, in seconds")
    parser.add_argument("--starts", type=int, default=6, help="of IPOPT")
    parser.add_argument("--whole", action="store_true", help="all of reconcile, not solve alone")
    parser.add_argument("--json", type=Path)
    parser.add_argument("--cache", type=Path, help="JSON file with what IPOPT found")
    asked = parser.parse_args()
    seeds = list(range(asked.first, asked.first + asked.count))
    if asked.seeds:
        seeds = [int(s) for s in asked.seeds.split(",")]
    known: dict[str, dict[str, Any]] = {}
    if asked.cache and asked.cache.is_file():
        known = json.loads(asked.cache.read_text(encoding="utf-8"))
    worker, outcomes = Worker(), list[Outcome]()
    for seed in seeds:
        made = sound_survey(seed)
        judge: dict[str, Any] | None = known.get(str(seed))
        if judge is None or (judge["hash"], judge["starts"]) != (hash_of(made), asked.starts):
            judge = worker.ask("judge", seed, asked.starts, _JUDGE_LIMIT)
            if judge is not None and "exception" not in judge and asked.cache:
                known[str(seed)] = judge
                asked.cache.write_text(json.dumps(known, indent=1), encoding="utf-8")
        ours = worker.ask("solve", seed, int(asked.whole), asked.time_limit)
        outcome = examined(made, ours, judge, asked.time_limit)
        if outcome.verdict in ("better", "FALSE") and not asked.whole:
            found = worker.ask("confirm", seed, 0, asked.time_limit + _JUDGE_LIMIT)
            outcome = confirmed(outcome, found or {})
            if outcome.verdict == "better" and judge and found and asked.cache:
                known[str(seed)] = judge | found  # the best that is known
                asked.cache.write_text(json.dumps(known, indent=1), encoding="utf-8")
        outcomes.append(outcome)
        if outcomes[-1].verdict != "agree":
            print(outcomes[-1].line, flush=True)
        if asked.json:
            told = json.dumps([asdict(o) for o in outcomes], indent=1)
            asked.json.write_text(told, encoding="utf-8")
    worker.close()
    print(table(outcomes))


if __name__ == "__main__":
    main()
