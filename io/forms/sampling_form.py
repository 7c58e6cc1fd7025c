"""The printable form of a test or shift: what to weigh, what to take, labels to cut out."""

from __future__ import annotations

from importlib.metadata import version

from oretally.flowsheet import Basis
from oretally.io.case import UnmeasuredCase
from oretally.io.forms.samples import assay_list, weighed_in
from oretally.io.pictures import circuit_svg
from oretally.io.report import template
from oretally.io.wording import sheet_cautions

__all__ = ["sampling_form"]


def sampling_form(plan: UnmeasuredCase) -> str:
    """Return the form as one HTML document for A4, to print and fill in by hand."""
    circuit = plan.definition.circuit
    if circuit is None:
        raise ValueError("a plan without a circuit")
    codes = plan.labels
    units = weighed_in(plan)
    streams = [
        (s.name, s.source or "outside", s.target or "outside", codes[s.name],
         units.get(s.name, ""), "" if s.time is None else str(s.time))
        for s in plan.sampled
    ]  # fmt: skip
    return template("sheet.html.j2").render(
        title=plan.title,
        version=version("oretally"),
        batch=plan.definition.basis is Basis.BATCH,
        streams=streams,
        timed=any(s.time for s in plan.sampled),
        assays=assay_list(plan),
        analytes=[(a.name, a.unit.symbol) for a in plan.analytes],
        containers=list(plan.definition.containers.items()),
        circuit=circuit_svg(circuit),
        times=plan.kinetics,
        cautions=sheet_cautions(),
    )
