"""A study of errors so large that a balance may fail: masses off by decades, streams exchanged.

python tests/support/study_large_slips.py [--study slips|streams] [--case NAME] [--every 1]
    [--json FILE] [--misses 20]

slips: every dry mass or rate of every example times 1000, a million, 1e9, and divided by them as
far as a pen would. streams: all numbers of two streams under each other's names, every pair of the
examples whose streams can be exchanged. Some examples have an error of their own besides. All in
one process; but for the times, those of the processor, what is printed depends on the examples
alone.
"""

from __future__ import annotations

import argparse
import json
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import replace
from functools import lru_cache
from itertools import combinations
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from oretally.flowsheet import InputError, NotBalanceable, Survey
from oretally.flowsheet.survey import DECLARED_LOSS
from oretally.io import Case, read_case
from oretally.recon import Balance, reconcile
from oretally.recon.result import LEFT_OUT, Suspect

__all__ = [
    "FACTORS", "Task", "balance_of", "done", "exchange_tasks", "slip_tasks", "sound",
    "survey_of", "tally", "within",
]  # fmt: skip

Record = dict[str, Any]

FACTORS = (1e3, 1e-3, 1e6, 1e-6, 1e9)
"""Times a mass or rate: kg among g, t among g, mg among t, and their like."""
EXAMPLES = Path(__file__).parents[2] / "examples"
CLOSE = 0.02  # relative: how near the number that is told must be to the right one
_LIKELY = 0.5  # probability from which a suspect counts
_SAME = 4.0  # of the objective: what two explanations may differ by if both fit


class Task(NamedTuple):
    """One survey: a case, and the number or the pair of streams that is wrong in it.

    ``second`` is a quantity if ``factor`` is stated, else the other stream.
    """

    case: str
    first: str
    second: str
    factor: float = 0.0


@lru_cache
def case_of(name: str) -> Case:
    """Return an example as it is."""
    return read_case(EXAMPLES / name)


@lru_cache
def sound(name: str) -> Balance:
    """Return the balance of an example as it is."""
    return _balanced(name, case_of(name).survey)


def names() -> list[str]:
    """Return the examples, in their order."""
    return sorted(p.parent.name for p in EXAMPLES.glob("*/circuit.toml"))


def slip_tasks(cases: Sequence[str] = ()) -> Iterator[Task]:
    """Yield every mass or rate that somebody wrote, with every factor; what is computed is none."""
    for name in cases or names():
        survey = case_of(name).survey
        for m in survey.measurements:
            weighed = m.quantity == survey.basis.quantity and m.typed
            if weighed and m.error_source != DECLARED_LOSS:
                yield from (Task(name, m.stream, m.quantity, f) for f in FACTORS)


def exchange_tasks(cases: Sequence[str] = ()) -> Iterator[Task]:
    """Yield every pair of streams with a label, if something was measured of one of them at least.

    Of a table of times those are the samples, exchanged among themselves: what stays in the vessel
    or is added to it bears no label, nor does a declared loss.
    """
    for name in cases or names():
        case = case_of(name)
        survey, course = case.survey, case.survey.course
        measured = {m.stream for m in survey.measurements}
        lost = {m.stream for m in survey.measurements if m.error_source == DECLARED_LOSS}
        timed = [] if course is None else [t.sample for t in course.times if t.sample]
        if course is not None:
            lost |= course.made | {t.liquid for t in course.times} - measured
        plain = [s for s in case.circuit.stream_names if s not in lost]
        for pair in (*combinations(plain, 2), *combinations(timed, 2)):
            if measured & set(pair):
                yield Task(name, *pair)


def survey_of(task: Task) -> Survey:
    """Return the survey with what went wrong in it."""
    survey = case_of(task.case).survey
    other = {task.first: task.second, task.second: task.first}
    return replace(survey, measurements=tuple(
        replace(m, stream=other.get(m.stream, m.stream)) if not task.factor
        else replace(m, value=m.value * task.factor, sd=m.sd * task.factor)
        if (m.stream, m.quantity) == (task.first, task.second) else m
        for m in survey.measurements
    ))  # fmt: skip


@lru_cache(4)
def balance_of(task: Task) -> Balance:
    """Balance a survey with what went wrong in it."""
    return _balanced(task.case, survey_of(task))


def _balanced(name: str, survey: Survey) -> Balance:
    case = case_of(name)
    return reconcile(case.circuit, survey, feed=case.feeds, products=case.products,
                     rates=case.rates, lost=case.lost)  # fmt: skip


def done(task: Task) -> Record:
    """Balance a survey, and return what came of it.

    ``exit`` is that of the command; ``named`` whether the slip is told of a suspect that is
    likelier than not (some examples have an error of their own), or the exchange first, but for the
    error that the example has of its own and for exchanges that leave as much to a thousandth
    (``alike``: such a one ranks before); ``right`` whether that has to do with wrong numbers
    alone; ``out`` whether chi-square is out of limits, for an exchange through it.
    """
    record: Record = {"task": list(task), "exit": 0, "named": False, "right": False, "first": []}
    began = time.process_time()
    with warnings.catch_warnings(record=True) as heard:
        warnings.simplefilter("always")
        try:
            balance = balance_of(task)
        except InputError as error:
            return record | {"exit": 2, "error": str(error)}
        except NotBalanceable as error:
            record |= {"exit": 1, "error": str(error)}
        except Exception:  # what the study is to find
            record |= {"exit": 3, "error": traceback.format_exc().splitlines()[-8:]}
        else:
            record |= _told(task, balance)
    return record | {"seconds": time.process_time() - began,
                     "warnings": sorted({str(w.message) for w in heard})}  # fmt: skip


def _told(task: Task, balance: Balance) -> Record:
    """Return what is said first of a survey, and whether it is so."""
    wrong = {(task.first, task.second)} if task.factor else None
    if balance.unbalanced is not None:
        found: Record = {"exit": 1, "repairs": len(balance.unbalanced.repairs),
                         "recycles": [list(r.streams) for r in balance.unbalanced.recycles],
                         "nonsense": balance.unbalanced.dof < 0}  # fmt: skip
        for i, repair in enumerate(balance.unbalanced.repairs[:2]):
            places = {(r.stream, r.quantity) for r in repair.readings}
            fits = [(r.read, r.fits) for r in repair.readings]
            if not i:
                found |= {"first": [repair.kind, sorted(map(list, places))],
                          "right": _all_wrong(task, places)}  # fmt: skip
            if wrong and places == wrong and repair.kind != LEFT_OUT:
                found["named"] = _undone(task, fits)
        return found
    test = balance.global_test
    out = test.p is not None and test.p < test.alpha
    before = sound(task.case).global_test.statistic
    out = out and (bool(task.factor) or abs(test.statistic - before) > _SAME)
    found = {"objective": test.statistic, "out": out,
             "nonsense": any(e.dof < 0 for e in balance.gross_errors.explanations)
             or any(s.dof_without < 0 or any(x.dof < 0 for x in s.slips)
                    for s in balance.suspects)}  # fmt: skip
    if not balance.suspects:
        return found
    first = balance.suspects[0]
    places = {(p.where, p.quantity) for p in first.group}
    slips = first.slips[:2]
    found |= {"first": [first.slips[0].kind if slips else "", sorted(map(list, places))],
              "probability": first.probability}  # fmt: skip
    if wrong:
        likely = [s for s in balance.suspects if (s.probability or 0.0) > _LIKELY]
        return found | {"right": wrong <= places, "named": any(
            {(r.stream, r.quantity) for r in slip.readings} == wrong
            and _undone(task, [(r.read, r.fits) for r in slip.readings])
            for s in likely for slip in s.slips[:2]
        )}  # fmt: skip
    # the error of an example's own may rank before: both are there
    rest = [s for s in balance.suspects if s.together or _own(task).isdisjoint(_places(s))]
    rest = [s for s in rest if not s.together or not _places(s) <= _own(task)]
    if not rest:
        return found
    strictly, first = first, rest[0]
    places, slips = _places(first), first.slips[:2]
    least = min([first.objective_without, *(s.objective for s in slips)])
    as_well = least <= before + _SAME
    right = _all_wrong(task, places)
    found["strictly first"] = first is strictly
    named = first.together and {s for s, _ in places} == {task.first, task.second}
    alike = first.together and any(_is_as_good(s, first, task) for s in balance.suspects)
    return found | {"right": right, "named": (right and (named or as_well)) or alike,
                    "alike": alike and not right}  # fmt: skip


def _is_as_good(suspect: Suspect, first: Suspect, task: Task) -> bool:
    """Tell whether a suspect is the exchange and leaves what the first does: no data tell which."""
    same = abs(suspect.objective_without - first.objective_without) < 1e-3
    return suspect.together and same and _all_wrong(task, _places(suspect))


def _places(suspect: Suspect) -> set[tuple[str, str]]:
    return {(p.where, p.quantity) for p in suspect.group}


def _own(task: Task) -> set[tuple[str, str]]:
    """Return the numbers that are likely wrong in an example as it is, before and after."""
    other = {task.first: task.second, task.second: task.first}
    own = {place for s in sound(task.case).suspects if (s.probability or 0.0) > _LIKELY
           for place in _places(s)}  # fmt: skip
    return own | {(other.get(s, s), q) for s, q in own}


def _all_wrong(task: Task, places: set[tuple[str, str]]) -> bool:
    """Tell whether some numbers are all of those that are wrong."""
    if task.factor:
        return places == {(task.first, task.second)}
    return {s for s, _ in places} <= {task.first, task.second}


def _undone(task: Task, fits: Sequence[tuple[float, float | None]]) -> bool:
    return all(to is not None and abs(read / (to * task.factor) - 1.0) <= CLOSE
               for read, to in fits)  # fmt: skip


def tally(records: Sequence[Record]) -> dict[str, Counter[str]]:
    """Return counts by case, and of all."""
    found: dict[str, Counter[str]] = {}
    for r in records:
        if r["exit"] == 2:
            continue
        one = Counter({
            "n": 1, "exit 3": int(r["exit"] == 3), "exit 1": int(r["exit"] == 1),
            "exit 1, unnamed": int(r["exit"] == 1 and not r["named"]),
            "out": int(r["exit"] != 0 or r["out"]), "named": int(r["named"]),
            "named, out": int(r["named"] and (r["exit"] != 0 or r["out"])),
            "right": int(r["right"]), "warned": int(bool(r["warnings"])),
            "nonsense": int(r.get("nonsense", False)), "over 20 s": int(r["seconds"] > 20.0),
        })  # fmt: skip
        for key in (r["task"][0], "all"):
            found.setdefault(key, Counter()).update(one)
    return found


def within(tasks: Sequence[Task], every: int) -> list[Task]:
    """Return one in so many of some tasks, spread over all."""
    return list(tasks[every // 2 :: every])


def _table(records: Sequence[Record]) -> str:
    found = tally(records)
    head = ["n", "exit 3", "exit 1", "exit 1, unnamed", "out", "named", "named, out", "right",
            "warned", "nonsense", "over 20 s"]  # fmt: skip
    lines = [f"{'':22s}" + "  ".join(head)]
    for key, c in found.items():
        lines.append(f"{key:22s}" + "  ".join(f"{c[h]:>{len(h)}}" for h in head))
    times = [r["seconds"] for r in records if "seconds" in r]
    if times:
        lines.append(f"seconds: median {np.median(times):.2f}, 95 % {np.percentile(times, 95):.2f},"
                     f" largest {max(times):.1f}, all {sum(times):.0f}")  # fmt: skip
    return "\n".join(lines)


def _misses(records: Sequence[Record], most: int) -> str:
    some = [r for r in records if r["exit"] != 2 and not r["named"] and (r["exit"] or r["out"])]
    step = max(1, len(some) // max(most, 1))
    return "\n".join(json.dumps({k: v for k, v in r.items() if k not in ("right", "named")})
                     for r in some[::step][:most])  # fmt: skip


def main() -> None:
    """Study, and print tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--study", choices=("slips", "streams"), action="append")
    parser.add_argument("--case", action="append", choices=names())
    parser.add_argument("--every", type=int, default=1, help="one in so many")
    parser.add_argument("--json", type=Path, help="records, one a line")
    parser.add_argument("--misses", type=int, default=20, help="how many to print")
    asked = parser.parse_args()
    for study in asked.study or ("slips", "streams"):
        tasks = slip_tasks if study == "slips" else exchange_tasks
        records = []
        for task in within(list(tasks(asked.case or ())), asked.every):
            records.append(done(task))
            if asked.json:
                with asked.json.open("a", encoding="utf-8") as out:
                    out.write(json.dumps(records[-1]) + "\n")
        print(study, _table(records), _misses(records, asked.misses), "", sep="\n")


if __name__ == "__main__":
    main()
