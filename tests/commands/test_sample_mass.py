"""How much sample: the published example through the command, laws of the formula, chains."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from oretally.flowsheet import Fault, Place
from oretally.io.cli import main
from oretally.io.sampling import SamplingTerms, read_sampling
from oretally.recon.laboratory import fundamental_error, mass_needed, stage_mass_needed

Reference = Callable[[str], dict[str, Any]]
Capture = pytest.CaptureFixture[str]
# an invented tin ore: cassiterite in quartz
TIN: dict[str, object] = {
    "liberation": "0.1 mm",
    "mineral density": "6.9 kg/L",
    "gangue density": "2.7 kg/L",
    "mineral grade": "78.77 %",
}
SPLIT = TIN | {"top": "2 mm", "mass": "1.5 kg", "lot": "25 kg"}
STAGES = [
    {"top": "10 mm", "mass": "20 kg"},
    {"top": "10 mesh [ASTM E11]", "mass": "500 g"},
    {"top": "75 um", "mass": "30 g", "granulometric": 0.5},
]
CHAIN = """\
title = "Hill lode, channel samples"
grade = "0.8 %"
error = "2 %"
lot = "120 kg"
liberation = "0.1 mm"
"mineral density" = "6.9 kg/L"
"gangue density" = "2.7 kg/L"
"mineral grade" = "78.77 %"
stages = [
  { top = "10 mm", mass = "20 kg" },
  { top = "10 mesh [ASTM E11]", mass = "500 g" },
]
"""
LEAD = ("--grade", "5 %", "--liberation", "0.015 cm", "--mineral-grade", "86.6 %",
        "--mineral-density", "7.5 g/cm3", "--gangue-density", "2.65 g/cm3")  # fmt: skip


def terms(entry: dict[str, object], grade_max: float = 1.0) -> SamplingTerms:
    faults: list[Fault] = []
    found = read_sampling(entry, Place(), faults, grade_max=grade_max)
    assert found is not None and not faults, faults
    return found


def run(*arguments: str) -> int:
    with pytest.raises(SystemExit) as stop:
        main(["sample-mass", *arguments])
    return int(str(stop.value.code))


def answer(capsys: Capture, *arguments: str) -> dict[str, Any]:
    assert run(*arguments, "--json", "-") == 0
    document: dict[str, Any] = json.loads(capsys.readouterr().out)
    return document


def test_published_lead_ore_through_the_command(reference: Reference, capsys: Capture) -> None:
    """B.A. Wills (1982), worksheet for Gy's sample mass, later edition (2005).

    Its convention: 95 % confidence (1.96), four stages with equal variances, masses doubled. Its
    own coarse C is good to 1e-9 only.
    """
    data = reference("gy_sample_mass_lead_ore")
    asked, own = data["inputs"], data["recomputed"]
    sd = asked["relative_error_total_pct"] / 1.96 / math.sqrt(asked["sampling_stages"])
    for i, cm in enumerate(asked["top_size_cm"]):
        found = answer(capsys, *LEAD, "--top", f"{cm} cm", "--error", f"{sd!r} %")
        assert found["factors"]["composition"] == pytest.approx(
            own["composition_factor_m"], abs=5e-9
        )
        assert found["factors"]["liberation"] == pytest.approx(
            own["liberation_factor"][i], abs=5e-11
        )
        assert found["constant"] == pytest.approx(own["C"][i], rel=1e-9)
        mass = 1000.0 * asked["safety_factor"] * found["mass_needed_kg"]
        assert mass == pytest.approx(data["published"]["sample_mass_g"][i], abs=(0.5, 0.005)[i])
        assert found["crushed"][0]["mass_kg"] == found["mass_needed_kg"]


def test_text_of_the_lead_ore(capsys: Capture) -> None:
    """C from the reference file; 7.131 kg = C d^3 / s^2 by hand."""
    assert run(*LEAD, "--top", "25 mm", "--error", "5 %", "--mass", "1.5 kg") == 0
    lines = capsys.readouterr().out.splitlines()
    assert "constant      C = f g l m = 1.141 kg/L at 25 mm; relative sd² = C d³ (1/sample - " in (
        "\n".join(lines)
    )
    assert "mass needed   7.131 kg for a relative sd of 5 %: grade 5 ± 0.25 %" in lines
    assert "mass given    1.5 kg leaves a relative sd of 11 %: grade 5 ± 0.55 %" in lines
    assert "25 mm             7.131 kg           11 %" in lines
    assert (
        "not stated    so taken: shape factor 0.5, that of most ores; lot far larger than the "
        in (" ".join(lines))
    )
    assert not any("beyond what the formula is good for" in line for line in lines)
    assert max(map(len, lines)) <= 100


def test_a_large_error_is_told_to_be_beyond_the_formula(capsys: Capture) -> None:
    assert run(*LEAD, "--top", "25 mm", "--mass", "0.1 kg") == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "A relative sd of 42 % is beyond what the formula is good for (some 20 %)" in out


def test_unknown_liberation_takes_the_worst(capsys: Capture) -> None:
    ore = [word if word != "0.015 cm" else "unknown" for word in LEAD]
    worst = answer(capsys, *ore, "--top", "25 mm", "--error", "5 %")
    assert worst["factors"]["liberation"] == 1.0 and worst["liberation_um"] is None
    assert (
        "liberation size unknown: taken as the coarsest top size, the worst case"
        in (worst["assumed"])
    )
    for size in ("0.15 mm", "5 mm", "30 mm"):
        other = [word if word != "0.015 cm" else size for word in LEAD]
        known = answer(capsys, *other, "--top", "25 mm", "--error", "5 %")
        assert known["mass_needed_kg"] <= worst["mass_needed_kg"] * (1.0 + 1e-12)


def test_chain_from_a_file(tmp_path: Path, capsys: Capture) -> None:
    file = tmp_path / "chain.toml"
    file.write_text(CHAIN, "utf-8")
    assert run(str(file)) == 0
    out = capsys.readouterr().out
    assert out.startswith("Hill lode, channel samples\nSample mass by Gy's formula")
    assert "stage 1 (20 kg of 120 kg at 10 mm)         1.9 %                54 %" in out
    assert "stage 2 (500 g of 20 kg at 2 mm)           1.7 %                46 %" in out
    assert "worst         stage 1 (20 kg of 120 kg at 10 mm): 54 % of the variance" in out
    assert (
        "wanted        relative sd 2 %: not reached. Keep 48.06 kg in place of 20 kg at stage "
        in (out)
    )
    found = answer(capsys, str(file))
    assert [stage["share"] for stage in found["stages"]] == pytest.approx(
        [0.5443, 0.4557], abs=1e-4
    )
    # shares and 48.06 kg by hand from K (1/m - 1/M); with that mass the chain is as wanted
    mended = found["stages"][0]["sample_needed_kg"]
    file.write_text(CHAIN.replace('"20 kg"', f'"{mended!r} kg"'), "utf-8")
    again = answer(capsys, str(file))
    assert again["relative_sd"] == pytest.approx(0.02, rel=1e-12)


def test_no_mass_at_one_stage_will_do(tmp_path: Path, capsys: Capture) -> None:
    file = tmp_path / "chain.toml"
    file.write_text(CHAIN.replace('"2 %"', '"0.5 %"'), "utf-8")
    assert run(str(file)) == 0
    out = capsys.readouterr().out
    assert "not reached, and no mass at stage 1 alone would do." in out


def test_stages_as_tables_and_options_beside_the_file(tmp_path: Path, capsys: Capture) -> None:
    head = CHAIN[: CHAIN.index("stages")].replace('grade = "0.8 %"\n', "", 1)
    tables = "".join(
        f'[[stages]]\ntop = "{top}"\nmass = "{mass}"\n'
        for top, mass in (("10 mm", "20 kg"), ("2 mm", "0.5 kg"))
    )
    one, two = tmp_path / "one.toml", tmp_path / "two.toml"
    one.write_text(CHAIN, "utf-8")
    two.write_text(head + tables, "utf-8")
    found = answer(capsys, str(two), "--grade", "8 kg/t")
    assert found["relative_sd"] == answer(capsys, str(one))["relative_sd"]


def test_json_to_a_file(tmp_path: Path, capsys: Capture) -> None:
    file = tmp_path / "answer.json"
    assert run(*LEAD, "--top", "25 mm", "--error", "5 %", "--json", str(file)) == 0
    shown = capsys.readouterr()
    assert shown.err == f"written: {file}\n" and "mass needed" in shown.out
    assert json.loads(file.read_text("utf-8"))["lot_kg"] is None


def test_the_file_is_not_written_over(tmp_path: Path, capsys: Capture) -> None:
    file = tmp_path / "chain.toml"
    file.write_text(CHAIN, "utf-8")
    assert run(str(file), "--json", str(file)) == 2
    assert file.read_text("utf-8") == CHAIN


# ---- terms of a case


def test_terms_of_one_split() -> None:
    found = terms(SPLIT)
    assert found.stages[0].top_size_um == 2000.0 and found.stages[0].lot_kg == 25.0
    assert found.assumed == (
        "shape factor 0.5, that of most ores",
        "granulometric factor 0.25, that of all sizes below the top size",
    )
    # C d^3 (1/1500 - 1/25000) in cm and g, written out
    a = 0.008 / 0.7877
    m = (1.0 - a) / a * ((1.0 - a) * 6.9 + a * 2.7)
    variance = 0.5 * 0.25 * math.sqrt(0.1 / 2.0) * m * 0.2**3 * (1.0 / 1500.0 - 1.0 / 25000.0)
    assert found.relative_sd(0.008) == pytest.approx(math.sqrt(variance), rel=1e-12)


def test_max_of_the_analyte_stands_for_the_mineral() -> None:
    entry = {key: value for key, value in SPLIT.items() if key != "mineral grade"}
    found = terms(entry, grade_max=0.7877)
    assert found.relative_sd(0.008) == terms(SPLIT).relative_sd(0.008)
    assert found.assumed[0] == "grade of the mineral 78.77 %, the max of the analyte"


def test_dominant_stage() -> None:
    found = terms(TIN | {"lot": "120 kg", "stages": STAGES})
    assert found.stages[1].top_size_um == 2000.0 and found.stages[2].granulometric == 0.5
    assert math.fsum(found.shares) == pytest.approx(1.0, rel=1e-12)
    assert found.dominant == 0
    assert found.described(1) == "stage 2 (500 g of 20 kg at 2 mm)"
    little = terms(TIN | {"stages": [*STAGES[:2], {"top": "1 mm", "mass": "2 g"}]})
    assert little.dominant == 2
    # the whole lot kept: no error, and no stage that adds most of it
    assert terms(SPLIT | {"mass": "25 kg"}).shares == (0.0,)


@pytest.mark.parametrize("grade", [0.0, -0.1, 0.79])
def test_grades_that_cannot_be(grade: float) -> None:
    with pytest.raises(ValueError, match="grade"):
        terms(SPLIT).relative_sd(grade)


sizes = st.floats(0.05, 50.0)  # mm
masses = st.floats(0.01, 1000.0)  # kg
grades = st.floats(1e-6, 0.7)


@settings(derandomize=True, deadline=None)
@given(sizes, masses, grades)
def test_mass_goes_with_the_cube_of_the_size(top: float, mass: float, grade: float) -> None:
    """Of free grains; sd stays if mass grows by eight as the size doubles."""
    free = TIN | {"liberation": "unknown"}
    one = terms(free | {"top": f"{top:.9f} mm", "mass": f"{mass!r} kg"})
    two = terms(free | {"top": f"{2 * float(f'{top:.9f}'):.9f} mm", "mass": f"{8 * mass!r} kg"})
    assert two.relative_sd(grade) == pytest.approx(one.relative_sd(grade), rel=1e-9)


@settings(derandomize=True, deadline=None)
@given(masses, st.floats(0.01, 1.0), st.floats(0.01, 1.0), grades)
def test_lot_correction(lot: float, one: float, other: float, grade: float) -> None:
    """Variance goes with 1/m - 1/M; more mass, less sd."""
    less, more = sorted((one * lot, other * lot))
    base = TIN | {"top": "5 mm"}
    endless = terms(base | {"mass": f"{less!r} kg"}).relative_sd(grade) ** 2
    found = [
        terms(base | {"mass": f"{m!r} kg", "lot": f"{lot!r} kg"}).relative_sd(grade)
        for m in (less, more)
    ]
    share = 1.0 - less / lot
    assert found[0] ** 2 == pytest.approx(endless * share, rel=1e-9, abs=1e-12 * endless)
    assert found[1] <= found[0] * (1.0 + 1e-12)


@settings(derandomize=True, deadline=None)
@given(st.integers(1, 5), masses, grades)
def test_equal_stages_add_in_quadrature(n: int, mass: float, grade: float) -> None:
    """Stages of equal variance: each halves what is left at one size, in shares 1/m - 1/M."""
    # 1/m grows by the same amount at every stage
    kept = [mass / (1.0 + i) for i in range(1, n + 1)]
    chain = TIN | {
        "lot": f"{mass!r} kg",
        "stages": [{"top": "2 mm", "mass": f"{m!r} kg"} for m in kept],
    }
    one = terms(TIN | {"top": "2 mm", "lot": f"{mass!r} kg", "mass": f"{kept[0]!r} kg"})
    found = terms(chain)
    assert found.relative_sd(grade) == pytest.approx(
        math.sqrt(n) * one.relative_sd(grade), rel=1e-9
    )
    assert found.shares == pytest.approx([1.0 / n] * n, rel=1e-9)


@settings(derandomize=True, deadline=None)
@given(sizes, st.floats(0.001, 0.3), grades)
def test_mass_needed_is_the_inverse(top: float, sd: float, grade: float) -> None:
    base = TIN | {"top": f"{top:.6f} mm", "lot": "1000 t"}
    ore = terms(base | {"mass": "1 kg"}).ore(grade)
    mass = mass_needed(ore, terms(base | {"mass": "1 kg"}).stages[0].top_size_um, sd, lot_kg=1e6)
    if mass > 1e-9 and mass < 0.9e6:  # what can be written; near the whole lot few digits are left
        again = terms(base | {"mass": f"{mass!r} kg"}).relative_sd(grade)
        assert again == pytest.approx(sd, rel=1e-6)


@settings(derandomize=True, deadline=None)
@given(st.integers(0, 2), st.floats(0.002, 0.2), grades)
def test_mass_needed_at_a_stage_is_the_inverse(index: int, sd: float, grade: float) -> None:
    """The chain with that mass has that sd, unless its next stage would need more than its lot."""
    found = terms(TIN | {"lot": "120 kg", "stages": STAGES})
    ore, stages = found.ore(grade), list(found.stages)
    mass = stage_mass_needed(ore, stages, index, relative_sd=sd)
    whole = fundamental_error(ore, stages).relative_sd
    if mass is None:
        assert sd < whole
        return
    at = stages[index]
    stages[index] = type(at)(at.top_size_um, at.lot_kg, mass, at.granulometric)
    if index + 1 < len(stages):
        after = stages[index + 1]
        if after.sample_kg > mass:
            return
        stages[index + 1] = type(at)(after.top_size_um, mass, after.sample_kg, after.granulometric)
    assert fundamental_error(ore, stages).relative_sd == pytest.approx(sd, rel=1e-9)
