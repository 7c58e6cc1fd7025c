"""Many surveys of one circuit: the same answers as one at a time, many times quicker."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence

import numpy as np

from oretally.flowsheet import Circuit, Fault, InputError, Survey
from oretally.flowsheet.arrays import Ints
from oretally.recon.many import Asked, ManyBalances, SurveyTable, in_a_row
from oretally.recon.many_chunk import balance_chunk
from oretally.recon.numerics import shared

__all__ = ["CHUNK", "chunks_of", "reconcile_many"]

CHUNK = 2_000
"""Surveys sent to a worker together, at least: how many do not depend on how many work."""

_ROWS = 20_000  # of arrays, at most
_PARTS = 8  # of fewer surveys than that: enough for a few workers


def reconcile_many(
    circuit: Circuit,
    surveys: Sequence[Survey] | SurveyTable,
    *,
    feed: str | Sequence[str] | None = None,
    products: Sequence[str] | None = None,
    suspects: bool = False,
    below: float = 1.0,
    workers: int = 1,
    say: Callable[[str], None] = lambda _: None,
) -> ManyBalances:
    """Balance many surveys of one circuit.

    Surveys with values in the same places are balanced side by side, those that need care or hold
    what that way does not take (sizes, water, errors that are shared) one at a time. The answers
    are those of `oretally.recon.reconcile`.

    Parameters
    ----------
    circuit : Circuit
    surveys : sequence of Survey, or SurveyTable
        The latter for millions: readings as arrays.
    feed, products : optional
        As for `oretally.recon.reconcile`.
    suspects : bool
        Whether to look for wrong numbers too, in many surveys side by side where they are
        balanced so.
    below : float
        Look only where a test doubts the survey: where the p of the global test, or of the largest
        standardised adjustment among all of the survey, is smaller than this. 1 looks at every one.
    workers : int
        Processes that share the work; a script that asks for more than one needs the guard
        ``if __name__ == "__main__"``.
    say : callable, optional
        Is told how far it is.

    Returns
    -------
    ManyBalances
        A survey without a balance has its reason in it, and stops no other.

    Raises
    ------
    InputError
        If ``feed`` or ``products`` name no stream, or ``below`` is no chance.

    Examples
    --------
    >>> from oretally.flowsheet import Analyte, Basis, Measurement, Survey, parse_unit
    >>> circuit = Circuit.build(
    ...     {"feed": (None, "table"), "conc": ("table", None), "tails": ("table", None)})
    >>> kg, percent = parse_unit("kg"), parse_unit("%")
    >>> surveys = [
    ...     Survey(Basis.BATCH, kg, (Analyte("Sn", percent),), (
    ...         Measurement("feed", "dry mass", mass, kg, 0.1),
    ...         Measurement("feed", "Sn", 0.80, percent, 0.02),
    ...         Measurement("conc", "Sn", 30.0, percent, 0.5),
    ...         Measurement("tails", "Sn", 0.30, percent, 0.01)))
    ...     for mass in (24.0, 25.0, 26.0)]
    >>> found = reconcile_many(circuit, surveys)
    >>> found.column("recovery", "conc", "Sn").round(1).tolist()
    [63.1, 63.1, 63.1]
    """
    if not 0.0 <= below <= 1.0:
        problem = f"'below' is {below}: it is a chance, which lies between 0 and 1."
        mend = "Give 0.01 to look where a test doubts the survey at 1 %, or 1 to look at every one."
        raise InputError([Fault(problem, mend)])
    asked = Asked(
        feed if feed is None or isinstance(feed, str) else tuple(feed),
        None if products is None else tuple(products), suspects, below,
    )  # fmt: skip
    parts = list(chunks_of(surveys))
    tasks = [(circuit, part, asked) for _, part in parts]
    if workers > 1 and len(tasks) > 1:
        found = shared(balance_chunk, tasks, workers)
    else:
        found = (balance_chunk(*task) for task in tasks)
    done, n = list[tuple[Ints, ManyBalances]](), 0
    for (numbers, _), part in zip(parts, found, strict=True):
        done.append((numbers, part))
        n += part.n
        say(f"balanced {n} of {len(surveys)} surveys")
    return ManyBalances.joined(done)


def chunks_of(
    surveys: Sequence[Survey] | SurveyTable,
) -> Iterator[tuple[Ints, Sequence[Survey] | SurveyTable]]:
    """Yield so many surveys at a time, with their numbers.

    Of arrays more, and those with values in the same places after one another: what they have in
    common is then worked out once, or twice.
    """
    n = len(surveys)
    if isinstance(surveys, SurveyTable):
        size = min(max(-(-n // _PARTS), CHUNK), _ROWS)
        order = np.concatenate([np.zeros(0, np.intp), *(rows for _, rows in surveys.patterns())])
        for i in range(0, n, size):
            numbers = order[i : i + size]
            yield numbers, surveys.rows(in_a_row(numbers))
    else:
        for i in range(0, n, CHUNK):
            yield np.arange(i, min(i + CHUNK, n)), surveys[i : i + CHUNK]
