"""A simulation in sentences, as a table and a sheet."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import NamedTuple

from oretally.flowsheet.digits import DASH, format_with_sd
from oretally.io.draw_limits import MOST_DRAWS
from oretally.io.files import SheetTable
from oretally.io.wording.tables import ResultTable
from oretally.recon.result import COVERAGE, AnswerKind, SimulatedAnswer, Simulation

__all__ = ["Simulated", "simulation_sentences", "simulation_sheet",
           "simulation_table"]  # fmt: skip

_LEGEND = (
    "2.5 and 97.5 %: of the draws, that share lies below. Shortest: the narrowest interval that "
    "holds 95 % of them. ± holds where both ends of value ± 1.96 sd are within half a unit of the "
    "first digit of the sd of the simulated ones; it is open where so many draws do not tell.",
)
_NAMED = 3  # answers named in a sentence
_WRONG_SHOWN = 8  # further answers on a terminal whose +- does not hold
_NO_LIMIT = "no limit"
_Row = Sequence[object]


class Simulated(NamedTuple):
    """A simulation with the seed of its generator."""

    found: Simulation
    seed: int


def simulation_sentences(simulated: Simulated) -> tuple[str, ...]:
    """Return what was drawn, and for which answers the ± of the balance holds."""
    found, rows = simulated.found, simulated.found.rows
    told = "all of them balanced"
    if found.failed:
        told = f"{found.failed} of them did not balance and are in no figure"
    drawn = f"{found.draws} surveys drawn about the adjusted values, seed {simulated.seed}: {told}."
    judged = [r for r in rows if r.validation is not None]
    judged.sort(key=lambda r: not _main(r))
    wrong = [r.answer.name for r in judged if r.valid is False]
    open_ = sum(r.valid is None for r in judged)
    held = len(judged) - len(wrong) - open_
    verdict = f"The ± of the balance holds for {held} of {len(judged)} answers (JCGM 101, clause 8)"
    if wrong:
        verdict += f", not for {_named(wrong)}: there go by the limits"
    more = min(10 * found.draws, MOST_DRAWS)
    if open_ and more > found.draws:
        return drawn, f"{verdict}.", f"For {open_} it takes more draws to tell: --draws {more}."
    return drawn, f"{verdict}."


def _named(names: Sequence[str]) -> str:
    rest = len(names) - _NAMED
    return ", ".join(names[:_NAMED]) + (f" and {rest} more" if rest > 0 else "")


def simulation_table(
    simulated: Simulated, *, brief: bool = False, shortest: bool = True
) -> ResultTable:
    """Return the answers with their limits, those left out that no error touches.

    Parameters
    ----------
    simulated : Simulated
    brief : bool
        Whether to show the recoveries and the like of products only, and some of the other answers
        whose ± does not hold.
    shortest : bool
        Whether to show the shortest limits too.
    """
    rows = [r for r in simulated.found.rows if not r.constant]
    if brief:
        main = [r for r in rows if _main(r)]
        wrong = [r for r in rows if r.valid is False and r not in main]
        rows = [*main, *wrong[:_WRONG_SHOWN]]
    header = ["answer", "balance", "±", "mean", "sd", "2.5 %", "97.5 %"]
    header += (["shortest from", "to"] if shortest else []) + ["± holds"]
    balanced = simulated.found.draws - simulated.found.failed
    cells = [_cells(r, balanced, shortest=shortest) for r in rows]
    caption = f"Simulation: {100 * COVERAGE:.0f} % limits"
    return ResultTable(caption, header, cells, 1, 1, legend=_LEGEND)


def _main(r: SimulatedAnswer) -> bool:
    return r.answer.product and r.answer.kind is not AnswerKind.ENRICHMENT


def _cells(r: SimulatedAnswer, balanced: int, *, shortest: bool) -> list[str]:
    a = r.answer
    name = f"{a.name} [{a.unit}]" if a.unit else a.name
    name += f", in {r.draws} draws" if r.draws < balanced else ""
    row = [name, *format_with_sd(a.value, a.sd), *format_with_sd(r.mean, r.sd)]
    for ends in (r.symmetric, r.shortest) if shortest else (r.symmetric,):
        row += [DASH, DASH] if ends is None else [_end(x, r.sd or a.sd) for x in ends]
    return [*row, _held(r)]


def _end(value: float, sd: float | None) -> str:
    return format_with_sd(value, sd)[0] if isfinite(value) else _NO_LIMIT


def _held(r: SimulatedAnswer) -> str:
    if r.validation is None:
        return ""
    return {True: "yes", False: "no", None: "open"}[r.valid]


def simulation_sheet(simulated: Simulated) -> SheetTable:
    """Return title, header and rows of the sheet; a pair (value, sd) is shown with its digits."""
    rows: list[_Row] = [(sentence,) for sentence in simulation_sentences(simulated)]
    for r in simulated.found.rows:
        a, sd = r.answer, r.sd or r.answer.sd
        ends = [x for pair in (r.symmetric, r.shortest) for x in (pair or (None, None))]
        rows.append((
            a.name, a.unit, (a.value, a.sd), (a.sd, a.sd), (r.mean, sd), (r.sd, sd),
            *(_NO_LIMIT if x is not None and not isfinite(x) else (x, sd) for x in ends),
            r.draws, _held(r),
        ))  # fmt: skip
    header = ("answer", "unit", "balance", "sd", "mean", "sd of the draws", "2.5 %", "97.5 %",
              "shortest from", "to", "draws", "± holds")  # fmt: skip
    return "simulation", header, rows
