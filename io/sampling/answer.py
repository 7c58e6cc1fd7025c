"""How much sample is needed, or what error a sample leaves: worked out, in words and as JSON."""

from __future__ import annotations

import json
import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from oretally.flowsheet.digits import format_number
from oretally.flowsheet.units import Series, openings_of
from oretally.io.sampling.request import SamplePlan
from oretally.io.sampling.terms import SamplingTerms
from oretally.io.sampling.written import mass_text, size_text
from oretally.recon.laboratory import (
    Stage,
    composition_factor,
    fundamental_error,
    liberation_factor,
    mass_needed,
    sampling_constant,
    stage_mass_needed,
)

__all__ = ["CrushedRow", "crushed_rows", "sample_mass_json", "sample_mass_text"]

_SCHEMA = "oretally.sample_mass/1"
_WIDTH = 100
_LABEL = 14
_FINER = 6  # rows of the table of top sizes
_FINEST = 45.0  # um; pulp for the laboratory is no finer
_SKEW = 0.2  # relative sd from which the first-order formula misleads; see recon.sampling


@dataclass(frozen=True, slots=True)
class CrushedRow:
    """A lot crushed to a top size before it is split.

    Attributes
    ----------
    top_size_um : float
        [um]
    mass_kg : float or None
        Mass needed for the error wanted; None if none is. [kg]
    relative_sd : float or None
        That of the mass given; None if none is.
    """

    top_size_um: float
    mass_kg: float | None
    relative_sd: float | None


def crushed_rows(plan: SamplePlan) -> tuple[CrushedRow, ...]:
    """Return the top size as it is, then finer ones of ISO 565 R20/3, each about half as large."""
    sizes = [plan.top_size_um]
    for opening in openings_of(Series.ISO_R20_3):
        if _FINEST <= opening <= sizes[-1] / 1.9 and len(sizes) <= _FINER:
            sizes.append(opening)
    rows = []
    for size in sizes:
        mass = sd = None
        if plan.error is not None:
            mass = mass_needed(plan.ore, size, plan.error, lot_kg=plan.lot.lot_kg, g=_g(plan))
        if len(plan.stages) == 1:
            stage = Stage(size, plan.stages[0].lot_kg, plan.stages[0].sample_kg, _g(plan))
            sd = fundamental_error(plan.ore, [stage]).relative_sd
        rows.append(CrushedRow(size, mass, sd))
    return tuple(rows)


def sample_mass_text(plan: SamplePlan) -> str:
    """Return the answer in words and tables, with what it assumes and where it ends."""
    lines = ["Sample mass by Gy's formula: the fundamental error, the least that a sample can have"]
    if plan.title:
        lines[0] = f"{plan.title}\n{lines[0]}"
    lines += ["sd is one standard deviation; in percent it is relative, of the grade.", ""]
    for label, text in (*_given(plan), *_answers(plan)):
        lines += _row(label, text)
    lines += ["", *(_chain(plan) if len(plan.stages) > 1 else _crushed(plan))]
    lines += ["", "What this does not hold"]
    for text in _limits(plan):
        lines += textwrap.wrap(text, _WIDTH, initial_indent="- ", subsequent_indent="  ")
    return "\n".join(lines) + "\n"


def sample_mass_json(plan: SamplePlan) -> str:
    """Return the same as JSON.

    Masses in kg, sizes in um, densities and the constant in kg/L, grades and relative sds as
    fractions; null where there is none, or where the lot is endless.
    """
    ore, top = plan.ore, plan.top_size_um
    chain = fundamental_error(ore, plan.stages) if plan.stages else None
    document: dict[str, Any] = {
        "schema": _SCHEMA,
        "title": plan.title,
        "grade": plan.grade,
        "mineral_grade": ore.mineral_grade,
        "mineral_density": ore.mineral_density,
        "gangue_density": ore.gangue_density,
        "liberation_um": plan.terms.liberation_um,
        "top_size_um": top,
        "lot_kg": _finite(plan.lot.lot_kg),
        "factors": {
            "shape": ore.shape,
            "granulometric": _g(plan),
            "liberation": liberation_factor(ore, top),
            "composition": composition_factor(ore),
        },
        "constant": sampling_constant(ore, top, _g(plan)),
        "assumed": list(plan.assumed),
        "relative_sd_wanted": plan.error,
        "mass_needed_kg": _needed(plan),
        "relative_sd": chain.relative_sd if chain else None,
        "stages": [
            {
                "top_size_um": stage.top_size_um,
                "lot_kg": _finite(stage.lot_kg),
                "sample_kg": stage.sample_kg,
                "relative_sd": math.sqrt(variance),
                "share": share,
                "sample_needed_kg": _needed_at(plan, i),
            }
            for i, (stage, variance, share) in enumerate(
                zip(plan.stages, chain.stage_variances, chain.shares, strict=True) if chain else ()
            )
        ],
        "crushed": [
            {"top_size_um": r.top_size_um, "mass_kg": r.mass_kg, "relative_sd": r.relative_sd}
            for r in (crushed_rows(plan) if len(plan.stages) < 2 else ())
        ],
        "limits": list(_limits(plan)),
    }
    return json.dumps(document, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _g(plan: SamplePlan) -> float:
    """Return the granulometric factor of the first stage."""
    return plan.stages[0].granulometric if plan.stages else plan.lot.granulometric


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _needed(plan: SamplePlan) -> float | None:
    """Return the mass that one stage needs for the error wanted, in kg."""
    if plan.error is None or len(plan.stages) > 1:
        return None
    return mass_needed(plan.ore, plan.top_size_um, plan.error, lot_kg=plan.lot.lot_kg, g=_g(plan))


def _needed_at(plan: SamplePlan, index: int) -> float | None:
    if plan.error is None:
        return None
    return stage_mass_needed(plan.ore, plan.stages, index, relative_sd=plan.error)


def _given(plan: SamplePlan) -> list[tuple[str, str]]:
    """Return what was given and the factors that follow from it."""
    ore, top = plan.ore, plan.top_size_um
    share = plan.grade / ore.mineral_grade
    liberation, composition = liberation_factor(ore, top), composition_factor(ore)
    constant = sampling_constant(ore, top, _g(plan))
    lot = "" if math.isinf(plan.lot.lot_kg) else f"; lot {mass_text(plan.lot.lot_kg)}"
    rows = [
        ("ore", f"grade {_grade(plan, plan.grade)}, mineral {100.0 * ore.mineral_grade:g} %: "
         f"{format_number(100.0 * share)} % of the mass is mineral, {ore.mineral_density:g} kg/L, "
         f"in gangue of {ore.gangue_density:g} kg/L; top size {size_text(top)}{lot}"),
        ("factors", f"shape f {ore.shape:g}, granulometric g {_g(plan):g}, liberation l "
         f"{format_number(liberation)}, composition m {format_number(composition)} kg/L"),
        ("constant", f"C = f g l m = {format_number(constant)} kg/L at {size_text(top)}; relative "
         "sd² = C d³ (1/sample - 1/lot)"),
    ]  # fmt: skip
    if plan.assumed:
        rows.append(("not stated", f"so taken: {'; '.join(plan.assumed)}"))
    return rows


def _answers(plan: SamplePlan) -> list[tuple[str, str]]:
    """Return the mass needed, and the error of the mass given."""
    rows = []
    needed = _needed(plan)
    if needed is not None and plan.error is not None:
        rows.append(("mass needed", f"{mass_text(needed)} for a relative sd of "
                     f"{_percent(plan.error)}: grade {_with_sd(plan, plan.error)}"))  # fmt: skip
    if len(plan.stages) == 1:
        sd = fundamental_error(plan.ore, plan.stages).relative_sd
        rows.append(("mass given", f"{mass_text(plan.stages[0].sample_kg)} leaves a relative sd of "
                     f"{_percent(sd)}: grade {_with_sd(plan, sd)}"))  # fmt: skip
    return rows


def _crushed(plan: SamplePlan) -> list[str]:
    """Return the table of top sizes."""
    rows = crushed_rows(plan)
    head, columns = ["top size"], [[size_text(r.top_size_um) for r in rows]]
    if plan.error is not None:
        head.append(f"mass for sd {_percent(plan.error)}")
        columns.append([mass_text(r.mass_kg or 0.0) for r in rows])
    if plan.stages:
        head.append(f"sd of {mass_text(plan.stages[0].sample_kg)}")
        columns.append([_percent(r.relative_sd or 0.0) for r in rows])
    return [
        "What crushing first buys, if all of the lot is crushed to that size before it is split",
        *_table(head, list(zip(*columns, strict=True))),
    ]


def _chain(plan: SamplePlan) -> list[str]:
    """Return the table of stages, and what would mend the worst of them."""
    found = fundamental_error(plan.ore, plan.stages)
    told = SamplingTerms(plan.terms, plan.stages)
    rows = [
        (told.described(i), _percent(math.sqrt(variance)), f"{_share(share)} %")
        for i, (variance, share) in enumerate(zip(found.stage_variances, found.shares, strict=True))
    ]
    rows.append(("all stages", _percent(found.relative_sd), ""))
    lines = [*_table(["stage", "relative sd", "share of variance"], rows), ""]
    lines += _row("result", f"grade {_with_sd(plan, found.relative_sd)}")
    worst = told.dominant
    if found.relative_sd > 0.0:
        lines += _row("worst", f"{told.described(worst)}: {_share(found.shares[worst])} % of "
                      "the variance")  # fmt: skip
    if plan.error is None:
        return lines
    wanted = f"relative sd {_percent(plan.error)}"
    if found.relative_sd <= plan.error * (1.0 + 1e-9):
        return lines + _row("wanted", f"{wanted}: reached")
    mass = _needed_at(plan, worst)
    if mass is None:
        text = (f"{wanted}: not reached, and no mass at stage {worst + 1} alone would do. Keep "
                "more at other stages too, or crush finer before the split.")  # fmt: skip
    else:
        text = (f"{wanted}: not reached. Keep {mass_text(mass)} in place of "
                f"{mass_text(plan.stages[worst].sample_kg)} at stage {worst + 1}, or crush finer "
                "before it.")  # fmt: skip
    return lines + _row("wanted", text)


def _limits(plan: SamplePlan) -> tuple[str, ...]:
    """Return what the figures leave out, and what to take care of."""
    ore = plan.ore
    sds = [plan.error or 0.0]
    if plan.stages:
        sds.append(fundamental_error(ore, plan.stages).relative_sd)
    found = [
        "It is a floor: only the random choice of pieces counts. Segregation, the cutter, lost "
        "dust and the assay add to it. Take more: a published worksheet doubles the mass (B.A. "
        "Wills, 1982). Mix and split in many small increments.",
        "sd is one standard deviation: if the error that you want is a limit of 95 %, divide it by "
        "1.96 first.",
    ]
    if max(sds) > _SKEW:
        found.append(
            f"A relative sd of {_percent(max(sds))} is beyond what the formula is good for (some "
            "20 %): most samples would read low, a few far too high."
        )
    if plan.terms.liberation_um is not None and ore.liberation_um < plan.top_size_um:
        found.append(
            "The liberation size is often a guess: if it is twice as large, the mass needed is up "
            "to 1.41 times as large."
        )
    found += [
        "Coarse gold and other nuggets: the formula fits them badly. Give the size of the largest "
        "grains as the liberation size, 0.2 as the shape of flaky gold, and have the coarse metal "
        "sieved out and assayed apart (screened metallics).",
        "The ore is taken as one mineral with one grade in one gangue. Other grades of the same "
        "ore need other masses: the poorer, the more.",
        "Crushing and sieving make dust; dust of silica and lead harms for life. Wet it or draw it "
        "off, wear a mask that fits, keep hands out of machines that can start, follow your local "
        "codes. Clean the crusher between samples, and weigh what was lost: dust is seldom of the "
        "grade of the rest.",
    ]
    return tuple(found)


def _grade(plan: SamplePlan, grade: float) -> str:
    return f"{format_number(plan.grade_unit.from_base(grade))} {plan.grade_unit}"


def _with_sd(plan: SamplePlan, relative_sd: float) -> str:
    sd = format_number(plan.grade_unit.from_base(plan.grade * relative_sd), 2)
    return f"{format_number(plan.grade_unit.from_base(plan.grade))} ± {sd} {plan.grade_unit}"


def _percent(relative: float) -> str:
    return f"{format_number(100.0 * relative, 2 if relative < 1.0 else 3)} %"


def _share(share: float) -> str:
    return "<1" if 0.0 < share < 0.01 else f"{100.0 * share:.0f}"


def _row(label: str, text: str) -> list[str]:
    head = f"{label:{_LABEL}}"
    return textwrap.wrap(text, _WIDTH, initial_indent=head, subsequent_indent=" " * _LABEL)


def _table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Return columns: the first to the left, numbers to the right."""
    widths = [max(map(len, column)) for column in zip(head, *rows, strict=True)]
    lines = []
    for row in (head, *rows):
        cells = [f"{row[0]:{widths[0]}}"]
        cells += [f"{cell:>{width}}" for cell, width in zip(row[1:], widths[1:], strict=True)]
        lines.append("   ".join(cells).rstrip())
    return lines
