"""Results by size as sheets of the result workbook, and the size data as it was given."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from math import isfinite

from oretally.flowsheet import Measurement, Survey
from oretally.flowsheet.survey import Kind, class_grade, class_share, meanings
from oretally.io.cells import quantity_unit
from oretally.io.files import Sheet, SheetTable, with_sd
from oretally.io.wording import fit_remark, partition_remark
from oretally.recon.result import Balance, SizeAt

__all__ = ["of_class", "size_data_sheet", "size_sheet", "value_cells"]

_Cell = object
_Row = Sequence[_Cell]
_Pair = tuple[float, float] | None


def _cells(pair: _Pair) -> tuple[_Cell, _Cell]:
    """Return value and sd, shown with the digits that the sd leaves."""
    return (None, None) if pair is None else with_sd(*pair)


def size_sheet(balance: Balance) -> Sheet:
    """Return the results by size: classes of the streams, partition, recovery, single figures."""
    return "by size", list(_tables(balance)) if balance.sizes.streams else []


def _tables(balance: Balance) -> Iterable[SheetTable]:
    found = balance.sizes
    units = {a.name: a.unit.symbol for a in balance.survey.analytes}
    yield (
        "Solids and analytes by size",
        ("stream", "class", "passed [um]", "retained [um]", "solids [%]", "sd", "passing [%]", "sd",
         *(h for n, u in units.items() for h in (f"{n} [{u}]", "sd", f"of the {n} [%]", "sd"))),
        [
            (s.stream, r.label, r.passed_um if isfinite(r.passed_um) else None, r.retained_um,
             *_cells(r.share), *_cells(r.passing),
             *(c for n in units for c in (*_cells(r.grade[n]), *_cells(r.distribution[n]))))
            for s in found.streams
            for r in s.classes
        ],
    )  # fmt: skip
    yield (
        "Partition: share to the coarse product",
        ("separator", "coarse product", "class", "size [um]", "solids [%]", "sd",
         *(h for n in units for h in (f"{n} [%]", "sd"))),
        [
            (p.node, p.product, r.label, r.size_um, *_cells(r.solids),
             *(c for n in units for c in _cells(r.analytes[n])))
            for p in found.partitions
            for r in p.classes
        ],
    )  # fmt: skip
    yield (
        "Recovery by size, to the richest product",
        ("separator", "product", "analyte", "class", "recovery [%]", "sd"),
        [
            (r.node, r.product, r.analyte, label, *_cells(share))
            for r in balance.losses.by_separator
            for label, share in r.classes
        ],
    )
    yield (
        "Sizes and fitted laws",
        ("of", "figure", "value", "sd", "unit", "note"),
        _figures(balance),
    )


def _figures(balance: Balance) -> Iterable[_Row]:
    """Yield what is one number for a stream or a separator."""
    for s in balance.sizes.streams:
        at = s.p80
        yield s.stream, "P80", *with_sd(at.size_um, at.sd_um), "um", _how(at)
        for fit in s.fits:
            note = " ".join(words for words in (fit.doubt, fit_remark(fit)) if words)
            yield s.stream, f"{fit.law} exponent", *_cells(fit.exponent), "", note
            yield s.stream, f"{fit.law} size", *_cells(fit.size_um), "um", note
    for p in balance.sizes.partitions:
        sharp = p.sharpness
        if p.circulating_load is not None:
            yield p.node, "circulating load", *_cells(p.circulating_load), "%", ""
        for d in (sharp.d25, sharp.d50, sharp.d75):
            figure = f"d{d.percent:g}"
            yield p.node, figure, *with_sd(d.size_um, d.sd_um), "um", _how(d)
        for name, value, sd, unit in (
            ("Ecart probable", sharp.ecart_probable_um, sharp.ecart_probable_sd_um, "um"),
            ("imperfection", sharp.imperfection, sharp.imperfection_sd, ""),
            ("kappa, d25/d75", sharp.kappa, sharp.kappa_sd, ""),
        ):
            yield p.node, name, *with_sd(value, sd), unit, sharp.reason
        for curve in p.fits:
            note = " ".join(w for w in (curve.doubt, partition_remark(p, curve)) if w)
            yield p.node, f"{curve.law} d50c", *_cells(curve.d50c_um), "um", note
            yield p.node, f"{curve.law} sharpness", *_cells(curve.sharpness), "", note
            yield p.node, f"{curve.law} bypass", *_cells(curve.bypass), "%", note
            low, high = curve.bypass_range or (None, None)
            yield p.node, f"{curve.law} bypass, least", low, None, "%", note
            yield p.node, f"{curve.law} bypass, most", high, None, "%", note


def _how(at: SizeAt) -> str:
    """Return how a size was found, or why there is none."""
    return at.reason or f"by a {at.method}"


def of_class(survey: Survey) -> frozenset[str]:
    """Return the quantities that are of size classes: they have a table of their own."""
    kinds = (Kind.SHARE, Kind.CLASS_GRADE)
    return frozenset(q for q, meaning in meanings(survey).items() if meaning.kind in kinds)


def size_data_sheet(
    survey: Survey, written: Mapping[tuple[str, str], _Row]
) -> Iterable[SheetTable]:
    """Yield the sheet 'sizes' of a case, if anything was sieved.

    Parameters
    ----------
    survey : Survey
    written : mapping of (str, str) to sequence
        For stream and quantity the row of its measurement in long form: stream, quantity, value,
        unit, error, ...
    """
    grid, classes = survey.sizes, of_class(survey)
    measured = [m for m in survey.measurements if m.quantity in classes]
    if not measured:
        return
    units: dict[str, str] = {}
    for analyte in survey.analytes:
        names = {class_grade(analyte.name, grid.label(run)) for run in grid.all_runs}
        own = [m.unit.symbol for m in measured if m.quantity in names]
        if own:
            units[analyte.name] = max(own, key=own.count)
    rows: list[_Row] = []
    for stream in dict.fromkeys(m.stream for m in measured):
        for run in sorted(grid.all_runs):
            label = grid.label(run)
            found = [survey.measured(stream, class_share(label))]
            found += [survey.measured(stream, class_grade(name, label)) for name in units]
            if any(m is not None for m in found):
                low, high = grid.bounds(run)
                cells = (c for m, u in zip(found, ("%", *units.values()), strict=True)
                         for c in value_cells(m, u, written))  # fmt: skip
                rows.append((stream, high if isfinite(high) else None, low, *cells))
    columns = {"mass": "%", **units}
    header = [f"{mark}{name} [{u}]" for name, u in columns.items() for mark in ("", "± ")]
    yield "sizes", ("stream", "passing [um]", "retained [um]", *header), rows


def value_cells(
    m: Measurement | None, unit: str, written: Mapping[tuple[str, str], _Row]
) -> tuple[_Cell, _Cell]:
    """Return value and error in the unit of their column; a limit names its own unit."""
    if m is None:
        return None, None
    value, error = written[m.stream, m.quantity][2], written[m.stream, m.quantity][4]
    if isinstance(value, str):
        return (value if m.unit.symbol == unit else f"{value} {m.unit}"), None
    if m.unit.symbol == unit:
        return value, error
    column = quantity_unit(m.quantity, unit, m.unit.dimension)
    return (float(column.from_base(m.value_base)), float(column.from_base(m.unit.to_base(m.sd))))
