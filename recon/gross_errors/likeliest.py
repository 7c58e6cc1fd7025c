"""The likeliest wrong number of each of many surveys, and nothing else of it.

What `oretally.recon.gross_errors.findings.gross_errors` names first, by the same search: what the
searches want balanced again is balanced side by side.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from oretally.flowsheet import BalanceModel, Position
from oretally.recon.gross_errors.error_names import ErrorNames
from oretally.recon.gross_errors.search import SuspectSearch, diagnose_together
from oretally.recon.gross_errors.suspects import doubts
from oretally.recon.gross_errors.told_slips import ToldSlips
from oretally.recon.kinetics import LeachEvidence
from oretally.recon.other_surveys import UsualReading
from oretally.recon.result import ErrorPlace, ErrorRates
from oretally.recon.signatures import PossibleSlips
from oretally.recon.solution import Solution
from oretally.recon.solver import LikeSurveys, Refitter

__all__ = ["Likeliest", "likeliest_suspects", "search_in"]


@dataclass(frozen=True, slots=True)
class Likeliest:
    """The likeliest suspect of a survey.

    Attributes
    ----------
    group : tuple of ErrorPlace
        Errors that no data tell apart, the likeliest first; of a mix-up all that was mixed up.
    together : bool
        Whether all of them are wrong at once.
    probability : float
    """

    group: tuple[ErrorPlace, ...]
    together: bool
    probability: float


def likeliest_suspects(
    balanced: Sequence[tuple[BalanceModel, Solution]], like: LikeSurveys
) -> list[Likeliest | None]:
    """Return the likeliest suspect of each survey; None where nothing is likely to be wrong.

    Parameters
    ----------
    balanced : sequence of (BalanceModel, Solution)
        Surveys of one circuit without exact values, without a leach over time, in which no stream
        stands still, with their balances.
    like : LikeSurveys
        Surveys with values in the same places, made ready for the fast ways.
    """
    searches = [
        search_in(model, solution, ErrorRates(), Refitter(model.problem, solution, like=like))
        for model, solution in balanced
    ]
    found = list[Likeliest | None]()
    for search, diagnosis in zip(searches, diagnose_together(searches), strict=True):
        told = ToldSlips(diagnosis, search.slips, search.changes, search.refitter)
        doubt = next(iter(doubts(diagnosis, told)), None)
        names, signatures = ErrorNames(balanced[len(found)][0]), diagnosis.at_best.signatures
        found.append(None if doubt is None else Likeliest(
            names.places(signatures, doubt.rows), doubt.mixed is not None, doubt.probability
        ))  # fmt: skip
    return found


def search_in(
    model: BalanceModel, solution: Solution, rates: ErrorRates, refitter: Refitter,
    course: LeachEvidence | None = None,
    usual: Mapping[tuple[str, str], UsualReading] | None = None,
) -> SuspectSearch:  # fmt: skip
    """Return the search of one survey, which has the problem of the refitter.

    ``rates`` are those of any survey, ``usual`` what the other surveys of a campaign say.
    """
    survey = model.survey
    measured = sum(survey.measured(r.stream, r.quantity) is not None for r in model.positions.rows)
    rates = rates.in_survey(measured)
    return SuspectSearch(
        refitter.problem, solution, _slips(model, rates, usual or {}), rates,
        len(model.circuit.nodes), refitter, course,
    )  # fmt: skip


def _slips(
    model: BalanceModel, rates: ErrorRates, usual: Mapping[tuple[str, str], UsualReading]
) -> PossibleSlips:
    at = model.positions
    named, sources = at.named, at.sources
    known: dict[tuple[str, ...], float] = {}

    def rate(place: Position) -> float:
        source = sources.get(place)
        quantity = named[place][1] if source is None else source.quantity
        parts: tuple[str, ...] = ()
        if rates.by_source:
            m = slips.written.get(place)
            own = [] if m is None else [p.source for p in m.parts]
            parts = (source.name,) if source else tuple(own)
        key = (quantity, *parts)
        if key not in known:
            known[key] = rates.of(quantity, parts)
        return known[key]

    slips = PossibleSlips(model.survey, at, rate, rates.measurement, usual)
    return slips
