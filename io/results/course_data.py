"""The table of times of a leach as the sheet that `read_case` reads again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from oretally.flowsheet import Measurement, Survey
from oretally.flowsheet.survey import CourseTime, Reagent, ReagentReading, in_solution
from oretally.io.files import SheetTable
from oretally.io.results.size_sheets import value_cells

__all__ = ["course_data_sheets", "timed_values"]

_GL = 1000.0  # kg per kg of solution to g/L, at 1 kg/L
_TINY = 1e-9  # of a sum: what is left of it is rounding


def timed_values(survey: Survey) -> frozenset[tuple[str, str]]:
    """Return stream and quantity of the measurements that stand in the table of times."""
    course = survey.course
    if course is None:
        return frozenset()
    grades = [in_solution(a.name) for a in survey.analytes]
    read = {(t.sample or t.liquid, grade) for t in course.times for grade in grades}
    return frozenset({
        *read, *((name, q) for name in course.made for q in ("water", *grades)),
    })  # fmt: skip


def course_data_sheets(
    survey: Survey, written: Mapping[tuple[str, str], Sequence[object]]
) -> Iterable[SheetTable]:
    """Yield the sheets 'kinetics' and 'reagents', if there is a leach over time.

    ``written`` has for stream and quantity the row of its measurement in long form.
    """
    course = survey.course
    if course is None:
        return
    grades = [in_solution(a.name) for a in survey.analytes if a.name in survey.dissolved]
    columns = ["solution sampled [mL]", *(f"{g} [mg/L]" for g in grades), "solution added [mL]",
               *(f"{g} added [mg/L]" for g in grades)]  # fmt: skip
    for r in course.reagents:
        columns += [f"{r.name} added [{'mL' if r.by_volume else 'g'}]", f"{r.name} left [g/L]"]
    header = [f"time [{course.unit}]", *(m + c for c in columns for m in ("", "± ")), "pH", "± pH",
              "note"]  # fmt: skip
    rows = []
    start = CourseTime(0.0, "", "", "", course.started, course.ph_at_start)
    for i, t in enumerate([start, *course.times]):
        first, last = i == 0, i == len(course.times)
        cells = [*_volume(survey.measured(t.sample, "water"))]
        if not t.sample and not first:
            cells = [0.0, None]
        cells += [
            c
            for g in grades
            for c in value_cells(survey.measured(t.sample or t.liquid, g), "mg/L", written)
        ]
        stock = [] if last else [r.added[i] for r in course.reagents if r.by_volume]
        cells += _beside(survey.measured(t.added, "water"), stock)
        cells += [c for g in grades for c in value_cells(survey.measured(t.added, g), "mg/L",
                                                         written)]  # fmt: skip
        for r in course.reagents:
            cells += _scaled(None if last else r.added[i], 1000.0)
            cells += _scaled(None if first else r.left[i - 1], _GL)
        if any(c not in (None, "") for c in (*cells, t.ph)):
            rows.append((t.time, *cells, t.ph, t.ph_sd, t.note))
    yield "kinetics", header, rows
    contents = [_content(r) for r in course.reagents if (r.content, r.content_sd) != (1.0, 0.0)]
    if contents:
        yield "reagents", ("reagent", "purity", "strength", "relative"), contents


def _content(r: Reagent) -> tuple[object, ...]:
    relative = 100.0 * r.content_sd / r.content
    if r.by_volume:
        return r.name, None, f"{_GL * r.content!r} g/L", relative
    return r.name, 100.0 * r.content, None, relative


def _volume(m: Measurement | None) -> list[object]:
    return [None, None] if m is None else [1000.0 * m.value_base, 1000.0 * m.sd_base]


def _beside(m: Measurement | None, stock: Sequence[ReagentReading | None]) -> list[object]:
    """Return what was added beside stock solutions, in mL."""
    if m is None:
        return [None, None]
    value = m.value_base - sum(r.value for r in stock if r is not None)
    variance = m.sd_base**2 - sum(r.sd**2 for r in stock if r is not None)
    if value <= _TINY * m.value_base:
        return [None, None]
    return [1000.0 * value, 1000.0 * max(variance, 0.0) ** 0.5]


def _scaled(reading: ReagentReading | None, factor: float) -> list[object]:
    if reading is None or reading.value == 0.0:
        return [None, None] if reading is None else [0.0, None]
    return [factor * reading.value, factor * reading.sd]
