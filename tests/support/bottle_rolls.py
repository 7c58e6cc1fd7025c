"""Bottle rolls over time: case folders, and surveys drawn around a truth."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from oretally.flowsheet import BalanceModel, Circuit, Survey
from oretally.flowsheet.survey import in_solution
from oretally.io import Case, read_case
from oretally.recon.kinetics import TimedLeach, timed_leach
from oretally.recon.solver import propagate, solve

CIRCUIT = """\
title = "bottle"
basis = "batch"
water = true
[streams]
ore = { to = "bottle", carries = "dry" }
solution = { to = "bottle", carries = "solution" }
residue = { from = "bottle" }
"final solution" = { from = "bottle", carries = "solution" }
[nodes]
bottle = { kind = "leach" }
[analytes]
Au = { unit = "g/t", dissolved = true }
[errors]
"dry mass" = { absolute = "0.5 g" }
"wet mass" = { absolute = "1 g" }
moisture = { absolute = "0.4 %" }
water = { absolute = "4 mL" }
Au = { relative = 3, absolute = "0.01 g/t" }
"Au in solution" = { relative = 2, absolute = "0.005 mg/L" }
"solution sampled" = { absolute = "0.5 mL" }
"solution added" = { absolute = "0.5 mL" }
"reagents added" = { absolute = "0.01 g" }
"reagents left" = { relative = 3, absolute = "0.005 g/L" }
[report]
feed = "ore"
"""
HOURS = (2.0, 4.0, 8.0, 24.0, 48.0, 72.0)
PLATEAU, RATE, HEAD, ORE, FILLED, SAMPLE, MOISTURE = 0.9, 0.12, 3.9, 1000.0, 1500.0, 50.0, 0.185


@dataclass(frozen=True)
class Truth:
    """What there is at each time: extraction, solution before the sample in mL, its mg/L."""

    hours: Sequence[float]
    extracted: Sequence[float]
    volume: Sequence[float]
    grade: Sequence[float]


def truth(hours: Sequence[float] = HOURS, *, made_up: bool = True) -> Truth:
    """Return a leach of first order whose samples are made up, or are not."""
    extracted = [PLATEAU * (1.0 - float(np.exp(-RATE * h))) for h in hours]
    volume, gone, volumes, grades = FILLED, 0.0, list[float](), list[float]()
    for share in extracted:
        grade = (ORE / 1000.0 * HEAD * share - gone) / (volume / 1000.0)
        volumes.append(volume)
        grades.append(grade)
        gone += grade * SAMPLE / 1000.0
        volume -= 0.0 if made_up else SAMPLE
    return Truth(hours, extracted, volumes, grades)


def write_case(
    folder: Path, kinetics: str, *, circuit: str = CIRCUIT, measurements: str = ""
) -> Path:
    """Write a case folder."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "circuit.toml").write_text(circuit, "utf-8")
    (folder / "measurements.csv").write_text(measurements or true_measurements(truth()), "utf-8")
    (folder / "kinetics.csv").write_text(kinetics, "utf-8")
    return folder


def true_measurements(of: Truth) -> str:
    """Return the table of measurements without errors."""
    wet = ORE / (1.0 - MOISTURE)
    left = of.volume[-1] - SAMPLE - (wet - ORE)
    residue = HEAD * (1.0 - of.extracted[-1])
    return (
        "stream,dry mass [g],wet mass [g],moisture [%],water [mL],Au [g/t],Au in solution [mg/L]\n"
        f"ore,{ORE},,,,{HEAD},\n"
        f"solution,,,,{FILLED},,<0.002\n"
        f"residue,,{wet:.4f},{100 * MOISTURE},,{residue:.6f},\n"
        f"final solution,,,,{left:.4f},,\n"
    )


def true_kinetics(of: Truth, *, made_up: bool = True) -> str:
    """Return the table of times without errors."""
    rows = ["time [h],solution sampled [mL],Au in solution [mg/L],solution added [mL]"]
    last = len(of.hours) - 1
    for i, (hour, grade) in enumerate(zip(of.hours, of.grade, strict=True)):
        more = SAMPLE if made_up and i < last else ""
        rows.append(f"{hour:g},{SAMPLE},{grade:.6f},{more}")
    return "\n".join(rows) + "\n"


def true_case(folder: Path, hours: Sequence[float] = HOURS, *, made_up: bool = True) -> Case:
    """Return a case without errors."""
    of = truth(hours, made_up=made_up)
    return read_case(
        write_case(folder, true_kinetics(of, made_up=made_up), measurements=true_measurements(of))
    )


def drawn(
    survey: Survey, generator: np.random.Generator,
    wrong: Mapping[tuple[str, str], float] | None = None,
) -> Survey:  # fmt: skip
    """Return a survey as it could have come out; ``wrong`` has factors of mistyped numbers."""
    rows = []
    for m in survey.measurements:
        value = m.value if m.bounded else max(m.value + m.sd * generator.standard_normal(), 0.0)
        rows.append(replace(m, value=value * (wrong or {}).get((m.stream, m.quantity), 1.0)))
    return replace(survey, measurements=tuple(rows))


def leach_of(circuit: Circuit, survey: Survey) -> TimedLeach:
    """Return the leach over time of a balance, without any tests."""
    model = BalanceModel(circuit, survey)
    found = timed_leach(model, propagate(model.problem, solve(model.problem)))
    assert found is not None
    return found


GRADE = in_solution("Au")
