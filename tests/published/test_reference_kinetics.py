"""Published checks of curves against time: plateau, rate and their sd."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from oretally.recon.kinetics import fit_rates
from oretally.recon.result import RateFit, RateModel

Reference = Callable[[str], dict[str, Any]]


def _unweighted(data: dict[str, Any]) -> tuple[RateFit, float]:
    """Return the fit with an sd of 1 each, and the residual sd by which its sds are scaled."""
    x, y = data["inputs"]["x"], data["inputs"]["y"]
    fit = fit_rates(RateModel.FIRST_ORDER, x, y, np.eye(len(x)), whole=np.inf)
    return fit, (fit.chi_square / fit.dof) ** 0.5


def test_boxbod(reference: Reference) -> None:
    """NIST Statistical Reference Datasets, nonlinear regression, BoxBOD: certified values."""
    data = reference("strd_boxbod")
    fit, residual_sd = _unweighted(data)
    found = list(fit.parameters.values())
    published = data["published"]
    assert [p.value for p in found] == pytest.approx(published["estimates"], rel=1e-6)
    assert [(p.sd or 0) * residual_sd for p in found] == pytest.approx(published["sd"], rel=1e-5)
    assert fit.chi_square == pytest.approx(published["residual_ss"], rel=1e-9)
    assert residual_sd == pytest.approx(published["residual_sd"], rel=1e-9)


def test_bod_of_bates_and_watts(reference: Reference) -> None:
    """Bates and Watts, Nonlinear Regression Analysis and Its Applications (1988), A1.4."""
    data = reference("plateau_bates_watts_bod")
    fit, residual_sd = _unweighted(data)
    (plateau, rate), published = fit.parameters.values(), data["published"]
    assert plateau.value == pytest.approx(published["estimates"][0], abs=5e-4)
    assert rate.value == pytest.approx(published["estimates"][1], abs=5e-5)
    assert np.log(rate.value) == pytest.approx(published["log_b2"], abs=1e-4)
    assert plateau.sd is not None and rate.sd is not None
    assert plateau.sd * residual_sd == pytest.approx(published["sd"][0], abs=5e-4)
    assert rate.sd * residual_sd == pytest.approx(published["sd"][1], abs=5e-4)
    assert residual_sd == pytest.approx(published["residual_sd"], abs=5e-4)


def test_copper_flotation(reference: Reference) -> None:
    """Examination question on flotation kinetics: five timed concentrates of a copper ore.

    Recoveries and logarithms as printed; the page takes the plateau as the last recovery and cuts
    the rate off, so that plateau and rate are those of the file's own least squares.
    """
    data = reference("flotation_kinetics_copper")
    given, printed, recomputed = data["inputs"], data["published"], data["recomputed"]
    copper = np.cumsum(np.multiply(given["concentrate_g"], given["assay_pct_cu"]))
    recovery = 100.0 * copper / (given["feed_g"] * given["feed_pct_cu"])
    assert recovery == pytest.approx(printed["cumulative_recovery_pct"], abs=0.1)
    left = np.log(1.0 - recovery[:-1] / recovery[-1])
    assert left == pytest.approx(printed["log_of_it"], abs=0.003)
    fit = fit_rates(RateModel.FIRST_ORDER, given["time_s"], recovery, np.eye(5), whole=100.0)
    expected = recomputed["least_squares_fit_of_two_parameters"]
    found = [p.value for p in fit.parameters.values()]
    assert found == pytest.approx([expected["r_inf_pct"], expected["k_per_s"]], rel=1e-6)
    scale = (fit.chi_square / fit.dof) ** 0.5
    assert scale == pytest.approx(expected["residual_sd_pct"], rel=1e-6)
    sds = [(p.sd or 0) * scale for p in fit.parameters.values()]
    assert sds == pytest.approx(expected["sd"], rel=1e-5)
