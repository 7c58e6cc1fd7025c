"""Where metal is lost: by hand and against simulation."""

from __future__ import annotations

import numpy as np
import pytest
from balance_cases import only_balanced
from loss_cases import (
    BOTH_RICH,
    COARSE_RICH,
    EVEN,
    MASS,
    TABLE,
    Floats,
    loss_case,
    loss_survey,
    only_loss,
)
from often import often

from oretally.flowsheet import (
    balance_problem,
    positions,
)
from oretally.recon.losses.deciding_test import (
    ALPHA,
)
from oretally.recon.propagation import sidak_limit
from oretally.recon.result import End, Standing
from oretally.recon.solver.prepared import Prepared


def test_a_loss_by_hand() -> None:
    """Tails of 100 kg with the metal of each class in kg, over 102 kg of feed at 1 %."""
    loss = only_loss(loss_case("coarse"))
    assert (loss.stream, loss.analyte, loss.unit, loss.of) == ("tails", "Sn", "%", "feed")
    assert loss.kept == ("conc",)
    metal = MASS * COARSE_RICH / 100.0
    whole = float(metal.sum())
    assert loss.percent[0] == pytest.approx(100.0 * whole / 1.02)
    assert loss.grade is not None and loss.grade[0] == pytest.approx(whole)
    assert [p.label for p in loss.parts] == ["+300 um", "-300+150 um", "-150+75 um", "-75+38 um",
                                             "-38 um"]  # fmt: skip
    for c, part in enumerate(loss.parts):
        found = (part.solids, part.grade, part.of_loss, part.of_feed, part.against_loss,
                 part.against_head)  # fmt: skip
        told = [pair[0] for pair in found if pair is not None]
        assert told == pytest.approx([
            MASS[c], COARSE_RICH[c], 100.0 * metal[c] / whole, 100.0 * metal[c] / 1.02,
            COARSE_RICH[c] / whole, COARSE_RICH[c],
        ])  # fmt: skip
    coarse, fine = loss.ends
    assert (coarse.end, coarse.part.label) == (End.COARSE, "+300 um")  # 18 % is nearest to 20 %
    assert (fine.end, fine.part.label) == (End.FINE, "-38 um")
    assert coarse.against_loss is Standing.RICHER and coarse.against_head is Standing.POORER
    assert coarse.matters and not fine.matters


def test_the_coarse_end_may_be_several_classes() -> None:
    mass = np.array([4.0, 17.0, 40.0, 24.0, 15.0])
    loss = only_loss(only_balanced(TABLE, loss_survey(COARSE_RICH, mass=mass)))
    coarse = loss.ends[0].part
    assert coarse.label == "+150 um"  # 4 % and 21 %: the second is nearer to a fifth
    assert coarse.grade is not None
    assert coarse.grade[0] == pytest.approx((4.0 * 0.80 + 17.0 * 0.30) / 21.0)


def test_sds_of_a_loss_agree_with_simulation() -> None:
    """Surveys drawn with the stated errors: the sd of an sd of n is 1/sqrt(2n)."""
    survey = loss_survey(BOTH_RICH)
    problem, n = balance_problem(TABLE, survey), often(600, 0.1)
    rng = np.random.default_rng(70)

    def drawn(value: Floats, sd: Floats) -> Floats:
        noise = rng.standard_normal((n, *value.shape))
        return np.asarray(value + np.where(np.isfinite(sd), sd, 0.0) * noise)

    many = Prepared(problem).solve_many(
        drawn(problem.flow, problem.flow_sd), drawn(problem.grade, problem.grade_sd)
    )
    assert many.converged.all()
    first = positions(TABLE, survey).carriers.classes[2]
    F, x = many.flow, many.grade[:, 0]
    metal = F[:, first : first + 5] * x[:, first : first + 5]
    feed, whole = F[:, 0] * x[:, 0], F[:, 2] * x[:, 2]
    parts = only_loss(loss_case("both")).parts
    for c in (0, 2, 4):
        pairs = (parts[c].of_loss, parts[c].of_feed, parts[c].against_loss, parts[c].against_head)
        simulated = (100.0 * metal[:, c] / whole, 100.0 * metal[:, c] / feed,
                     x[:, first + c] / x[:, 2], x[:, first + c] / x[:, 0])  # fmt: skip
        for pair, found in zip(pairs, simulated, strict=True):
            assert pair is not None
            assert found.std(ddof=1) == pytest.approx(pair[1], rel=4.0 / (2 * n) ** 0.5)
            assert found.mean() == pytest.approx(pair[0], abs=5.0 * pair[1] / n**0.5)


def test_an_end_is_called_richer_no_oftener_than_said() -> None:
    """Tails of one grade throughout: an end stands out, either way, in 5 % of surveys."""
    survey, n = loss_survey(EVEN), often(750, 0.13)
    problem = balance_problem(TABLE, survey)
    rng = np.random.default_rng(71)

    def drawn(value: Floats, sd: Floats) -> Floats:
        noise = rng.standard_normal((n, *value.shape))
        return np.asarray(value + np.where(np.isfinite(sd), sd, 0.0) * noise)

    many = Prepared(problem).solve_many(
        drawn(problem.flow, problem.flow_sd), drawn(problem.grade, problem.grade_sd)
    )
    first = positions(TABLE, survey).carriers.classes[2]
    parts, limit = only_loss(loss_case("even")).parts, sidak_limit(ALPHA, 2)
    out = np.zeros(n, bool)
    for c in (0, 4):
        pair = parts[c].against_loss
        assert pair is not None
        out |= np.abs(many.grade[:, 0, first + c] / many.grade[:, 0, 2] - 1.0) > limit * pair[1]
    assert out.mean() == pytest.approx(ALPHA, abs=4.0 * (ALPHA * (1.0 - ALPHA) / n) ** 0.5)
