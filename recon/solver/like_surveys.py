"""Surveys with values in the same places, made ready once: as they are, and with streams lost."""

from __future__ import annotations

from oretally.flowsheet import BalanceProblem, NotBalanceable
from oretally.recon.solver.changed_surveys import ChangedSurvey, with_losses
from oretally.recon.solver.prepared import Prepared, prepare

__all__ = ["LikeSurveys", "made_ready"]


class LikeSurveys:
    """What surveys with values in the same places have in common, with streams of losses too.

    Parameters
    ----------
    ready : Prepared
        One of them. Of an exact value each survey has the same.
    """

    def __init__(self, ready: Prepared) -> None:
        self.ready = ready
        self._with_losses: dict[tuple[tuple[int, bool], ...], Prepared | None] = {}

    def with_losses(self, variant: ChangedSurvey) -> Prepared | None:
        """Return what is ready for variants with losses at the same nodes; None if nothing is.

        The grades of what is lost are exact and may be others in each variant: they are no part of
        what is made ready as long as each balance has a grade that is not exact.
        """
        losses = variant.losses
        key = tuple((node, size >= 0.0) for node, (_, size) in losses.items())
        if key not in self._with_losses:
            exact = (self.ready.problem.grade_sd == 0.0).any()
            ready = None if exact else made_ready(with_losses(self.ready.problem, losses))
            self._with_losses[key] = ready
        return self._with_losses[key]


def made_ready(problem: BalanceProblem) -> Prepared | None:
    """Make a problem ready if variants of it can be balanced side by side."""
    if len(problem.proportion):
        return None
    try:
        ready = prepare(problem)
    except NotBalanceable:
        return None
    return ready if ready.blocks.alike and not ready.blocks.is_large else None
