"""A laboratory batch judged in words: precision, bias, blanks, and what speaks against it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from oretally.flowsheet import ErrorRule
from oretally.io.digits import format_number, format_p, format_with_sd
from oretally.io.lab_table import LabBatch
from oretally.recon.control import Standards, blanks, standards
from oretally.recon.duplicates import PrecisionFit, fit_precision, off_pairs, relative_sd

__all__ = ["error_rule", "lab_summary"]

_BLANK_TIMES = 3.0  # detection limits that a blank may show; common practice, no source
_FEW = 8  # pairs below which no line is fitted
_FAR = 3.0  # |z| beyond which a standard is off
CAUTION = (
    "± and limits: sd is one standard deviation, limits are 95 %. Fire assay, acids and dust hurt "
    "people: leave them to trained hands, and keep to your local codes."
)


def lab_summary(batches: Sequence[LabBatch], title: str) -> str:
    """Return the summary of a batch as text, analyte by analyte."""
    lines = [f"Laboratory batch '{title}'"]
    for batch in batches:
        lines += ["", f"{batch.analyte} [{batch.unit}]"]
        lines += [f"  {word:<11}{text}" for word, text in _analyte(batch)]
    return "\n".join([*lines, "", CAUTION]) + "\n"


def error_rule(batch: LabBatch) -> ErrorRule | None:
    """Return the stated error that the duplicates of a batch give; None if they give none."""
    if len(batch.pairs) < _FEW:
        return None
    try:
        fit = fit_precision([p.first for p in batch.pairs], [p.second for p in batch.pairs])
    except (ValueError, ArithmeticError):
        return None
    source = f"{len(batch.pairs)} duplicate pairs"
    return ErrorRule(0.0, fit.a, batch.unit, slope=fit.b, source=source)


def _analyte(batch: LabBatch) -> Iterator[tuple[str, str]]:
    concerns: list[str] = []
    fit: PrecisionFit | None = None
    if batch.pairs:
        fit, told = _precision(batch, concerns)
        yield from told
    else:
        yield "duplicates", "none: nothing is known of the precision"
    if batch.standards:
        yield from _standards(batch, fit, concerns)
    else:
        yield "standards", "none: nothing is known of the bias"
    if batch.blanks:
        yield from _blanks(batch, concerns)
    else:
        yield "blanks", "none: carry-over would go unseen"
    for note in batch.notes:
        yield "note", note
    yield "verdict", _verdict(batch, concerns)


def _verdict(batch: LabBatch, concerns: Sequence[str]) -> str:
    """Return what speaks against a batch; and what could not be checked at all."""
    missing = [
        word
        for word, rows in (
            ("duplicates", batch.pairs), ("standards", batch.standards), ("blanks", batch.blanks)
        )
        if not rows
    ]  # fmt: skip
    if len(missing) == 3:
        return "cannot be judged: no duplicates, standards or blanks"
    unchecked = f"; not checked: no {', no '.join(missing)}" if missing else ""
    return ("; ".join(concerns) or "nothing speaks against this batch") + unchecked


def _precision(
    batch: LabBatch, concerns: list[str]
) -> tuple[PrecisionFit | None, list[tuple[str, str]]]:
    first, second = [p.first for p in batch.pairs], [p.second for p in batch.pairs]
    told = []
    used = [(a, b) for a, b in zip(first, second, strict=True) if a + b > 0.0]
    if used:
        pooled = relative_sd([a for a, _ in used], [b for _, b in used])
        told.append((
            "duplicates",
            f"{len(batch.pairs)} pairs; pooled relative sd {100.0 * pooled.sd:.2g} % "
            f"({100.0 * pooled.low:.2g} to {100.0 * pooled.high:.2g})",
        ))  # fmt: skip
    if len(batch.pairs) < _FEW:
        told.append(("", f"fewer than {_FEW} pairs: no precision as a function of grade"))
        return None, told
    try:
        fit = fit_precision(first, second)
    except (ValueError, ArithmeticError) as error:
        told.append(("", f"no precision as a function of grade: {error}"))
        return None, told
    a, b = format_number(fit.a, 2), format_number(100.0 * fit.b, 2)
    told.append((
        "",
        f"sd of one assay = {a} {batch.unit} + {b} % of the grade, between "
        f"{format_number(fit.lowest, 3)} and {format_number(fit.highest, 3)} ({fit.method.value}, "
        f"limits {format_number(fit.a_limits[0], 2)} to {format_number(fit.a_limits[1], 2)} and "
        f"{format_number(100 * fit.b_limits[0], 2)} to {format_number(100 * fit.b_limits[1], 2)})",
    ))  # fmt: skip
    for off in off_pairs(fit, first, second):
        text = (
            f"pair '{batch.pairs[off.index].name}' ({off.first:g}, {off.second:g}) differs by "
            f"{abs(off.z):.1f} sd, limit {off.limit:.1f}"
        )
        told.append(("", f"{text}; it was used all the same"))
        concerns.append(text)
    return fit, told


def _standards(
    batch: LabBatch, fit: PrecisionFit | None, concerns: list[str]
) -> Iterator[tuple[str, str]]:
    rows = batch.standards
    sd = [fit.sd(s.certified) if fit is not None else 0.0 for s in rows]
    if any(own == 0.0 and s.certified_sd == 0.0 for own, s in zip(sd, rows, strict=True)):
        yield "standards", "no error is known, neither from duplicates nor from the certificate"
        return
    found: Standards = standards(
        [s.measured for s in rows], [s.certified for s in rows], [s.certified_sd for s in rows], sd
    )
    source = "the duplicates and the certificate" if fit is not None else "the certificate alone"
    yield (
        "standards",
        f"{len(rows)} readings of {_many(found.n_materials)}; errors from {source}",
    )
    for s, z in zip(rows, found.z, strict=True):
        value, error = format_with_sd(s.certified, s.certified_sd or None)
        off = "" if abs(z) <= _FAR else ", off"
        yield "", f"'{s.sample}' {s.measured:g}, certified {value} ± {error}: z {z:+.1f}{off}"
        if off:
            concerns.append(f"standard '{s.sample}' is off (z {z:+.1f})")
    bias = found.relative_bias
    if bias is not None:
        text = (
            f"relative bias {100.0 * bias.mean:+.2g} % ({100.0 * bias.low:+.2g} to "
            f"{100.0 * bias.high:+.2g}), p {format_p(bias.p)}"
        )
        yield "", text
        if bias.p < 0.05:
            concerns.append(text)


def _many(count: int) -> str:
    return "1 standard" if count == 1 else f"{count} standards"


def _blanks(batch: LabBatch, concerns: list[str]) -> Iterator[tuple[str, str]]:
    values = [b.value for b in batch.blanks]
    before = [b.before for b in batch.blanks]
    known = [x for x in before if x is not None]
    detection = batch.detection
    limit = _BLANK_TIMES * detection if detection is not None else float("inf")
    found = blanks(values, limit, known if len(known) == len(values) else None)
    text = f"{len(values)}, highest {format_number(found.highest, 3)} {batch.unit}"
    if detection is None:
        yield "blanks", f"{text}; no detection limit stands in the batch, so no limit for them"
    else:
        yield (
            "blanks",
            (
                f"{text}; may show {_BLANK_TIMES:g} detection limits, "
                f"{format_number(limit, 3)} {batch.unit}"
            ),
        )
        for i in found.above:
            concerns.append(f"blank '{batch.blanks[i].sample}' shows {values[i]:g} {batch.unit}")
    carry = found.carry_over
    if carry is not None and len(set(values)) > 1:
        yield (
            "",
            (
                f"carry-over {100.0 * carry.slope:.2g} ± {100.0 * carry.sd:.2g} % of the sample "
                f"before, p {format_p(carry.p)}"
            ),
        )
        if carry.p < 0.05:
            concerns.append(f"carry-over of {100.0 * carry.slope:.2g} % of the sample before")
