"""A leach over time in sentences and tables: extraction, the curve through it, reagents."""

from __future__ import annotations

from collections.abc import Iterator

from oretally.flowsheet.digits import (
    DASH,
    format_chi_square,
    format_number,
    format_p,
    format_with_sd,
)
from oretally.io.wording import ResultTable
from oretally.recon.result import (
    DOUBTED,
    Balance,
    CurveParameter,
    Estimate,
    LeachCourse,
    RateModel,
    ReagentPoint,
    ReagentUse,
    curves_as_good,
    preferred_curve,
)

__all__ = ["brief_sentences", "course_sentences", "course_table", "extraction_curve_table",
           "reagent_sentences", "reagent_table"]  # fmt: skip

_SURE = 1.96  # sd by which solution must be missing to be asked for: two-sided, 5 %
_STILL = 1.0  # sd by which something must still be to come to be told as a number
_LITTLE = 0.05  # percent, below which nothing to speak of is still to come
_PREMISE = (
    "Or the leach did not slow down as its metal went: a reagent or air ran short and was put in "
    "again, or metal went back to the solids."
)


def _with_sd(found: Estimate | None, unit: str) -> str:
    value, sd = format_with_sd(*(found or (None, None)))
    return f"{value} {unit}" if sd == DASH else f"{value} ± {sd} {unit}"


def _pair(found: Estimate | None) -> tuple[str, str]:
    return format_with_sd(*(found or (None, None)))


def brief_sentences(balance: Balance) -> tuple[str, ...]:
    """Return what everybody wants to know of a leach over time: a sentence an analyte, one more."""
    found = []
    for course in balance.courses:
        last = course.points[-1]
        curve = preferred_curve(course.curves)
        plateau = None if curve is None else curve.parameter("plateau")
        begin = f"{course.analyte} against time: "
        if curve is None:
            found.append(f"{begin}no curve is determined; see --show kinetics.")
        elif curve.holds is False:
            found.append(f"{begin}no curve agrees with it within the errors; see --show kinetics.")
        elif plateau is None:
            found.append(f"{begin}a fast and a slow part, and no plateau; see --show kinetics.")
        else:
            also = "".join(
                f", or at {_parameter(p)} ({c.model}), which explains the times as well"
                for c in curves_as_good(course.curves)
                if c.holds is not False and (p := c.parameter("plateau")) is not None
            )
            # the ± is that within one curve: another that agrees, though less well, may go on
            others = any(c.determined and c.holds for c in course.curves if c is not curve)
            only = ", by that curve alone" if others and not also else ""
            found.append(f"{begin}it levels off at {_parameter(plateau)} ({curve.model}){also}; "
                         f"{_left(course)} after {_time(last.time, course)}{only}.")  # fmt: skip
    used = [
        f"{_with_sd(point.consumed, 'kg/t')} of {r.reagent}"
        for r in balance.reagents
        if (point := r.points[-1]).consumed is not None and not _too_much(point)
    ]
    used += [
        f"{_with_sd(r.points[-1].added, 'kg/t')} of {r.reagent} put in (what is left was not read)"
        for r in balance.reagents
        if r.points[-1].consumed is None and r.points[-1].added is not None and r.never_read
    ]  # fmt: skip
    if used:
        found.append(f"Consumed: {'; '.join(used)}.")
    found += [f"Consumed of {r.reagent}: not known, as more was found than was put in; see --show "
              "reagents." for r in balance.reagents if _too_much(r.points[-1])]  # fmt: skip
    return tuple(found)


def _too_much(point: ReagentPoint) -> bool:
    """Whether more of a reagent was found than was put in."""
    return point.consumed is not None and point.consumed[0] < -_SURE * point.consumed[1]


def _left(course: LeachCourse) -> str:
    """Return what is still to come by the preferred curve, which stands first."""
    coming = course.to_come[0]
    if coming is None:
        return "what is still to come is not known"
    value, sd = coming
    if value <= _STILL * sd or value < _LITTLE:
        return "nothing to speak of is still to come"
    return f"{_with_sd(coming, '%')} still to come"


def _parameter(p: CurveParameter) -> str:
    value, sd = format_with_sd(p.value, p.sd)
    return f"{value} {p.unit}" if sd == DASH else f"{value} ± {sd} {p.unit}"


def _time(time: float, course: LeachCourse | ReagentUse) -> str:
    return f"{format_number(time)} {course.unit}"


def course_sentences(balance: Balance, course: LeachCourse) -> Iterator[str]:
    """Yield what the course of an analyte says, and what it does not."""
    best = preferred_curve(course.curves)
    last = _time(course.points[-1].time, course)
    if all(p.by_solution is None for p in course.points):
        yield ("By the solution alone no extraction can be told: that takes the ore and its assay, "
               "every volume, and the assay of what was put in at first (<0.01 if it had "
               "none).")  # fmt: skip
    if not course.curves:
        yield ("Too few times have an extraction for a curve: three are needed, each with an assay "
               "of the solution and volumes that are known.")  # fmt: skip
    elif best is None:
        yield f"No curve is determined: {course.curves[0].reason}"
    else:
        agrees = {True: "agrees with the times", False: "does not agree with the times",
                  None: "passes through the times, and nothing checks it"}[best.holds]  # fmt: skip
        named = ", ".join(f"{p.name} {_parameter(p)}" for p in best.parameters)
        p = "" if best.p is None else (
            f" (chi-square {format_chi_square(best.chi_square or 0.0)} on {best.dof}, "
            f"p {format_p(best.p)})"
        )  # fmt: skip
        yield f"The curve preferred, {best.model}, {agrees}{p}: {named}."
        if best.reason:
            yield f"{best.reason[0].upper()}{best.reason[1:]}"
        if best.model is RateModel.TWO_COMPONENTS and course.to_come[0] is None:
            yield ("That all of it would come in the end is a premise of that curve, and no "
                   "finding of a test that ended before.")  # fmt: skip
        coming = dict(zip(course.curves, course.to_come, strict=True))
        told = [
            f"{_with_sd(coming[c], '%')} by the {c.model}"
            for c in (best, *curves_as_good(course.curves))
            if coming[c] is not None and c.holds is not False
        ]
        if told:
            more = f"; or {' or '.join(told[1:])}, which explains the times as well"
            yield (f"Of the {course.analyte} in the ore, {told[0]} would still come after "
                   f"{last}{more if told[1:] else ''}. That holds if the leach goes on as it did; "
                   "no number of the balance rests on it.")  # fmt: skip
    check = course.check
    if check is not None and check.p < DOUBTED:
        found = any(s.over_time for s in balance.suspects)
        yield (f"No leach that slows down as its metal goes passes through the {check.values} "
               f"times within their errors (chi-square {format_chi_square(check.chi_square)}, p "
               f"at most {format_p(check.p)})"
               + (". What it speaks against stands among the suspects. " if found
                  else ", and no single number explains it. ") + _PREMISE)  # fmt: skip
    gap = course.unaccounted
    if gap is not None and abs(gap[0]) > _SURE * gap[1]:
        size = _with_sd((1000.0 * abs(gap[0]), 1000.0 * gap[1]), "mL")
        if gap[0] > 0.0:
            yield (f"{size} of solution less came out than was put in, as measured. Did it "
                   "evaporate, or was some spilled or left in a filter? The balance has spread "
                   "it over all volumes: a bottle weighed at each time would tell.")  # fmt: skip
        else:
            yield (f"{size} of solution more came out than was put in, as measured. Was water "
                   "used to rinse, or a volume not written down?")  # fmt: skip
    unmeasured = [p.sample for p in course.points
                  if p.sample and balance.survey.measured(p.sample, "water") is None]  # fmt: skip
    if unmeasured:
        known = [s for s in unmeasured if balance.value(s, "water").adjusted is not None]
        named = ", ".join(f"'{s}'" for s in unmeasured)
        more = "the balance found it" if len(known) == len(unmeasured) else (
            "the balance cannot find it: measure the final solution and the moisture of the residue"
        )  # fmt: skip
        yield f"No volume was measured of {named}: {more}."


def course_table(course: LeachCourse) -> ResultTable:
    """Return extraction against time."""
    rows = [
        [format_number(p.time), *_pair(p.solution), *_pair(p.by_solution), *_pair(p.reconciled),
         DASH if p.ph is None else format_number(p.ph), p.note]
        for p in course.points
    ]  # fmt: skip
    header = [f"time [{course.unit}]", "solution [L]", "±", "by solution", "±", "balance", "±",
              "pH", ""]  # fmt: skip
    return ResultTable(
        f"Extraction of {course.analyte} at '{course.node}' against time [%]", header, rows, 1, 1,
        legend=("By solution: as measured, with what samples took away and what was put in. "
                "Balance: by all numbers together. Solution: in the vessel, at 1 kg/L.",),
    ).trimmed  # fmt: skip


def extraction_curve_table(course: LeachCourse) -> ResultTable:
    """Return the curves that were fitted."""
    rows = []
    for c, coming in zip(course.curves, course.to_come, strict=True):
        said = "; ".join(f"{p.name} {_parameter(p)}" for p in c.parameters) if c.determined else ""
        rows.append([
            str(c.model), _number(c.chi_square), str(c.dof), format_p(c.p),
            DASH if c.weight is None else f"{100.0 * c.weight:.0f} %", *_pair(coming),
            "; ".join(x for x in (said, c.reason) if x),
        ])  # fmt: skip
    header = ["curve", "chi-square", "on", "p", "weight", "to come [%]", "±", "parameters"]
    return ResultTable(f"Curves through the extraction of {course.analyte}", header, rows, 1, 1,
                       wraps=True)  # fmt: skip


def _number(value: float | None) -> str:
    return DASH if value is None else format_chi_square(value)


def reagent_table(use: ReagentUse) -> ResultTable:
    """Return what became of a reagent up to each time."""
    rows = [
        [format_number(p.time), *(t for e in (p.strength, p.added, p.left, p.drawn_off, p.consumed)
                                  for t in _pair(e))]
        for p in use.points
    ]  # fmt: skip
    header = [f"time [{use.unit}]", "read [g/L]", "±", "put in", "±", "left", "±", "in samples",
              "±", "consumed", "±"]  # fmt: skip
    if use.never_read:
        rows = [[r[0], r[3], r[4]] for r in rows]
        header = [header[0], *header[3:5]]
    return ResultTable(f"{use.reagent} at '{use.node}', per dry ore [kg/t]", header, rows, 1)


def reagent_sentences(balance: Balance) -> Iterator[str]:
    """Yield what must be known of the use of reagents."""
    unread = [r.reagent for r in balance.reagents if r.never_read]
    if unread:
        yield (f"What is left of {', '.join(unread)} was not read: what was put in stands there, "
               "and not all of it need have been consumed.")  # fmt: skip
    missing = [r.reagent for r in balance.reagents if r.points[-1].added is None]
    if missing:
        yield (f"No addition of {', '.join(missing)} is written down, so that nothing says what "
               "was consumed: write it on the row of time 0.")  # fmt: skip
    yield from _taken_as_free(balance)
    for r in balance.reagents:
        times = [_time(p.time, r) for p in r.points if p.strength is None]
        if times and not r.never_read:
            yield (f"{r.reagent} was not read at {', '.join(times)}. What those samples took away "
                   "is taken as between nothing and all that could be there.")  # fmt: skip
        below = [_time(p.time, r) for p in r.points if _too_much(p)]
        if below:
            yield (f"More {r.reagent} was found than was put in, at {', '.join(below)}: is it read "
                   "as another substance than it is weighed, or a stock solution stronger than "
                   "stated?")  # fmt: skip


def _taken_as_free(balance: Balance) -> Iterator[str]:
    """Yield when solution was added and nothing is written down of the reagent in it.

    Make-up solution is often as strong as the first, and what was in it would have been consumed.
    Of a stock solution alone, another reagent's, nothing is asked.
    """
    course = balance.survey.course
    if course is None:
        return
    stock = [r for r in course.reagents if r.by_volume]
    for r in course.reagents:
        if r.added[0] is None or all(reading is None for reading in r.left):
            continue
        times = [
            f"{format_number(t.time)} {course.unit}"
            for i, t in enumerate(course.times[:-1], 1)
            if t.added and r.added[i] is None and all(s.added[i] is None for s in stock)
        ]
        if times:
            yield (f"Solution added at {', '.join(times)} is taken as free of {r.name}: type what "
                   f"was in it under '{r.name} added'.")  # fmt: skip
