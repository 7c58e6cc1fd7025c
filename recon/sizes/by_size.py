"""What a balance says by size: distributions, P80, grade and metal by class, partition curves."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from oretally.flowsheet import BalanceModel, Position
from oretally.flowsheet.survey import Run
from oretally.recon.propagation import Adjusted, Derived, value_at
from oretally.recon.result import (
    ClassRow,
    Estimate,
    FittedLaw,
    NoFit,
    SizeLaw,
    SizeResults,
    StreamSizes,
)
from oretally.recon.sizes.distribution import (
    SizeDistribution,
    fit_size_law,
    passing_size,
    passing_slopes,
    size_distribution,
)
from oretally.recon.sizes.reader import SizeReader
from oretally.recon.sizes.separators import circulating_load, partitioned
from oretally.recon.solver import Covariance

__all__ = ["LOAD", "P80", "by_size", "size_answers"]

P80, LOAD = "P80", "circulating load"
_P80 = 80.0
_UM = 1e-6


def by_size(model: BalanceModel, covariance: Covariance) -> SizeResults:
    """Return the results by size, for streams whose distribution the balance gives."""
    if not model.carriers.classes:
        return SizeResults()
    reader = SizeReader(model, covariance)
    streams = [_stream(reader, j) for j in sorted(model.carriers.classes)]
    partitions = [partitioned(model.circuit, reader, node) for node in model.circuit.nodes]
    return SizeResults(
        tuple(s for s in streams if s is not None), tuple(p for p in partitions if p is not None)
    )


def size_answers(
    model: BalanceModel, covariance: Covariance, streams: Sequence[str]
) -> dict[tuple[str, str], Adjusted]:
    """Return the P80 of streams in m, and the circulating load at each node as a share.

    By what it is and where, without what the balance does not give.
    """
    if not model.carriers.classes:
        return {}
    reader, found = SizeReader(model, covariance), dict[tuple[str, str], Adjusted]()
    for name in streams:
        shares, sizes = _distribution(reader, model.carriers.streams.index(name))
        at = None if sizes is None else passing_slopes(sizes, _P80)
        if at is not None:
            slopes = zip(shares, at[1].tolist(), strict=True)
            of_share = Derived(at[0], {p: slope for p, slope in slopes if slope})
            found[P80, name] = _UM * of_share
    for node in model.circuit.nodes:
        load = circulating_load(model.circuit, reader, node)
        if load is not None:
            found[LOAD, node.name] = load
    return found


def _distribution(reader: SizeReader, j: int) -> tuple[list[Position], SizeDistribution | None]:
    """Return where the shares of a stream stand, and its distribution; None if it is not known."""
    runs = reader.known_runs(j)
    shares = [reader.share(j, run) for run in runs]
    s, V = (
        np.array([value_at(reader.covariance, p) for p in shares]),
        reader.covariance.joint(shares),
    )
    if not (len(runs) > 1 and np.isfinite(V).all() and s.sum() > 0.0):
        return shares, None
    return shares, size_distribution(reader.openings(runs), np.maximum(s, 0.0), V)


def _stream(reader: SizeReader, j: int) -> StreamSizes | None:
    """Return the sizes of a stream; None if the balance does not give them."""
    shares, sizes = _distribution(reader, j)
    if sizes is None:
        return None
    runs, openings = reader.known_runs(j), sizes.opening_um
    s, V = (
        np.array([value_at(reader.covariance, p) for p in shares]),
        reader.covariance.joint(shares),
    )
    sd = np.sqrt(np.maximum(np.diag(V), 0.0))
    passed_sd = sizes.passing_sd if sizes.passing_sd is not None else np.zeros(len(openings))
    passing: list[Estimate | None] = [
        (100.0 * float(p), 100.0 * float(e)) for p, e in zip(sizes.passing, passed_sd, strict=True)
    ]
    passing.append(None)
    analytes, rows = reader.survey.analytes, list[ClassRow]()
    for c, run in enumerate(runs):
        low, high = reader.grid.bounds(run)
        rows.append(
            ClassRow(
                reader.grid.label(run), low, high,
                (100.0 * float(s[c]), 100.0 * float(sd[c])), passing[c],
                {a.name: _grade(reader, k, j, run) for k, a in enumerate(analytes)},
                {a.name: _of_metal(reader, k, j, run) for k, a in enumerate(analytes)},
            )
        )  # fmt: skip
    return StreamSizes(
        reader.carriers.streams[j], tuple(rows), passing_size(sizes, _P80),
        tuple(_fitted(sizes, law) for law in SizeLaw),
    )  # fmt: skip


def _grade(reader: SizeReader, k: int, j: int, run: Run) -> Estimate | None:
    """Return the grade of an analyte in a run of a stream, in its unit."""
    at, unit = reader.grade(k, j, run), reader.survey.analytes[k].unit
    found = None if at is None else reader.estimate(reader.at(at))
    return None if found is None else (unit.from_base(found[0]), unit.from_base(found[1]))


def _of_metal(reader: SizeReader, k: int, j: int, run: Run) -> Estimate | None:
    """Return what share of a stream's analyte is in a run, in percent."""
    at, share, whole = reader.grade(k, j, run), reader.share(j, run), Position(k, j)
    bulk = reader.at(whole)
    if at is None or not bulk.value > 0.0:
        return None
    return reader.estimate(100.0 * reader.at(share) * reader.at(at) / bulk)


def _fitted(sizes: SizeDistribution, law: SizeLaw) -> FittedLaw:
    """Return a law fitted to a distribution that has a covariance, or why there is none."""
    fit = fit_size_law(sizes, law)
    if isinstance(fit, NoFit):
        return FittedLaw(law, reason=fit.reason)
    found = [
        (float(value), float(sd))
        for value, sd in ((fit.exponent, fit.exponent_sd), (fit.size_um, fit.size_sd_um))
        if sd is not None and np.isfinite([value, sd]).all()
    ]
    if len(found) < 2:
        return FittedLaw(law, reason=f"the weighted fit of the {law} law gives no sd.")
    return FittedLaw(law, found[0], found[1], fit.chi_square, fit.dof, fit.p, fit.left_out_um,
                     fit.doubt)  # fmt: skip
