"""A study of slips: is the right number named, how, and are the probabilities honest?

python tests/support/study_slips.py --study slips|honest|sound|judge [--circuit NAME] [--draws 20]
    [--seed 0] [--every 1] [--jobs 2] [--json FILE] [--misses 20]

slips: every single measurement times ten, a tenth, in another unit, with digits exchanged, with
that of the next stream, with its container; against an oracle that balances again without each.
honest: surveys drawn with the stated rates of errors; sound: with none; judge: as honest, but it is
the oracle that is asked. What FILE holds already is not done again, the oracle's verdicts on slips
also after a change of the package.
"""

from __future__ import annotations

import argparse
import json
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from slip_circuits import CIRCUITS, SINGLE_SLIPS
from slip_draws import KINDS
from slip_tasks import JUDGE, Task, done, package_hash, tasks_of

__all__ = ["BINS", "HONEST", "reliability", "slip_table", "sound_table", "studied"]

Record = dict[str, Any]
HONEST = ("bench", "concentrator", "grinding", "two mills")
"""Bulk and sized, small and large."""
BINS = (0.0, 0.01, 0.02, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
SURE = 0.9  # probability from which the oracle is sure
_CHUNK = 8  # tasks that a process takes at a time


def studied(tasks: Sequence[Task], jobs: int = 1, file: Path | None = None) -> list[Record]:
    """Do tasks, or take them from a file, to which every new record is added.

    Parameters
    ----------
    tasks : sequence of Task
    jobs : int
        Processes.
    file : Path, optional
        One record a line. A record of the same package counts whole, of another its verdict.
    """
    known = _read(file)
    mark = [package_hash(), JUDGE]
    fresh = [t for t in tasks if known.get(t, {}).get("by") != mark]
    found = {t: known[t] for t in tasks if t not in set(fresh)}
    old = [known.get(t) for t in fresh]
    if jobs == 1:
        _kept(map(done, fresh, old), found, file)
    else:
        with ProcessPoolExecutor(jobs, mp_context=get_context("spawn")) as pool:
            _kept(pool.map(done, fresh, old, chunksize=_CHUNK), found, file)
    return [found[t] for t in tasks]


def _kept(records: Iterable[Record], found: dict[Task, Record], file: Path | None) -> None:
    for record in records:
        found[_task(record)] = record
        if file is not None:
            with file.open("a", encoding="utf-8") as out:
                out.write(json.dumps(record) + "\n")


def _task(record: Record) -> Task:
    study, circuit, seed, draw, i, kind = record["task"]
    return study, circuit, seed, draw, i, kind


def _read(file: Path | None) -> dict[Task, Record]:
    """Return the records of a file; the last of each task counts, a broken line does not."""
    found: dict[Task, Record] = {}
    if file is None or not file.is_file():
        return found
    for line in file.read_text(encoding="utf-8").splitlines():
        try:
            record = json.loads(line)
        except json.JSONDecodeError:
            continue  # the end of a run that was broken off
        found[_task(record)] = record
    return found


# ---- tables


def _columns(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    every = [list(head), *map(list, rows)]
    widths = [max(len(row[i]) for row in every) for i in range(len(head))]
    return "\n".join(
        "  ".join(c.ljust(w) if i < 2 else c.rjust(w)
                  for i, (c, w) in enumerate(zip(row, widths, strict=True)))
        for row in every
    )  # fmt: skip


def _share(part: int, whole: int) -> str:
    return f"{100.0 * part / whole:.1f}" if whole else "-"


def _is_stack(record: Record) -> bool:
    return bool(record["slip"][0][1][0][0].startswith("mass in "))


def counted(records: Iterable[Record]) -> dict[tuple[str, str], Counter[str]]:
    """Return counts by circuit and kind of slip, with all of a circuit and all of all.

    Sieves' masses are counted for themselves.
    """
    found: dict[tuple[str, str], Counter[str]] = {}
    for r in records:
        if r.get("skipped"):
            continue
        circuit = r["task"][1] + (", sieves" if _is_stack(r) else "")
        told, ours = r["oracle"]["told"], r["ours"]
        first = told and ours["right"] and ours["exact"]
        one = Counter(
            n=1, told=told, first=first, named=first and ours["named"],
            nameable=first and r["oracle"]["named"],
            both=first and r["oracle"]["named"] and ours["named"],
            clear=told and _clear(r), clear_first=first and _clear(r),
            inexact=told and ours["right"] and not ours["exact"],
            no_balance=told and not ours["converged"],
            nothing=told and ours["converged"] and not ours["first"],
            untold_first=not told and ours["right"] and ours["exact"],
        )  # fmt: skip
        for key in ((circuit, KINDS[r["task"][5]]), (circuit, "all"), ("all", "all")):
            found.setdefault(key, Counter()).update({k: int(v) for k, v in one.items()})
    return found


def _clear(record: Record) -> bool:
    """Tell whether the oracle is sure of the group of the wrong reading, or of the pair."""
    oracle = record["oracle"]
    wrong = {v[0] for v in record["slip"][0][1]}
    own = sum(oracle["probability"].get(name, 0.0) for name in {*oracle["group"], *wrong})
    return bool(own >= SURE)


def slip_table(records: Sequence[Record]) -> str:
    """Return what was found, by circuit and kind of slip; and the times."""
    found = counted(records)
    head = ("circuit", "slip", "n", "told apart", "ours first", "%", "of the sure, %",
            "slip named", "%", "oracle names", "ours too, %", "too wide", "no balance",
            "no suspect", "first, untold")  # fmt: skip
    order = {kind: i for i, kind in enumerate([*KINDS, "all"])}
    rows = []
    for (circuit, kind), c in sorted(
        found.items(), key=lambda p: (p[0][0] == "all", p[0][0], order[p[0][1]])
    ):
        rows.append((circuit, kind, str(c["n"]), str(c["told"]), str(c["first"]),
                     _share(c["first"], c["told"]), _share(c["clear_first"], c["clear"]),
                     str(c["named"]),
                     _share(c["named"], c["first"]), str(c["nameable"]),
                     _share(c["both"], c["nameable"]), str(c["inexact"]), str(c["no_balance"]),
                     str(c["nothing"]), str(c["untold_first"])))  # fmt: skip
    return _columns(head, rows) + "\n\n" + _times(records)


def _times(records: Sequence[Record]) -> str:
    by_circuit: dict[str, list[float]] = {}
    for r in records:
        if "ours" in r:
            by_circuit.setdefault(r["task"][1], []).append(r["ours"]["seconds"])
    rows = [(c, str(len(t)), f"{np.median(t):.3f}", f"{np.percentile(t, 95):.3f}", f"{max(t):.2f}")
            for c, t in by_circuit.items()]  # fmt: skip
    return _columns(("reconcile", "n", "median s", "95 % s", "max s"), rows)


def misses(records: Sequence[Record], most: int) -> str:
    """Return slips that could be told apart but do not stand first, the oracle's view beside."""
    lines = []
    for r in records:
        if r.get("skipped") or not r["oracle"]["told"]:
            continue
        ours, oracle = r["ours"], r["oracle"]
        if ours["right"] and ours["exact"]:
            continue
        kind, values = r["slip"][0]
        what = "; ".join(f"{name} {right:g} -> {typed:g}" for name, typed, right in values)
        truth = max((v[0] for v in values), key=lambda n: oracle["evidence"].get(n, -np.inf))
        said = ours["first"][0] if ours["first"] else ""
        seen = (f"{', '.join(ours['first'])} ({ours['probability']:.2f}; the truth "
                f"{ours['truth']:.3f})" if said
                else "no suspect" if ours["converged"] else "no balance")  # fmt: skip
        evidence = oracle["evidence"].get(said)
        lines.append(
            f"{r['task'][1]}, draw {r['task'][3]}, {kind}: {what}\n    ours {seen}\n    oracle "
            f"{truth}: P {oracle['probability'].get(truth, 0.0):.3f}, single "
            f"log odds {oracle['evidence'].get(truth, np.nan):.1f}; its first {oracle['first']} "
            f"P {oracle['probability'].get(oracle['first'], 0.0):.3f}"
            + ("" if evidence is None else f"; of ours P {oracle['probability'][said]:.3f}, "
               f"log odds {evidence:.1f}")
        )  # fmt: skip
    step = max(1, len(lines) // max(most, 1))
    return f"{len(lines)} told apart but not first; some of them:\n" + "\n".join(
        lines[::step][:most]
    )


def unnamed(records: Sequence[Record], most: int) -> str:
    """Return slips whose reading stands first, but that are not named."""
    lines = []
    for r in records:
        if r.get("skipped") or not (r["oracle"]["told"] and r["ours"]["right"]
                                    and r["ours"]["exact"]) or r["ours"]["named"]:  # fmt: skip
            continue
        kind, values = r["slip"][0]
        what = "; ".join(f"{name} {right:g} -> {typed:g}" for name, typed, right in values)
        slips = "; ".join(
            f"{k} {', '.join(f'{q} of {s} {fits:g}' for q, s, fits in readings)}"
            for k, readings in r["ours"]["slips"]
        )
        lines.append(f"{r['task'][1]}, {kind}: {what}; told: {slips or 'none'}")
    step = max(1, len(lines) // max(most, 1))
    return f"{len(lines)} first but not named; some of them:\n" + "\n".join(lines[::step][:most])


def reliability(records: Iterable[Record]) -> dict[str, Counter[str]]:
    """Return by bin how many errors were told with such a probability, and how many are."""
    found: dict[str, Counter[str]] = {}
    for r in records:
        for p, so in [*r["ours"]["suspects"], *r["ours"]["others"]]:
            b = min(int(np.searchsorted(BINS, p, side="right")) - 1, len(BINS) - 2)
            name = f"{100.0 * BINS[b]:.0f} to {100.0 * BINS[b + 1]:.0f}"
            found.setdefault(name, Counter()).update(said=1, true=so, millionths=round(1e6 * p))
    return found


def honest_table(records: Sequence[Record]) -> str:
    """Return the reliability of each circuit, and of all."""
    rows = []
    every: Mapping[str, list[Record]] = {c: [] for c in (*CIRCUITS, "all")}
    for r in records:
        every[r["task"][1]].append(r)
        every["all"].append(r)
    for circuit, own in every.items():
        bins = reliability(own)
        for name, c in sorted(bins.items(), key=lambda p: float(p[0].split()[0])):
            low, high = (float(x) for x in name.split(" to "))
            true = 100.0 * c["true"] / c["said"]
            room = 5.0 if high - low >= 10.0 else high - low
            off = c["said"] >= 50 and not low - room <= true <= high + room
            rows.append((circuit, name, str(c["said"]), f"{1e-4 * c['millionths'] / c['said']:.1f}",
                         f"{true:.1f}", "OFF" if off else ""))  # fmt: skip
    bad = sum(not r["ours"]["converged"] for r in records)
    table = _columns(("circuit", "said, %", "n", "mean said", "true, %", ""), rows)
    return f"{table}\n\n{len(records)} surveys, {bad} without a balance\n\n{_times(records)}"


def sound_table(records: Sequence[Record]) -> str:
    """Return how often something is suspected where nothing is wrong."""
    by_circuit: dict[str, list[Record]] = {"all": list(records)}
    for r in records:
        by_circuit.setdefault(r["task"][1], []).append(r)
    rows = []
    for circuit, own in by_circuit.items():
        top = [max((p for p, _ in r["ours"]["suspects"]), default=0.0) for r in own]
        half, none = sum(p >= 0.5 for p in top), sum(not r["ours"]["suspects"] for r in own)
        bad = sum(not r["ours"]["converged"] for r in own)
        rows.append((circuit, "", str(len(own)), _share(half, len(own)), _share(none, len(own)),
                     str(bad)))  # fmt: skip
    head = ("circuit", "", "n", "one half on, %", "no suspect, %", "no balance")
    return _columns(head, rows) + "\n\n" + _times(records)


def main() -> None:
    """Study, and print tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--study", choices=("slips", "honest", "sound", "judge"), default="slips")
    parser.add_argument("--circuit", action="append", choices=[*CIRCUITS])
    parser.add_argument("--draws", type=int, default=20)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--every", type=int, default=1, help="of the slips: one in so many")
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--json", type=Path, help="records, one a line; added to")
    parser.add_argument("--misses", type=int, default=20, help="how many to print")
    asked = parser.parse_args()
    default = {"slips": SINGLE_SLIPS, "sound": tuple(CIRCUITS)}.get(asked.study, HONEST)
    named = partial(tasks_of, asked.study, seed=asked.seed, draws=asked.draws, every=asked.every)
    tasks = [t for circuit in asked.circuit or default for t in named(circuit)]
    records = studied(tasks, asked.jobs, asked.json)
    if asked.study == "slips":
        print(slip_table(records), misses(records, asked.misses),
              unnamed(records, asked.misses), sep="\n\n")  # fmt: skip
    else:
        print(sound_table(records) if asked.study == "sound" else honest_table(records))


if __name__ == "__main__":
    main()
