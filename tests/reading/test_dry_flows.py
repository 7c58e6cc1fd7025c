"""Dry flows from wet masses and from pulp: published slurries, errors against simulation."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from oretally.flowsheet import InputError
from oretally.flowsheet.survey import (
    SlurryValue,
    dry_from_density,
    dry_from_solids,
    dry_from_wet,
    pulp_density,
    solids_share,
)
from oretally.io import Case, read_case
from oretally.recon import reconcile

Reference = Callable[[str], dict[str, Any]]

_CIRCUIT = """title = "t"
basis = "{basis}"
[streams]
feed = {{ to = "table" }}
conc = {{ from = "table" }}
tails = {{ from = "table" }}
[errors]
"wet mass" = {{ relative = 1 }}
"dry mass" = {{ relative = 1 }}
"dry rate" = {{ relative = 1 }}
moisture = {{ absolute = "0.5 %" }}
pulp = {{ relative = 2 }}
"% solids" = {{ absolute = "1 %" }}
"pulp density" = {{ absolute = "0.005 kg/L" }}
"solids density" = {{ relative = 1 }}
Sn = {{ relative = 3 }}
"""
CASES = {
    "wet mass": ("batch", ("wet mass", "moisture")),
    "solids": ("rate", ("pulp", "% solids", "solids density")),
    "density": ("rate", ("pulp", "pulp density", "solids density")),
}


@pytest.fixture
def read(tmp_path: Path) -> Callable[..., Case]:
    """Return a reader of a case with these measurements."""

    def case(rows: str, basis: str = "batch") -> Case:
        text = _CIRCUIT.format(basis=basis)
        other = "dry rate" if basis == "batch" else "dry mass"
        lines = [x for x in text.splitlines() if not x.startswith(f'"{other}"')]
        if basis == "rate":
            lines = [x for x in lines if not x.startswith('"wet mass"')]
        (tmp_path / "circuit.toml").write_text("\n".join(lines), "utf-8")
        (tmp_path / "measurements.csv").write_text(rows, "utf-8")
        return read_case(tmp_path)

    return case


def test_published_slurries(reference: Reference) -> None:
    """An open course on mineral processing, exercises I and II (Wills, ch. 3, from memory)."""
    data = reference("slurry_percent_solids")
    one, two = data["inputs"]["ex1"], data["inputs"]["ex2"]
    printed = data["published"]
    share = one["solids_mass_pct"] / 100.0
    density = pulp_density(share, one["solids_density"])
    assert density == pytest.approx(printed["ex1"]["slurry_density"], abs=0.5)
    # 41.66 and 45.88 are printed truncated, not rounded
    by_volume = 100.0 * share * density / one["solids_density"]
    assert by_volume == pytest.approx(printed["ex1"]["solids_volume_pct"], abs=0.01)
    solids = 100.0 * solids_share(two["pulp_density"], two["solids_density"])
    assert solids == pytest.approx(printed["ex2"]["solids_mass_pct"], abs=0.01)
    for seconds, kg_per_h in zip(
        two["fill_seconds"], printed["ex2"]["solids_kg_per_h"], strict=True
    ):
        volume = SlurryValue(two["can_litre"] / 1000.0 * 3600.0 / seconds, 0.0)
        pulp, dense = SlurryValue(two["pulp_density"], 0.0), SlurryValue(two["solids_density"], 0.0)
        assert dry_from_density(volume, pulp, dense).value == pytest.approx(kg_per_h, abs=0.5)


@pytest.mark.parametrize(
    ("function", "inputs"),
    [
        (dry_from_wet, (SlurryValue(25.4, 0.1), SlurryValue(0.12, 0.005))),
        (
            dry_from_solids,
            (SlurryValue(8.0, 0.1), SlurryValue(0.35, 0.01), SlurryValue(2700.0, 30.0)),
        ),
        (
            dry_from_density,
            (SlurryValue(8.0, 0.1), SlurryValue(1280.0, 6.0), SlurryValue(2700.0, 30.0)),
        ),
    ],
)
def test_errors_against_simulation(
    function: Callable[..., SlurryValue], inputs: tuple[SlurryValue, ...]
) -> None:
    """First-order sd against 100,000 draws (fixed seed), within 1.5 %."""
    rng = np.random.default_rng(3)
    draws = [rng.normal(x.value, x.sd, 100_000) for x in inputs]
    exact = [function(*(SlurryValue(float(v), 0.0) for v in row)).value
             for row in zip(*(d[:20_000] for d in draws), strict=True)]  # fmt: skip
    assert function(*inputs).sd == pytest.approx(float(np.std(exact)), rel=0.015)


def test_density_and_solids_agree() -> None:
    """The same pulp, once by its density and once by its solids."""
    volume, solids = SlurryValue(8.0, 0.0), SlurryValue(2700.0, 0.0)
    share = solids_share(1280.0, 2700.0)
    one = dry_from_density(volume, SlurryValue(1280.0, 0.0), solids)
    two = dry_from_solids(volume, SlurryValue(share, 0.0), solids)
    assert one.value == pytest.approx(two.value, rel=1e-12)


def test_wet_mass_in_a_case(read: Callable[..., Case]) -> None:
    """25.4 kg at 12 %: 22.352 kg, its sd by hand, and the way told."""
    found = read(
        "stream,wet mass [kg],moisture [%],dry mass [kg],Sn [%]\nfeed,25.4,12,,0.82\n"
        "conc,,,0.41,31.2\ntails,24.0,0.115 g/g,,\n"
    )
    m = found.survey.measured("feed", "dry mass")
    assert m is not None
    assert m.value == pytest.approx(22.352)
    assert m.sd == pytest.approx(((0.88 * 0.254) ** 2 + (25.4 * 0.005) ** 2) ** 0.5)
    assert m.note == "from wet mass 25.40 ± 0.25 kg and moisture 12.00 ± 0.50 %"
    assert found.notes[0] == (
        "dry mass of 'feed' is 22.35 ± 0.26 kg, from wet mass 25.40 ± 0.25 kg and moisture 12.00 ± "
        "0.50 %."
    )
    assert found.survey.measured("feed", "wet mass") is None
    tails = found.survey.measured("tails", "dry mass")
    assert tails is not None and tails.value == pytest.approx(24.0 * 0.885)


def test_slips_are_those_of_the_number_that_somebody_wrote(read: Callable[..., Case]) -> None:
    """A dry mass is off as far as the wet one that was typed; it has no digits to change round."""
    rows = (
        "stream,wet mass [kg],moisture [%],dry mass [kg],Sn [%]\nfeed,25.4,12,,0.82\n"
        "conc,,,0.41,31.2\ntails,{},11,,0.31\n"
    )

    def told(wet: str) -> list[tuple[str, float | None]]:
        case = read(rows.format(wet))
        balance = reconcile(case.circuit, case.survey)
        assert bool(balance.suspects) == (wet != "24.6")
        slips = [slip for s in balance.suspects for slip in s.slips]
        return [(slip.kind, r.fits) for slip in slips for r in slip.readings
                if (r.stream, r.quantity) == ("tails", "dry mass")]  # fmt: skip

    assert told("24.6") == []
    for wet, expected in (("246", "decimal point"), ("42.6", "digits")):
        kind, fits = told(wet)[0]
        assert kind == expected and fits == pytest.approx(24.6 * 0.89)
    # 12.894 kg dry is 21.894 changed round, which nobody typed
    assert all(kind != "digits" for kind, _ in told("14.4876"))


def test_pulp_in_a_case(read: Callable[..., Case]) -> None:
    """A litre in 8 s at 1.4 kg/L: 289 kg/h, as published; in t/h where nothing else says."""
    found = read(
        "stream,pulp [L/min],pulp density [kg/L],solids density [g/cm3],Sn [%]\n"
        "feed,7.5,1.4,2.65,0.82\nconc,0.2,1.6,4.1,31\ntails,7.2,1.35,2.6,0.3\n",
        "rate",
    )
    m = found.survey.measured("feed", "dry rate")
    assert m is not None
    assert m.unit.symbol == "t/h"
    assert m.value == pytest.approx(0.28909, abs=5e-6)


MESSAGES = {
    "wet mass alone": (
        "stream,wet mass [kg],Sn [%]\nfeed,25.4,0.82\nconc,,31\ntails,,\n", "batch",
        "measurements.csv, cell B2, stream 'feed', wet mass: The wet mass alone does not say how "
        "much of it is dry.\nGive it with moisture,\nor give the dry mass.",
    ),
    "moisture alone": (
        "stream,dry mass [kg],moisture [%],Sn [%]\nfeed,25.4,,0.82\nconc,,8,31\ntails,,,\n",
        "batch",
        "measurements.csv, cell C3, stream 'conc', moisture: The moisture has no wet mass or pulp "
        "to go with it.\nGive the wet mass (with moisture) or the pulp, or take it out.",
    ),
    "moisture of a dry mass": (
        "stream,dry mass [kg],moisture [%],Sn [%]\nfeed,25.4,8,0.82\nconc,,,31\ntails,,,\n",
        "batch",
        "measurements.csv, cell C2, stream 'feed', moisture: The moisture goes with nothing: the "
        "dry mass is given as it is.\nTake it out, or give the wet mass in place of the dry mass.",
    ),
    "wet and dry": (
        "stream,dry mass [kg],wet mass [kg],moisture [%],Sn [%]\nfeed,23,25.4,8,0.82\n"
        "conc,,,,31\ntails,,,,\n", "batch",
        "measurements.csv, cell C2, stream 'feed', wet mass: Both the dry mass and wet mass are "
        "given; they say the same twice.\nTake one of them out.",
    ),
    "moisture of everything": (
        "stream,wet mass [kg],moisture [%],Sn [%]\nfeed,25.4,100,0.82\nconc,,,31\ntails,,,\n",
        "batch",
        "measurements.csv, cell C2, stream 'feed', moisture: The moisture is 100 %; it lies "
        "between 0 and 100 %.\nCorrect the value or its unit.",
    ),
    "pulp lighter than water": (
        "stream,pulp [m3/h],pulp density [kg/L],solids density [kg/L],Sn [%]\n"
        "feed,8,0.9,2.7,0.82\nconc,,,,31\ntails,,,,\n", "rate",
        "measurements.csv, cell C2, stream 'feed', pulp density: The pulp density is 0.9 kg/L, no "
        "more than that of water (1 kg/L).\nCorrect the value or its unit.",
    ),
    "pulp denser than its solids": (
        "stream,pulp [m3/h],pulp density [kg/L],solids density [kg/L],Sn [%]\n"
        "feed,8,2.8,2.7,0.82\nconc,,,,31\ntails,,,,\n", "rate",
        "measurements.csv, cell C2, stream 'feed', pulp density: The pulp is as dense as its "
        "solids, or denser.\nCorrect one of the two.",
    ),
    "pulp alone": (
        "stream,pulp [m3/h],Sn [%]\nfeed,8,0.82\nconc,,31\ntails,,\n", "rate",
        "measurements.csv, cell B2, stream 'feed', pulp: The pulp alone does not say how much of "
        "it is dry.\nGive it with % solids and solids density\nor with pulp density and solids "
        "density,\nor give the dry rate.",
    ),
    "solids twice": (
        "stream,pulp [m3/h],% solids [%],pulp density [kg/L],solids density [kg/L],Sn [%]\n"
        "feed,8,30,1.2,2.7,0.82\nconc,,,,,31\ntails,,,,,\n", "rate",
        "measurements.csv, cell B2, stream 'feed', pulp: Both % solids and pulp density are given; "
        "they say the same twice.\nTake one of them out.",
    ),
    "gallons": (
        "stream,pulp [gal/min],% solids [%],solids density [kg/L],Sn [%]\n"
        "feed,8,30,2.7,0.82\nconc,,,,31\ntails,,,,\n", "rate",
        "measurements.csv, cell B1, pulp: 'gal/min' can be read in two ways: US gallon 3.78541 L, "
        "imperial gallon 4.54609 L.\nWrite usgal or impgal, as in usgal/min.",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", list(MESSAGES))
def test_message(name: str, read: Callable[..., Case]) -> None:
    rows, basis, text = MESSAGES[name]
    with pytest.raises(InputError) as refused:
        read(rows, basis)
    assert str(refused.value) == text
