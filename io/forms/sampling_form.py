"""The printable form of a test or shift: what to weigh, what to take, labels to cut out."""

from __future__ import annotations

import re
from importlib.metadata import version

from oretally.flowsheet import Basis
from oretally.io.case import UnmeasuredCase
from oretally.io.pictures import circuit_svg
from oretally.io.report import template
from oretally.io.wording import sheet_cautions

__all__ = ["sample_codes", "sampling_form"]


def sample_codes(plan: UnmeasuredCase) -> dict[str, str]:
    """Return a short code for the sample of each stream: initials of the title and a number."""
    initials = "".join(word[0] for word in re.findall(r"\w+", plan.title)).upper()[:4] or "S"
    names = [s.name for s in plan.sampled]
    width = len(str(len(names)))
    return {name: f"{initials}-{i:0{width}d}" for i, name in enumerate(names, start=1)}


def sampling_form(plan: UnmeasuredCase) -> str:
    """Return the form as one HTML document for A4, to print and fill in by hand."""
    circuit = plan.definition.circuit
    if circuit is None:
        raise ValueError("a plan without a circuit")
    codes = sample_codes(plan)
    streams = [
        (s.name, s.source or "outside", s.target or "outside", codes[s.name]) for s in plan.sampled
    ]
    return template("sheet.html.j2").render(
        title=plan.title,
        version=version("oretally"),
        batch=plan.definition.basis is Basis.BATCH,
        streams=streams,
        analytes=[(a.name, a.unit.symbol) for a in plan.analytes],
        containers=list(plan.definition.containers.items()),
        circuit=circuit_svg(circuit),
        cautions=sheet_cautions(),
    )
