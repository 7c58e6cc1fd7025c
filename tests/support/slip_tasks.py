"""What the study of slips asks for, one survey at a time; made for several processes."""

from __future__ import annotations

import hashlib
import time
import warnings
import zlib
from collections.abc import Iterator
from dataclasses import asdict
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from slip_circuits import CIRCUITS
from slip_draws import CHANCES, KINDS, Case, noisy, one_slip, survey_of, with_random_errors
from slip_oracle import CLOSE, ROUNDED, Oracle, exact_groups
from slip_plants import SlipPlant

import oretally.recon
from oretally.flowsheet import balance_problem
from oretally.recon import Balance, reconcile
from oretally.recon.result import ErrorPlace, Repair, Slip
from oretally.recon.solver import solve

__all__ = ["JUDGE", "Task", "done", "package_hash", "tasks_of"]

Floats = NDArray[np.float64]
Record = dict[str, Any]
Task = tuple[str, str, int, int, int, int]
"""Study, circuit, seed, draw, reading, kind of slip; the last two are 0 but for slips."""

JUDGE = 5  # to be raised when the oracle changes: what it found before does not count then
_SHOWN = 2  # slips of a suspect that are read


def tasks_of(study: str, circuit: str, seed: int, draws: int, every: int = 1) -> Iterator[Task]:
    """Yield the tasks of a study on a circuit; of slips only each ``every``-th."""
    n = len(plant(circuit).readings)
    for draw in range(draws):
        if study != "slips":
            yield study, circuit, seed, draw, 0, 0
            continue
        for i in range(n):
            for kind in range(len(KINDS)):
                task = (study, circuit, seed, draw, i, kind)
                if int(hashlib.sha256(repr(task).encode()).hexdigest()[:8], 16) % every == 0:
                    yield task


def done(task: Task, known: Record | None = None) -> Record:
    """Do a task; what is known of it from before is not done again.

    Parameters
    ----------
    task : Task
    known : dict, optional
        An earlier record: its verdict counts if the survey and the oracle are the same.
    """
    study, circuit, seed, draw, i, kind = task
    site = plant(circuit)
    record: Record = {"task": list(task), "by": [package_hash(), JUDGE]}
    rng = np.random.default_rng([seed, draw, zlib.crc32(circuit.encode())])
    if study == "slips":
        written = noisy(site, rng)
        choice = np.random.default_rng([seed, draw, i, kind, zlib.crc32(circuit.encode())])
        case = one_slip(site, written, i, KINDS[kind], choice)
        if case is None:
            return record | {"skipped": True}
        mark = hash_of(case)
        if known is not None and known.get("hash") == mark:
            verdict = known["oracle"]
        else:
            verdict = asdict(Oracle(case, _flows(circuit, written.tobytes())).verdict())
        return record | {"hash": mark, "slip": told(case), "oracle": verdict, "ours": ours(case)}
    if study in ("honest", "judge"):
        case = with_random_errors(site, rng)
        said = honest(case) if study == "honest" else judged(case)
        return record | {"slip": told(case), "ours": said}
    return record | {"ours": honest(Case(site, noisy(site, rng)))}


@lru_cache
def plant(circuit: str) -> SlipPlant:
    """Return a plant by name, always the same object."""
    return CIRCUITS[circuit]()


@lru_cache(maxsize=4)
def _flows(circuit: str, written: bytes) -> Floats:
    """Return the flows of a survey before anything went wrong."""
    site = plant(circuit)
    return solve(balance_problem(site.circuit, survey_of(site, np.frombuffer(written)))).flow


@lru_cache
def package_hash() -> str:
    """Return a hash of the package's sources that may change what is suspected."""
    digest = hashlib.sha256()
    for path in sorted(Path(str(oretally.recon.__file__)).parent.glob("*.py")):
        digest.update(path.read_bytes())
    return digest.hexdigest()[:16]


def hash_of(case: Case) -> str:
    """Return a hash of a survey, and of who judges it."""
    read = [(m.stream, m.quantity, m.value, m.unit.symbol, m.sd) for m in case.survey.measurements]
    said = (JUDGE, repr(CHANCES), read, sorted(case.plant.plain.containers.items()),
            sorted(i for w in case.wrong for i in w.right))  # fmt: skip
    return hashlib.sha256(repr(said).encode()).hexdigest()[:16]


def told(case: Case) -> list[Any]:
    """Return what is wrong, with what was written and what is right."""
    found: list[Any] = []
    for w in case.wrong:
        values = [[case.plant.readings[i].name, float(case.written[i]), right]
                  for i, right in w.right.items()]  # fmt: skip
        found.append([w.kind, values])
    return found + [["loss", [[f"loss at {name}", 0.0, 0.0]]] for name in sorted(case.lossy)]


def balanced(case: Case) -> tuple[Balance, float]:
    """Return our balance, and the seconds that it took."""
    survey = case.survey
    began = time.perf_counter()
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        balance = reconcile(case.plant.circuit, survey, feed=case.plant.feed)
    return balance, time.perf_counter() - began


def name_of(place: ErrorPlace) -> str:
    """Return the name that the oracle has for an error."""
    return (
        f"loss at {place.where}"
        if place.kind in ("loss", "gain")
        else f"{place.quantity} of {place.where}"
    )


def ours(case: Case) -> Record:
    """Return what our balance says of a survey with one slip.

    The first suspect is right if the wrong reading is in its group, and nothing else is than what
    no data tell from it; of two that were exchanged either will do. Where there is no balance the
    change that is told first, of those that make one possible, is what is suspected.
    """
    balance, seconds = balanced(case)
    gross_errors = balance.gross_errors
    record: Record = {"converged": balance.converged, "seconds": seconds, "first": [],
                      "probability": 0.0, "right": False, "exact": False, "named": False,
                      "slips": [], "suspects": len(balance.suspects)}  # fmt: skip
    wrong = {case.plant.readings[i].name for w in case.wrong for i in w.right}
    groups = exact_groups(case.plant)
    said = {name_of(place): float(p) for place, p in gross_errors.probabilities}
    record["truth"] = max((said.get(name, 0.0) for name in wrong), default=0.0)
    if balance.unbalanced is not None and balance.unbalanced.repairs:
        repair = balance.unbalanced.repairs[0]
        found = {f"{r.quantity} of {r.stream}" for r in repair.readings}
        return record | {
            "first": sorted(found), "right": bool(wrong & found), "exact": found <= wrong,
            "named": any(_undoes(r, case) for r in balance.unbalanced.repairs[:_SHOWN]),
        }  # fmt: skip
    if not balance.suspects:
        return record
    first = balance.suspects[0]
    names = [name_of(place) for place in first.group]
    slips = [*first.slips[:_SHOWN], *(s for e in gross_errors.explanations for s in e.slips)]
    return record | {
        "first": names,
        "probability": first.probability,
        "right": bool(wrong & set(names)),
        "exact": set(names) <= wrong
        if first.together
        else any(set(names) <= groups[name] for name in wrong & set(names)),
        "named": any(_undoes(slip, case) for slip in slips),
        "slips": [[s.kind, [[r.quantity, r.stream, r.fits] for r in s.readings]]
                  for s in first.slips[:_SHOWN]],
    }  # fmt: skip


def _undoes(slip: Slip | Repair, case: Case) -> bool:
    """Tell whether a slip that is proposed is the one that happened."""
    readings = case.plant.readings
    number = {(r.stream, r.quantity): i for i, r in enumerate(readings)}
    (happened,) = case.wrong
    if {number.get((r.stream, r.quantity)) for r in slip.readings} != set(happened.right):
        return False
    room = ROUNDED if happened.kind == "unit" else CLOSE
    for r in slip.readings:
        i = number[r.stream, r.quantity]
        meant = happened.right[i]
        if r.fits is None or abs(r.fits / meant - 1.0) > room:
            return False
    return True


def honest(case: Case) -> Record:
    """Return what is said of a survey with random errors: probabilities, and what is so.

    Suspects by their groups; everything else by itself.
    """
    balance, seconds = balanced(case)
    wrong = {case.plant.readings[i].name for w in case.wrong for i in w.right}
    wrong |= {f"loss at {name}" for name in case.lossy}
    said, told_ = list[tuple[float, bool]](), set[str]()
    for s in balance.suspects:
        names = {name_of(place) for place in s.group}
        told_ |= names
        said.append((float(s.probability or 0.0), bool(names & wrong)))
    rest = [(float(p), name_of(place) in wrong) for place, p in balance.gross_errors.probabilities
            if name_of(place) not in told_]  # fmt: skip
    return {"converged": balance.converged, "seconds": seconds,
            "suspects": [[round(p, 6), int(so)] for p, so in said],
            "others": [[round(p, 6), int(so)] for p, so in rest]}  # fmt: skip


def judged(case: Case) -> Record:
    """Return the same of the oracle: its groups from a tenth on, and the others."""
    began = time.perf_counter()
    wrong = {case.plant.readings[i].name for w in case.wrong for i in w.right}
    wrong |= {f"loss at {name}" for name in case.lossy}
    said = [[round(p, 6), int(bool(group & wrong))] for group, p in Oracle(case).of_groups()]
    return {"converged": True, "seconds": time.perf_counter() - began,
            "suspects": [s for s in said if s[0] >= 0.1],
            "others": [s for s in said if s[0] < 0.1]}  # fmt: skip
