"""Read and balance the cases that are to be compared, or say all that is wrong with them."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from oretally.flowsheet import Fault, InputError, NotBalanceable
from oretally.io.case import Case, read_case, unfilled
from oretally.io.compare.declarations import compare_declared
from oretally.io.files import readable_name
from oretally.recon import reconcile
from oretally.recon.comparison import BalancedTest, Comparison, balanced_test

__all__ = ["case_paths", "compare_cases"]

AGAINST = "vs"
"""Between repeats of one kind and repeats of another, on the command line."""


def compare_cases(
    words: Sequence[str],
    *,
    least: str | None = None,
    say: Callable[[str], None] = lambda _: None,
    **declared: Any,
) -> Comparison:
    """Compare the cases named on a command line.

    Parameters
    ----------
    words : sequence of str
        Cases; with 'vs' among them, those on one side of it are repeats of one another.
    least : str, optional
        As typed.
    say : callable
        Takes the name of each step.
    declared
        The other arguments of `compare_declared`.

    Raises
    ------
    InputError
        With every fault of every case.
    NotBalanceable
        Naming the case.
    """
    faults: list[Fault] = []
    arms, points = _arms(words, faults), _least(least, faults)
    paths = [path for arm in arms for path in arm]
    labels = _labels(paths)
    cases = [_read(path, faults) for path in paths]
    if faults:
        raise InputError(faults)
    found = []
    for label, case in zip(labels, cases, strict=True):
        say(f"balancing {label}")
        if case is not None:
            found.append(_balanced(label, case))
    say("comparing")
    rest = iter(found)
    return compare_declared(
        [[next(rest) for _ in arm] for arm in arms], least=points, **declared,
    )  # fmt: skip


def case_paths(words: Sequence[str]) -> list[Path]:
    """Return the cases among the words of a command line.

    Examples
    --------
    >>> [str(path) for path in case_paths(["a", "b", "vs", "c"])]
    ['a', 'b', 'c']
    """
    return [Path(word) for word in words if word.casefold() != AGAINST]


def _arms(words: Sequence[str], faults: list[Fault]) -> list[list[Path]]:
    """Return the cases, arm by arm; without 'vs' each is an arm."""
    if not any(word.casefold() == AGAINST for word in words):
        if len(words) < 2:
            count = "One case is" if words else "No case is"
            faults.append(Fault(
                f"{count} given; to compare takes two or more.",
                "Write oretally compare CASE CASE, or with repeats oretally compare A1 A2 vs B1 "
                "B2.",
            ))  # fmt: skip
        return [[Path(word)] for word in words]
    arms: list[list[Path]] = [[]]
    for word in words:
        if word.casefold() == AGAINST:
            arms.append([])
        else:
            arms[-1].append(Path(word))
    if not all(arms):
        faults.append(Fault(
            "'vs' stands between repeats, but on one side of it there is no case.",
            "Write oretally compare A1 A2 vs B1 B2; a case called 'vs' is written ./vs.",
        ))  # fmt: skip
    return arms


def _least(text: str | None, faults: list[Fault]) -> float | None:
    """Return the least difference that matters, in points."""
    if text is None:
        return None
    try:
        value = float(text)
    except ValueError:
        value = 0.0
    if not 0.0 < value <= 100.0:
        faults.append(Fault(
            f"--least '{text}' is not a number of points above 0 and up to 100.",
            "Write the percentage points that matter to you, as in --least 1.5.",
        ))  # fmt: skip
        return None
    return value


def _labels(paths: Sequence[Path]) -> list[str]:
    """Return short names of the cases, each another."""
    names = [readable_name(os.path.basename(os.path.realpath(path)) or str(path)) for path in paths]
    if len(set(names)) < len(names):
        names = [readable_name(str(path)) for path in paths]
    found: list[str] = []
    for name in names:
        before = sum(f == name or f.startswith(f"{name} (") for f in found)
        found.append(f"{name} ({before + 1})" if before else name)
    return found


def _read(path: Path, faults: list[Fault]) -> Case | None:
    """Return a case; its faults name it."""
    try:
        case = read_case(path)
        blank = unfilled(case)
        if blank is not None:
            raise blank
    except InputError as error:
        faults += [_placed(fault, path) for fault in error.faults if fault not in faults]
        return None
    return case


def _placed(fault: Fault, path: Path) -> Fault:
    """Return a fault whose file says of which case it is."""
    name = str(path)
    if fault.place.file in (name, path.name):
        return replace(fault, place=replace(fault.place, file=name))
    file = f"{name}/{fault.place.file}" if fault.place.file else name
    return replace(fault, place=replace(fault.place, file=file))


def _balanced(label: str, case: Case) -> BalancedTest:
    """Return a case balanced; what cannot be is named."""
    try:
        balance = reconcile(
            case.circuit, case.survey, feed=case.feeds, products=case.products,
            rates=case.rates, lost=case.lost or None, trials=0,
        )  # fmt: skip
    except NotBalanceable as error:
        raise NotBalanceable(f"'{label}': {error.reason}", error.mend) from error
    if not balance.converged:
        raise NotBalanceable(
            f"'{label}': the balance did not converge: {balance.status}.",
            f"See oretally balance {case.source}: it says what is in the way, and what would help.",
        )
    contradictions = (*case.contradictions, *balance.contradictions)
    return balanced_test(label, replace(balance, contradictions=contradictions))
