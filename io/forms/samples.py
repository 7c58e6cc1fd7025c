"""What is taken of each stream: its code, its unit on the scale, the list for the laboratory."""

from __future__ import annotations

from dataclasses import dataclass

from oretally.flowsheet.circuit import fold_name
from oretally.io.case import UnmeasuredCase
from oretally.io.laboratory import initials

__all__ = ["UNITS_IN_KG", "AssayLine", "assay_list", "weighed_in"]

UNITS_IN_KG = {"g": 0.001, "kg": 1.0, "t": 1000.0}
"""Units that a mass may be weighed in."""
_IN_GRAMS, _IN_TONNES = 5.0, 5000.0  # kg; below: a bench scale that shows grams; above: a bridge
_QUALITY = 2  # standards, and blanks: one alone judges nothing


@dataclass(frozen=True, slots=True)
class AssayLine:
    """One bag for the laboratory: ``kind`` as in a table of a batch, ``said`` what is in it.

    ``pair`` is the code of the sample that a duplicate is of.
    """

    code: str
    kind: str
    said: str
    pair: str = ""


def weighed_in(plan: UnmeasuredCase) -> dict[str, str]:
    """Return the unit to weigh each stream in, by the mass that is stated or expected.

    Where nobody knows it: that of the measurements, if a scale can show it, else kg.
    """
    units = {}
    unknown = plan.mass_unit if plan.mass_unit in UNITS_IN_KG else "kg"
    for stream in plan.rows.streams:
        mass = plan.masses.get(fold_name(stream.name))
        units[stream.name] = (
            unknown if mass is None else
            "g" if mass < _IN_GRAMS else "kg" if mass < _IN_TONNES else "t"
        )  # fmt: skip
    return units


def assay_list(plan: UnmeasuredCase) -> tuple[AssayLine, ...]:
    """Return the bags of a batch in their order; empty if nothing is assayed.

    A standard and a blank at either end, and a duplicate beside each sample of solids.
    """
    if not plan.analytes:
        return ()
    codes, first = plan.labels, initials(plan.title)
    samples = []
    for stream in plan.sampled:
        if stream.content.has_solids:
            code = codes[stream.name]
            second = AssayLine(f"{code}D", "duplicate", f"second bag of {code}", code)
            samples += [AssayLine(code, "sample", stream.name), second]
    ends = [
        (AssayLine(f"{first}-S{i}", "standard", "standard, certified"),
         AssayLine(f"{first}-B{i}", "blank", "blank: barren sand"))
        for i in range(1, _QUALITY + 1)
    ]  # fmt: skip
    return (*ends[0], *samples, *(line for end in ends[1:] for line in end))
