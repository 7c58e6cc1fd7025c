"""The result workbook repeats its inputs: read back as a case it gives the same balance."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from example_balances import example_balance

from oretally.io import Case, read_case
from oretally.io.results import xlsx_bytes
from oretally.recon import Balance, reconcile

EXAMPLES = Path(__file__).resolve().parents[2] / "examples"

CIRCUIT = """title = "Invented: a jig with everything that a case can hold"
basis = "batch"
[streams]
feed = { to = "jig" }
conc = { from = "jig" }
tails = { from = "jig" }
[analytes]
Sn = { unit = "%", max = 78.77, detection = "200 g/t" }
Au = { unit = "g/t" }
[errors]
"dry mass" = { relative = 1, absolute = "1 g" }
Sn = { relative = 3, absolute = "0.001 %" }
Au = { relative = 5, absolute = "0.01 g/t" }
[containers]
"steel bucket" = "1.35 kg"
"=tray" = "0.1 lb"
[doubts]
measurement = 2.5
Sn = 7
loss = 1.5
"""
ROWS = """stream,dry mass [kg],Sn [%],Au [g/t]
feed,25.4,0.53,1.1
feed,,0.55,
conc,0.41,>30,60
tails,26.35,trace,<0.07
"""


def _balance(case: Case, suspects: bool = False) -> Balance:
    return reconcile(
        case.circuit, case.survey, feed=case.feed, products=case.products, rates=case.rates,
        suspects=suspects,
    )  # fmt: skip


def _read_back(balance: Balance, folder: Path) -> Case:
    path = folder / "result.xlsx"
    path.write_bytes(xlsx_bytes(balance))
    return read_case(path)


@pytest.fixture
def everything(tmp_path: Path) -> Case:
    """Return a case with containers, doubts, detection limits, bounds and replicates."""
    (tmp_path / "circuit.toml").write_text(CIRCUIT, "utf-8")
    (tmp_path / "measurements.csv").write_text(ROWS, "utf-8")
    return read_case(tmp_path)


def test_inputs_come_back(everything: Case, tmp_path: Path) -> None:
    again = _read_back(_balance(everything), tmp_path)
    one, two = everything.survey, again.survey
    assert two.containers == pytest.approx(one.containers, rel=1e-14)
    assert list(two.containers) == ["steel bucket", "=tray"]
    assert again.rates == everything.rates
    assert (again.rates.measurement, again.rates.loss) == (0.025, 0.015)
    assert again.rates.by_quantity == {"Sn": 0.07}
    assert [a.name for a in two.analytes] == ["Sn", "Au"]
    assert two.analytes[0].detection == pytest.approx(2e-4, rel=1e-14)
    assert two.analytes[1].detection is None
    for m in one.measurements:
        found = two.measured(m.stream, m.quantity)
        assert found is not None
        assert (found.value, found.sd) == pytest.approx((m.value, m.sd), rel=1e-12)
        assert (found.bounded, found.note, found.unit) == (m.bounded, m.note, m.unit)


@pytest.mark.parametrize(
    "name", ["everything", "bucket_not_taken_off", "ounces_as_grams", "swapped_assays"]
)
def test_balance_and_findings_come_back(
    name: str, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    """Recoveries, suspects, their probabilities and slips: the container among them."""
    one = (
        _balance(request.getfixturevalue(name), suspects=True)
        if name == "everything"
        else example_balance(name)
    )
    two = _balance(_read_back(one, tmp_path), suspects=True)
    assert two.objective == pytest.approx(one.objective, rel=1e-7)
    for a, b in zip(one.recoveries, two.recoveries, strict=True):
        assert (b.stream, b.analyte, b.product) == (a.stream, a.analyte, a.product)
        assert (b.recovery, b.sd) == pytest.approx((a.recovery, a.sd), rel=1e-7)
    assert [s.group for s in two.suspects] == [s.group for s in one.suspects]
    chances = [p for _, p in one.gross_errors.probabilities]
    assert [p for _, p in two.gross_errors.probabilities] == pytest.approx(
        chances, rel=1e-5, abs=1e-9
    )
    reasons = [slip.reason for s in one.suspects for slip in s.slips]
    assert [slip.reason for s in two.suspects for slip in s.slips] == reasons
    if name == "bucket_not_taken_off":
        assert any("steel bucket" in reason for reason in reasons)


def test_lowered_rates_stay_as_they_are(tmp_path: Path) -> None:
    """A large survey lowers the rates; read back they are not lowered twice."""
    one = example_balance("rougher_cleaner")
    two = _balance(_read_back(one, tmp_path), suspects=True)
    assert two.gross_errors.rates.measurement == pytest.approx(one.gross_errors.rates.measurement)
    assert two.gross_errors.rates.loss == pytest.approx(one.gross_errors.rates.loss)


def test_replicates_below_detection_come_back(tmp_path: Path) -> None:
    """Twice '<0.02' is one bound, no mean of two readings."""
    (tmp_path / "circuit.toml").write_text(CIRCUIT, "utf-8")
    rows = ROWS.replace("tails,26.35,trace,<0.07", "tails,26.35,<0.02,<0.07\ntails,,<0.02,")
    (tmp_path / "measurements.csv").write_text(rows, "utf-8")
    case = read_case(tmp_path)
    m = case.survey.measured("tails", "Sn")
    found = _read_back(_balance(case), tmp_path).survey.measured("tails", "Sn")
    assert m is not None and found is not None
    assert m.sd == pytest.approx(0.02 / 12**0.5)
    assert (found.value, found.sd) == pytest.approx((m.value, m.sd), rel=1e-12)


def test_shared_errors_come_back(everything: Case, tmp_path: Path) -> None:
    """One scale for three masses: its part is no part of the error of each row."""
    text = CIRCUIT + '[sources]\n"=scale" = { of = "dry mass", relative = 2, shared = true }\n'
    (tmp_path / "circuit.toml").write_text(text, "utf-8")
    case = read_case(tmp_path)
    assert len(case.survey.shared) == 1
    one = _balance(case)
    again = _read_back(one, tmp_path)
    (source,) = again.survey.shared
    assert (source.name, source.quantity) == ("=scale", "dry mass")
    assert source.loadings == pytest.approx(case.survey.shared[0].loadings, rel=1e-12)
    for m in case.survey.measurements:
        found = again.survey.measured(m.stream, m.quantity)
        assert found is not None and found.sd == pytest.approx(m.sd, rel=1e-12)
    two = _balance(again)
    assert two.objective == pytest.approx(one.objective, rel=1e-7)
    assert one.objective != pytest.approx(_balance(everything).objective, rel=1e-3)
    assert [r.sd for r in two.recoveries] == pytest.approx([r.sd for r in one.recoveries], rel=1e-7)


def test_rates_of_sources_come_back(everything: Case, tmp_path: Path) -> None:
    """Sources that no row shares stand apart if they have a rate; others stay in the errors."""
    text = CIRCUIT + (
        '"lab A" = 12\nsplitter = 0.5\ndust = 4\n[sources]\n'
        '"lab A" = { of = ["Sn", "Au"], relative = 2, shared = true, streams = ["feed", "conc"] }\n'
        'splitter = { of = ["Sn", "dry mass"], relative = 3 }\n'
        'dust = { of = "Au", relative = 3, streams = "tails" }\n'
        'sampling = { of = "Sn", relative = 5, streams = "feed" }\n'
        'scale = { of = "dry mass", relative = 0.3, shared = true }\n'
    )
    (tmp_path / "circuit.toml").write_text(text, "utf-8")
    case = read_case(tmp_path)
    one = _balance(case)
    again = _read_back(one, tmp_path)
    # of a value below detection nothing but its bounds is known: nothing comes from 'dust'
    assert case.rates.by_source == {"lab A": 0.12, "splitter": 0.005, "dust": 0.04}
    assert again.rates.by_source == {"lab A": 0.12, "splitter": 0.005}
    assert replace(again.rates, by_source=case.rates.by_source) == case.rates
    for m in case.survey.measurements:
        found = again.survey.measured(m.stream, m.quantity)
        assert found is not None
        assert (found.value, found.sd) == pytest.approx((m.value, m.sd), rel=1e-12)
        named, kept = ([p.source for p in x.parts] for x in (m, found))
        assert again.rates.of(m.quantity, kept) == case.rates.of(m.quantity, named)
        assert "sampling" not in kept
    assert [(s.name, s.quantity) for s in again.survey.shared] == [
        (s.name, s.quantity) for s in case.survey.shared
    ]
    assert _balance(again).objective == pytest.approx(one.objective, rel=1e-7)


def test_rates_of_a_source_that_moves_both_ways_come_back(tmp_path: Path) -> None:
    """It cannot be written as shared: what comes from it stands with each number."""
    circuit = """basis = "batch"
[streams]
feed = { to = "jig" }
conc = { from = "jig" }
tails = { from = "jig" }
[errors]
"dry mass" = { relative = 1 }
"wet mass" = { relative = 1 }
moisture = { absolute = "0.1 %" }
Sn = { relative = 3 }
[sources]
"damp day" = { of = ["dry mass", "moisture"], relative = 2, shared = true }
[doubts]
"damp day" = 10
"""
    rows = """stream,dry mass [kg],wet mass [kg],moisture [%],Sn [%]
feed,25.4,,,0.53
conc,,0.45,9,30
tails,24.9,,,0.05
"""
    (tmp_path / "circuit.toml").write_text(circuit, "utf-8")
    (tmp_path / "measurements.csv").write_text(rows, "utf-8")
    case = read_case(tmp_path)
    (source,) = case.survey.shared
    assert min(source.loadings.values()) < 0.0 < max(source.loadings.values())
    again = _read_back(_balance(case), tmp_path)
    assert again.survey.shared == ()
    assert again.rates == case.rates
    for m in case.survey.measurements:
        found = again.survey.measured(m.stream, m.quantity)
        assert found is not None
        assert found.sd == pytest.approx(m.sd, rel=1e-12)
        assert [p.source for p in found.parts if p.source == "damp day"] == (
            ["damp day"] if m.quantity == "dry mass" else []
        )


@pytest.mark.parametrize("name", ["loss", "Measurement"])
def test_a_source_called_like_a_general_rate_comes_back(name: str, tmp_path: Path) -> None:
    """Its name in the doubts would have two readings: the default is not written."""
    text = CIRCUIT[: CIRCUIT.index("[doubts]")]
    text += f'[sources]\n{name} = {{ of = "dry mass", relative = 2, shared = true }}\n'
    (tmp_path / "circuit.toml").write_text(text, "utf-8")
    (tmp_path / "measurements.csv").write_text(ROWS, "utf-8")
    case = read_case(tmp_path)
    again = _read_back(_balance(case), tmp_path)
    assert [s.name for s in again.survey.shared] == [name]
    assert again.rates == case.rates


def test_a_shared_error_of_the_solution_comes_back(tmp_path: Path) -> None:
    """Its size is written in a unit of solution grade."""
    for name in ("circuit.toml", "measurements.csv"):
        text = (EXAMPLES / "leach_test" / name).read_text("utf-8")
        if name == "circuit.toml":
            text += '\n[sources]\n"AAS" = { of = "Au in solution", relative = 4, shared = true }\n'
            text += "[doubts]\naas = 7\n"
        (tmp_path / name).write_text(text, "utf-8")
    case = read_case(tmp_path)
    again = _read_back(_balance(case), tmp_path)
    assert again.rates.by_source == {"AAS": 0.07}
    (one,), (two,) = case.survey.shared, again.survey.shared
    assert (two.name, two.quantity) == (one.name, one.quantity)
    assert two.loadings == pytest.approx(one.loadings, rel=1e-12)
