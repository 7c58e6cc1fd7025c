"""Shared sources of error: against closed forms, an independent optimiser and simulation."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import scipy.optimize
from balance_cases import only_balanced
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from often import often

from oretally.flowsheet import (
    Analyte,
    Basis,
    Circuit,
    ErrorPart,
    InputError,
    Measurement,
    Position,
    SharedSource,
    Survey,
    balance_problem,
    parse_unit,
    positions,
)
from oretally.flowsheet.survey import combined_sd, effective_dof
from oretally.recon import reconcile
from oretally.recon.result import ErrorOrigin, ErrorRates, RecoveryBudget
from oretally.recon.signatures import signatures_of
from oretally.recon.solver import prepare, propagate, solve

Floats = NDArray[np.float64]
Reader = Callable[[str], dict[str, Any]]
KG, PERCENT = parse_unit("kg"), parse_unit("%")

TABLE = Circuit.build(
    {"feed": (None, "table"), "conc": ("table", None), "mids": ("table", None),
     "tails": ("table", None)}
)  # fmt: skip
TRUE = {"feed": (25.0, 0.8), "conc": (0.4, 30.0), "mids": (2.0, 1.5), "tails": (22.6, 5.0 / 22.6)}
SCALE = SharedSource("scale", "dry mass", {s: 0.01 * F for s, (F, _) in TRUE.items()})
TARE = SharedSource("tare", "dry mass", {"conc": 0.02, "mids": 0.02})
LAB = SharedSource(
    "batch", "Sn", {s: 0.03 * x / 100.0 for s, (_, x) in TRUE.items() if s != "feed"}
)


def table_survey(
    shared: tuple[SharedSource, ...], rng: np.random.Generator | None = None, told: bool = True,
    size: dict[str, float] | None = None,
) -> Survey:  # fmt: skip
    """Return a survey of the table: errors drawn from ``rng``, and sources of a given ``size``."""
    u = {s.name: 0.0 if rng is None else rng.standard_normal() for s in shared} | (size or {})
    found = []
    for stream, (F, x) in TRUE.items():
        for quantity, value, unit, relative in (
            ("dry mass", F, KG, 0.005), ("Sn", x, PERCENT, 0.02)
        ):  # fmt: skip
            own = relative * value
            loadings = {
                s.name: unit.from_base(s.loadings[stream])
                for s in shared
                if s.quantity == quantity and stream in s.loadings
            }
            parts = [ErrorPart("stated error", own)]
            parts += [ErrorPart(name, abs(L), True) for name, L in loadings.items()]
            off = 0.0 if rng is None else own * rng.standard_normal()
            value += off + sum(u[name] * L for name, L in loadings.items())
            found.append(
                Measurement(stream, quantity, value, unit, combined_sd(parts), parts=tuple(parts))
            )
    return Survey(Basis.BATCH, KG, (Analyte("Sn", PERCENT),), tuple(found),
                  shared=shared if told else ())  # fmt: skip


def stated_covariance(survey: Survey) -> Floats:
    """Return the covariance of all measurements, in base units, in the order of the survey."""
    V = np.diag([survey.own_variance(m) for m in survey.measurements])
    for s in survey.shared:
        L = np.array([s.loadings.get(m.stream, 0.0) if m.quantity == s.quantity else 0.0
                      for m in survey.measurements])  # fmt: skip
        V = V + np.outer(L, L)
    return V


def test_variance_is_the_law_of_propagation() -> None:
    survey = table_survey((SCALE, TARE, LAB))
    rng = np.random.default_rng(3)
    g = rng.standard_normal(len(survey.measurements))
    slopes = {(m.stream, m.quantity): d for m, d in zip(survey.measurements, g, strict=True)}
    assert survey.variance(slopes) == pytest.approx(g @ stated_covariance(survey) @ g, rel=1e-12)


def test_gum_h2_correlated_inputs(reference: Reader) -> None:
    """JCGM 100:2008 (GUM), annex H.2: R, X, Z from five simultaneous readings.

    Their correlations are written as shared sources: the Cholesky factor of what is left when each
    keeps a part of its own.
    """
    r = reference("gum_h2_correlated")
    data = np.array([r["inputs"][k] for k in ("V_volt", "I_milliampere", "phi_radian")])
    data[1] *= 1e-3
    mean, C = data.mean(axis=1), np.cov(data) / data.shape[1]
    sd = np.sqrt(np.diag(C))
    own = 0.5 * np.linalg.eigvalsh(C / np.outer(sd, sd))[0]
    L = np.linalg.cholesky(C / np.outer(sd, sd) - own * np.eye(3)) * sd[:, None]
    names = ("V", "I", "phi")
    survey = Survey(
        Basis.BATCH, KG, (),
        tuple(
            Measurement(n, "dry mass", v, KG, s) for n, v, s in zip(names, mean, sd, strict=True)
        ),
        shared=tuple(
            SharedSource(f"u{i}", "dry mass", dict(zip(names, L[:, i], strict=True)))
            for i in range(3)
        ),
    )  # fmt: skip
    V, current, phi = mean
    cos, sin = np.cos(phi), np.sin(phi)
    slopes = {
        "R": np.array([cos / current, -V * cos / current**2, -V * sin / current]),
        "X": np.array([sin / current, -V * sin / current**2, V * cos / current]),
        "Z": np.array([1.0 / current, -V / current**2, 0.0]),
    }

    def variance(g: Floats) -> float:
        return survey.variance({(n, "dry mass"): d for n, d in zip(names, g, strict=True)})

    published = r["published"]
    for name, tolerance in (("R", 6e-4), ("X", 1e-3), ("Z", 6e-4)):
        assert variance(slopes[name]) ** 0.5 == pytest.approx(published[f"u_{name}"], abs=tolerance)
    for a, b in (("R", "X"), ("R", "Z"), ("X", "Z")):
        both = variance(slopes[a] + slopes[b]) - variance(slopes[a] - slopes[b])
        correlation = both / 4.0 / (variance(slopes[a]) * variance(slopes[b])) ** 0.5
        assert correlation == pytest.approx(published[f"r_{a}{b}"], abs=6e-4)


def test_gum_h1_budget(reference: Reader) -> None:
    """JCGM 100:2008 (GUM), annex H.1: the end gauge's budget, and its degrees of freedom."""
    r = reference("gum_h1_gauge_block")
    inputs, published = r["inputs"], r["published"]
    ls = inputs["ls_nm"]
    parts = [
        ErrorPart("standard", ls["u"], dof=ls["dof"]),
        *(ErrorPart(f"comparison {i}", d["u"], dof=d["dof"])
          for i, d in enumerate(inputs["d_nm"])),
        ErrorPart(
            "difference of expansion", ls["value"] * abs(inputs["theta_C"]["mean"])
            * inputs["delta_alpha_per_C"]["half_width_uniform"] / 3.0**0.5,
            dof=inputs["delta_alpha_per_C"]["dof"],
        ),
        ErrorPart(
            "difference of temperature", ls["value"] * inputs["alpha_s_per_C"]["value"]
            * inputs["delta_theta_C"]["half_width_uniform"] / 3.0**0.5,
            dof=inputs["delta_theta_C"]["dof"],
        ),
    ]  # fmt: skip
    assert combined_sd(parts) == pytest.approx(published["u_first_order_nm"], abs=0.5)
    assert int(effective_dof(parts)) == published["effective_dof"]


@pytest.mark.parametrize("seed", range(6))
def test_same_minimum_as_a_general_optimiser(seed: int) -> None:
    """SLSQP (scipy) on the objective with the whole covariance of the measurements."""
    survey = table_survey((SCALE, TARE, LAB), np.random.default_rng(seed))
    inverse = np.linalg.inv(stated_covariance(survey))
    measured = np.array([m.value_base for m in survey.measurements])
    size = np.abs(measured)

    def objective(z: Floats) -> float:
        gap = z * size - measured
        return float(gap @ inverse @ gap)

    def balances(z: Floats) -> Floats:
        F, x = (z * size)[0::2], (z * size)[1::2]
        return np.array([F[0] - F[1:].sum(), (F[0] * x[0] - (F[1:] * x[1:]).sum()) / 0.2])

    found = scipy.optimize.minimize(
        objective, np.ones(size.size),
        constraints=scipy.optimize.NonlinearConstraint(balances, 0.0, 0.0),
        method="SLSQP", options={"ftol": 1e-14, "maxiter": 500},
    )  # fmt: skip
    ours = only_balanced(TABLE, survey)
    assert ours.converged
    assert ours.objective == pytest.approx(found.fun, rel=1e-6, abs=1e-8)
    for m, z in zip(survey.measurements, found.x * size, strict=True):
        adjusted = ours.value(m.stream, m.quantity).adjusted
        assert adjusted is not None
        assert m.unit.to_base(adjusted) == pytest.approx(z, rel=2e-5)


def test_sd_of_recoveries_by_simulation() -> None:
    """Reported sd with shared sources against simulated surveys; without them it is wrong.

    The sample sd of n normal values has a relative sd of 1/sqrt(2n): Four of these.
    """
    rng, n = np.random.default_rng(11), often(700)
    shared = (SCALE, TARE, LAB)
    names = list(TABLE.stream_names)
    exact = table_survey(shared)
    at, problem = positions(TABLE, exact).readings, balance_problem(TABLE, exact)
    flows, grades = np.tile(problem.flow, (n, 1)), np.tile(problem.grade, (n, 1, 1))
    for flow, grade in zip(flows, grades, strict=True):
        for m in table_survey(shared, rng).measurements:
            k, j = at[m.stream, m.quantity]
            if k is None:
                flow[j] = m.value_base
            else:
                grade[k, j] = m.value_base
    found = prepare(problem).solve_many(flows, grades)
    assert found.converged.all()
    metal = found.flow * found.grade[:, 0]
    recovered = 100.0 * metal / metal[:, [names.index("feed")]]
    simulated = np.std(recovered, axis=0, ddof=1)
    with_them = only_balanced(TABLE, table_survey(shared))
    ignored = only_balanced(TABLE, table_survey(shared, told=False))
    for stream in ("conc", "mids", "tails"):
        sd = simulated[names.index(stream)]
        told, plain = with_them.recovery(stream, "Sn").sd, ignored.recovery(stream, "Sn").sd
        assert told is not None
        assert plain is not None
        assert told == pytest.approx(sd, rel=4.0 / (2.0 * n) ** 0.5)
        # what is common to all weights cancels in a recovery: ignored, it makes the sd too large
        assert plain > (1.0 + 4.0 / (2.0 * 700) ** 0.5) * sd


@settings(max_examples=often(25, 0.4), deadline=None)
@given(st.integers(0, 10_000))
def test_traces_are_those_of_the_whole_covariance(seed: int) -> None:
    """P and r of own parts by generalised least squares in closed form, at the solution."""
    survey = table_survey((SCALE, TARE, LAB), np.random.default_rng(seed))
    problem = balance_problem(TABLE, survey)
    solution = solve(problem)
    signatures = signatures_of(problem, solution, 1)
    F, x = solution.flow[:4], solution.grade[0, :4]
    signs = np.array([1.0, -1.0, -1.0, -1.0])
    J = np.zeros((2, 8))  # balances linearised, measurements stream by stream
    J[0, 0::2], J[1, 0::2], J[1, 1::2] = signs, signs * x, signs * F
    V = stated_covariance(survey)
    measured = np.array([m.value_base for m in survey.measurements])
    adjusted = np.column_stack([F, x]).ravel()
    Q = J.T @ np.linalg.solve(J @ V @ J.T, J)
    at = positions(TABLE, survey).readings
    order = [signatures.readings.index(at[m.stream, m.quantity]) for m in survey.measurements]
    own = np.sqrt([survey.own_variance(m) for m in survey.measurements])
    assert signatures.P[np.ix_(order, order)] == pytest.approx(Q * np.outer(own, own), abs=1e-7)
    assert signatures.r[order] == pytest.approx(own * (Q @ (measured - adjusted)), abs=1e-6)


@pytest.mark.parametrize(("sources", "told"), [(50, 50), (51, 50), (200, 50)])
def test_many_shares_are_told_in_one_number(sources: int, told: int) -> None:
    share = np.random.default_rng(sources).dirichlet(np.ones(sources))
    origins = tuple(ErrorOrigin("stated error", f"s{i}", "Sn") for i in range(sources))
    budget = RecoveryBudget("conc", "Sn", 1.0, origins, share)
    assert len(budget.shares) == told
    assert budget.rest == pytest.approx(np.sort(share)[: sources - told].sum(), abs=1e-12)


@settings(max_examples=often(25, 0.4), deadline=None)
@given(st.integers(0, 10_000), st.booleans())
def test_shares_of_a_budget_add_up(seed: int, told: bool) -> None:
    """All sources together give the variance of each recovery."""
    survey = table_survey((SCALE, TARE, LAB), np.random.default_rng(seed), told)
    problem = balance_problem(TABLE, survey)
    covariance = propagate(problem, solve(problem))
    for budget in only_balanced(TABLE, survey).budgets:
        assert sum(s.share for s in budget.shares) == pytest.approx(1.0)
        assert budget.rest == 0.0
        assert {s.source for s in budget.shares if s.shared} == (
            {"scale", "tare", "batch"} if told else set()
        )
    places = positions(TABLE, survey)
    F, x = covariance.solution.flow, covariance.solution.grade[0]
    metal = {Position(None, 1): float(x[1]), Position(0, 1): float(F[1])}  # of the concentrate
    flows, grades = covariance.with_all(metal)
    total = 0.0
    for k, j in (*places.readings.values(), *places.sources):
        moved, sd = (flows[j], problem.flow_sd[j]) if k is None else (
            grades[k, j], problem.grade_sd[k, j])  # fmt: skip
        total += float(moved / sd) ** 2
    assert total == pytest.approx(x[1] * flows[1] + F[1] * grades[0, 1], rel=1e-8)


def test_a_source_far_out_is_a_suspect() -> None:
    """The scale is off by eight of its sd: it is named, with its size."""
    feed_first = replace(SCALE, loadings={s: L for s, L in SCALE.loadings.items() if s != "feed"})
    survey = table_survey(
        (feed_first, LAB), np.random.default_rng(4), size={"scale": 8.0, "batch": 0.0}
    )
    balance = reconcile(TABLE, survey, second_opinions=False)
    first = balance.suspects[0]
    assert first.group[0] == ("source", "scale", "dry mass") and first.probability > 0.5
    assert first.estimated_error == pytest.approx(8.0, abs=4.0 * first.sd)


def test_a_loss_is_still_found_beside_shared_sources() -> None:
    rng = np.random.default_rng(5)
    survey = table_survey((SCALE, LAB), rng)
    lost = tuple(
        replace(m, value=m.value * 0.8) if (m.stream, m.quantity) == ("tails", "dry mass") else m
        for m in survey.measurements
    )
    rates = ErrorRates(loss=0.1)
    balance = reconcile(
        TABLE, replace(survey, measurements=lost), rates=rates, second_opinions=False
    )
    places = {place for s in balance.suspects for place in s.group}
    assert ("measurement", "tails", "dry mass") in places
    kinds = {place.kind for e in balance.gross_errors.explanations for place in e.places}
    assert "loss" in kinds


def test_tiny_sources_change_nothing() -> None:
    rng = np.random.default_rng(9)
    plain = table_survey((), rng)
    small = SharedSource("nothing", "Sn", dict.fromkeys(TRUE, 1e-12))
    one, other = only_balanced(TABLE, plain), only_balanced(TABLE, replace(plain, shared=(small,)))
    assert other.objective == pytest.approx(one.objective, rel=1e-8)
    for a, b in zip(one.values, other.values, strict=True):
        assert b.adjusted == pytest.approx(a.adjusted, rel=1e-9)
        assert b.adjusted_sd == pytest.approx(a.adjusted_sd, rel=1e-7)
        assert b.standardised == pytest.approx(a.standardised, rel=1e-5)


def test_the_sign_of_a_source_does_not_matter() -> None:
    survey = table_survey((SCALE, LAB), np.random.default_rng(4))
    turned = tuple(replace(s, loadings={k: -v for k, v in s.loadings.items()})
                   for s in survey.shared)  # fmt: skip
    one, other = only_balanced(TABLE, survey), only_balanced(TABLE, replace(survey, shared=turned))
    assert [v.adjusted for v in other.values] == pytest.approx([v.adjusted for v in one.values])
    assert [r.sd for r in other.recoveries] == pytest.approx([r.sd for r in one.recoveries])


def test_no_flow_measured_is_still_said() -> None:
    """Shared errors of grades bring carriers of known flow: they fix no scale."""
    from oretally.flowsheet import NotBalanceable

    survey = table_survey((LAB,))
    grades = tuple(m for m in survey.measurements if m.quantity == "Sn")
    with pytest.raises(NotBalanceable, match="nothing fixes the scale"):
        reconcile(TABLE, replace(survey, measurements=grades))


def test_unmeasured_values_are_told_of_streams_only() -> None:
    survey = table_survey((SCALE, LAB))
    known = tuple(m for m in survey.measurements if m.stream != "mids")
    shared = tuple(replace(s, loadings={k: v for k, v in s.loadings.items() if k != "mids"})
                   for s in survey.shared)  # fmt: skip
    balance = only_balanced(TABLE, replace(survey, measurements=known, shared=shared))
    assert balance.converged
    assert {v.stream for v in balance.values} == set(TABLE.stream_names)


def test_bad_sources() -> None:
    """Messages by their whole text."""
    survey = table_survey((SCALE,))
    alone = tuple(
        replace(m, sd=m.unit.from_base(abs(SCALE.loadings[m.stream])))
        if m.quantity == "dry mass" else m
        for m in survey.measurements
    )  # fmt: skip
    with pytest.raises(InputError) as caught:
        reconcile(TABLE, replace(survey, measurements=alone))
    assert str(caught.value.faults[0]) == (
        "stream 'feed', dry mass: Next to all of the stated error comes from sources that it "
        "shares with other measurements.\nState an error of its own as well."
    )
    loose = SharedSource("batch", "Sn", {"feed": 1e-6, "sand": 1e-6})
    with pytest.raises(InputError) as caught:
        reconcile(TABLE, replace(table_survey(()), shared=(loose,)))
    assert str(caught.value.faults[0]) == (
        "The shared error 'batch' concerns the Sn of 'sand', which was not measured.\n"
        "Leave that stream out of it."
    )
