"""What a balance says by size, as tables of text cells for terminal and report."""

from __future__ import annotations

from oretally.flowsheet import Survey
from oretally.flowsheet.digits import DASH, format_number, format_p, format_with_sd
from oretally.io.wording.partition_words import (
    BYPASS_LEGEND,
    bypass_cells,
    partition_remark,
    partition_sentences,
)
from oretally.io.wording.sentences import largest_move
from oretally.io.wording.tables import ResultTable
from oretally.recon.result import Balance, ClassRow, FittedLaw, FittedPartition, SizeAt, StreamSizes

__all__ = ["class_labels", "class_sentence", "cut_table", "fit_remark", "fit_table", "law_table",
           "metal_table", "no_size", "p80_table", "partition_tables", "passing_tables"]  # fmt: skip

_STREAMS_SIDE_BY_SIDE = 4  # each with its sd, on a landscape page
_METAL_ROWS_SHOWN = 40  # in a terminal
_METAL_LEGEND = (
    "Of the solids: share of the stream's dry solids in the class. Of an analyte: share of all "
    "that the stream carries of it.",
)
_CUT_LEGEND = (
    "Sizes at which 25, 50 and 75 % of the solids report to the coarse product, by straight lines "
    "in log size. Ecart probable: (d75 - d25) / 2. Imperfection: (d75 - d25) / (2 d50).",
    "Circulating load: solids of the coarse product that come back, per solids that go on.",
)
_FIT_LEGEND = (
    "Share to the coarse product = bypass + (1 - bypass) c. Plitt: c = 1 - exp(-ln 2 "
    "(d/d50c)^sharpness). Whiten: c = (exp(a x) - 1) / (exp(a x) + exp(a) - 2), x = d/d50c, a the "
    "sharpness. Fitted to the shares of the solids, weighted by their covariance. A class counts "
    "with the average of the curve over its feed, which lies between its two sieves as a smooth "
    "curve through the feed's passing has it. The coarsest class and the pan are open to one side: "
    "the pan has a share between the bypass and the curve at its sieve, the coarsest class between "
    "the curve at its sieve and 100 %. Where a curve does not hold within the errors (p below "
    "0.05), do not trust its sizes, nor their ±.",
)
_LAW_LEGEND = (
    "Gates-Gaudin-Schuhmann: passing = (x / size)^exponent. Rosin-Rammler: passing = 1 - exp(-(x / "
    "size)^exponent), so that 63.2 % pass its size. Fitted to the adjusted passing, weighted by "
    "its covariance. Where a law does not hold within the errors (p below 0.05), do not trust its "
    "size and exponent, nor their ±.",
)
_Pair = tuple[float, float] | None


def class_labels(survey: Survey) -> frozenset[str]:
    """Return the names of the size classes, and of runs of them."""
    return frozenset(survey.sizes.label(run) for run in survey.sizes.all_runs)


def class_sentence(balance: Balance) -> str:
    """Return how many values of classes were measured, and which moved most; empty without any."""
    labels = class_labels(balance.survey)
    measured = [v for v in balance.values if v.carrier in labels and v.measured is not None]
    if not measured:
        return ""
    count = len(measured)
    head = f"{count} {'value' if count == 1 else 'values'} of size classes measured"
    move = largest_move(measured)
    if not move:
        return f"{head}, none of them checked by others; all of them: see --html or --json."
    return f"{head}; the largest move is {move}. All of them: see --html or --json."


def _cells(pair: _Pair) -> list[str]:
    return list(format_with_sd(*(pair or (None, None))))


def _rounded(pair: _Pair) -> list[str]:
    """Return a percentage with the digits that its sd leaves, but two places at most."""
    value, sd = pair or (None, None)
    return [format_with_sd(value, None if sd is None else max(sd, 0.1))[0]]


def _size(at: SizeAt) -> list[str]:
    return list(format_with_sd(at.size_um, at.sd_um))


def no_size(stream: StreamSizes) -> str:
    """Return in a few words why a stream has no P80; empty if it has one."""
    at = stream.p80
    if at.size_um is not None:
        return ""
    known = [(row.retained_um, row.passing[0]) for row in stream.classes if row.passing is not None]
    for bound, words in ((known[0], "only"), (known[-1], "as much as")):
        wrong = bound[1] < at.percent if words == "only" else bound[1] > at.percent
        if wrong:
            return f"{words} {format_number(bound[1], 3)} % pass {bound[0]:g} um"
    return at.reason


def p80_table(balance: Balance) -> ResultTable:
    """Return the size that 80 % of each stream pass; no rows without sizes."""
    streams = balance.sizes.streams
    rows = [[s.stream, *_size(s.p80), no_size(s)] for s in streams]
    header = ["stream", "P80 [um]", "±", ""]
    how = f", by a {streams[0].p80.method}" if streams else ""
    return ResultTable(f"Size that 80 % pass{how}", header, rows, 1, 1).trimmed


def passing_tables(balance: Balance, *, brief: bool = False) -> list[ResultTable]:
    """Return what passes each opening, a column a stream; ``brief`` one table without sd."""
    streams = balance.sizes.streams
    parts = 1 if brief else -(-len(streams) // _STREAMS_SIDE_BY_SIDE)
    many = -(-len(streams) // max(parts, 1)) or 1
    tables = []
    for i in range(0, len(streams), many):
        some = streams[i : i + many]
        passing = [{row.retained_um: row.passing for row in s.classes[:-1]} for s in some]
        rows = []
        for opening in balance.survey.sizes.openings:
            if not any(opening in own for own in passing):
                continue
            pairs = (own.get(opening) for own in passing)
            texts = (t for p in pairs for t in (_rounded(p) if brief else _cells(p)))
            rows.append([f"{opening:g}", *texts])
        header = ["opening [um]", *(h for s in some for h in [s.stream, *([] if brief else ["±"])])]
        caption = "Cumulative passing [%]" + (", continued" if i else "")
        tables.append(ResultTable(caption, header, rows, 1))
    return tables


def metal_table(balance: Balance, *, brief: bool = False) -> ResultTable:
    """Return grade and metal of the classes of each stream that has them.

    ``brief`` keeps to what enters and leaves the circuit if the whole is long.
    """
    units = {a.name: a.unit.symbol for a in balance.survey.analytes}
    streams = [s for s in balance.sizes.streams if any(map(_has_metal, s.classes))]
    names = [n for n in units if any(_of(row, n) for s in streams for row in s.classes)]
    caption = "Where the metal is by size"
    if brief and sum(len(s.classes) for s in streams) > _METAL_ROWS_SHOWN:
        inside = {s.name for s in balance.circuit.streams if s.source and s.target}
        outer = [s for s in streams if s.stream not in inside]
        if len(outer) < len(streams):
            caption += ", of what enters and leaves (the others: see --html or --json)"
            streams = outer
    rows = []
    for s in streams:
        for i, row in enumerate(s.classes):
            metal = (
                t for n in names for t in (*_cells(row.grade[n]), *_cells(row.distribution[n]))
            )
            rows.append([s.stream if i == 0 else "", row.label, *_cells(row.share), *metal])
    header = ["stream", "class", "solids [%]", "±"]
    header += [h for n in names for h in (f"{n} [{units[n]}]", "±", f"of the {n} [%]", "±")]
    return ResultTable(caption, header, rows, 2, legend=_METAL_LEGEND)


def _of(row: ClassRow, name: str) -> bool:
    return row.grade[name] is not None or row.distribution[name] is not None


def _has_metal(row: ClassRow) -> bool:
    return any(_of(row, name) for name in row.grade)


def partition_tables(balance: Balance) -> list[ResultTable]:
    """Return for each separator what share of each class reports to its coarse product."""
    names = [a.name for a in balance.survey.analytes]
    tables = []
    for p in balance.sizes.partitions:
        own = [n for n in names if any(row.analytes[n] is not None for row in p.classes)]
        rows = [
            [row.label, *_cells(row.solids), *(t for n in own for t in _cells(row.analytes[n]))]
            for row in p.classes
        ]
        header = ["class", "solids", "±", *(h for n in own for h in (n, "±"))]
        caption = f"Partition at '{p.node}': share that reports to '{p.product}' [%]"
        tables.append(ResultTable(caption, header, rows, 1))
    return tables


def cut_table(balance: Balance, *, brief: bool = False) -> ResultTable:
    """Return cut size and sharpness of each separator; ``brief`` the cut size alone."""
    rows, found = [], balance.sizes.partitions
    circulates = any(p.circulating_load for p in found)
    for p in found:
        sharp = p.sharpness
        row = [p.node, p.product, *_size(sharp.d50)]
        if not brief:
            row += [*_size(sharp.d25), *_size(sharp.d75)]
            row += format_with_sd(sharp.ecart_probable_um, sharp.ecart_probable_sd_um)
            row += format_with_sd(sharp.imperfection, sharp.imperfection_sd)
        sizes = (sharp.d50,) if brief else (sharp.d25, sharp.d50, sharp.d75)
        if circulates:
            row += _cells(p.circulating_load)
        lacking = (f"d{d.percent:g}: {_clause(d.reason)}" for d in sizes if d.size_um is None)
        rows.append([*row, "; ".join(lacking)])
    header = ["separator", "coarse product", "d50 [um]", "±"]
    if not brief:
        header += ["d25 [um]", "±", "d75 [um]", "±", "Ecart probable [um]", "±"]
        header += ["imperfection", "±"]
    header += ["circulating load [%]", "±"] if circulates else []
    header.append("")
    how = f", by a {found[0].sharpness.d50.method}" if found else ""
    caption = f"Cut size of the separators, by the solids{how}"
    legend = () if brief else _CUT_LEGEND
    return ResultTable(caption, header, rows, 2, 1, legend=legend, wraps=True).trimmed


def fit_table(balance: Balance, *, brief: bool = False) -> ResultTable:
    """Return the curves fitted to the partition at each separator; ``brief`` with short reasons."""
    rows = []
    for p in balance.sizes.partitions:
        one = len({fit.reason for fit in p.fits}) == 1 and bool(p.fits[0].reason)
        for i, fit in enumerate(p.fits[:1] if one else p.fits):
            quality = (format_number(fit.chi_square), DASH if fit.dof is None else str(fit.dof),
                       format_p(fit.p).replace("below ", "<"))  # fmt: skip
            law = ", ".join(f.law for f in p.fits) if one else fit.law.value
            remark = _clause(fit.reason) if brief else partition_remark(p, fit)
            rows.append([p.node if i == 0 else "", law, _held(fit),
                         *_cells(fit.d50c_um), *_cells(fit.sharpness), *bypass_cells(fit),
                         *quality, remark if fit.reason else ""])  # fmt: skip
    header = ["separator", "curve", "within the errors it", "d50c [um]", "±", "sharpness", "±",
              "bypass [%]", "±", "chi-square", "degrees of freedom", "p", ""]  # fmt: skip
    caption = "Cut size of the separators without the bypass, by fitted curves"
    below = [said for p in balance.sizes.partitions for said in partition_sentences(p)]
    fitted = any(fit.bypass is not None for p in balance.sizes.partitions for fit in p.fits)
    below += [BYPASS_LEGEND] * fitted
    legend = () if brief else _FIT_LEGEND
    return ResultTable(caption, header, rows, 3, 1, below, legend, wraps=True).trimmed


def _clause(reason: str) -> str:
    """Return the first clause of a reason: the figures stand in the tables."""
    return reason.partition(":")[0].rstrip(".")


def law_table(balance: Balance) -> ResultTable:
    """Return the laws fitted to the cumulative passing of each stream."""
    rows = []
    for s in balance.sizes.streams:
        for i, fit in enumerate(s.fits):
            quality = (format_number(fit.chi_square), DASH if fit.dof is None else str(fit.dof),
                       format_p(fit.p).replace("below ", "<"))  # fmt: skip
            rows.append([s.stream if i == 0 else "", str(fit.law), _held(fit),
                         *_cells(fit.exponent), *_cells(fit.size_um),
                         *quality, fit_remark(fit)])  # fmt: skip
    header = ["stream", "law", "within the errors it", "exponent", "±", "size [um]", "±",
              "chi-square", "degrees of freedom", "p", ""]  # fmt: skip
    caption = "Laws fitted to the cumulative passing"
    return ResultTable(caption, header, rows, 3, 1, legend=_LAW_LEGEND).trimmed


def _held(fit: FittedLaw | FittedPartition) -> str:
    """Return in words how far a fitted curve can be believed."""
    if fit.reason:
        return "is not known"
    if fit.doubt:
        return "does not hold"
    return "is not checked" if fit.dof == 0 else "holds"


def fit_remark(fit: FittedLaw) -> str:
    """Return why no law was fitted, and which openings were left out; empty if all is plain."""
    words = fit.reason[:1].upper() + fit.reason[1:]
    if not fit.reason and fit.dof == 0:
        words = "Two openings, two parameters."
    if fit.left_out_um:
        left = ", ".join(f"{d:g}" for d in fit.left_out_um)
        words += f" Left out, as all or nothing passes: {left} um."
    return words.strip()
