"""What the standards of a batch say of its bias, written as a source of error on request.

A bias b that was found and not corrected, known to within its own sd s, leaves sqrt(b^2 + s^2) as
the root of the expected square of what is wrong with every assay of the batch (JCGM 100:2008,
F.2.4.5 on corrections that are not applied, from memory; with b and s for one method of one
laboratory: Nordtest TR 537, from memory). It is one and the same error in all of them: shared.
"""

from __future__ import annotations

import json

from oretally.flowsheet.digits import format_number
from oretally.io.laboratory.judgement import JudgedTable, Judgement, signed_percent

__all__ = ["bias_sources"]


def bias_sources(found: JudgedTable) -> str:
    """Return entries to put below all else in circuit.toml, each with what it rests on.

    An analyte of which the standards say nothing has a line that says so, and no entry.
    """
    told = [_entry(judgement, found.source) for judgement in found.judgements]
    return "\n".join(told)


def _entry(judgement: Judgement, source: str) -> str:
    name = judgement.batch.analyte
    bias = judgement.found and judgement.found.relative_bias
    if not bias or not judgement.found:
        why = judgement.no_bias or "one reading of a standard, and its scatter is not known"
        return f"# {name}: no entry; {why.removeprefix('none: ')}.\n"
    n, kinds = len(judgement.found.z), judgement.found.n_materials
    readings = f"{n} readings of {kinds} standard{'s' if kinds > 1 else ''} in {source}"
    relative = 100.0 * float((bias.mean**2 + bias.standard_error**2) ** 0.5)
    title = json.dumps(f"laboratory bias, {name}", ensure_ascii=False)
    return (
        f"[sources.{title}]\n"
        f"# {readings}: bias {signed_percent(bias)}; not corrected.\n"
        f"# relative: root of {format_number(100.0 * bias.mean, 3)}^2 and of its own sd "
        f"{format_number(100.0 * bias.standard_error, 3)}^2, in percent of the grade.\n"
        f"of = {json.dumps(name, ensure_ascii=False)}\n"
        f"relative = {format_number(relative, 3)}\n"
        "shared = true\n"
    )
