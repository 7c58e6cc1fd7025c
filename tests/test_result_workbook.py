"""The result workbook repeats its inputs: read back as a case it gives the same balance."""

from __future__ import annotations

from pathlib import Path

import pytest

from oretally.io import Case, read_case
from oretally.io.xlsx_result import xlsx_bytes
from oretally.recon import Balance, reconcile

EXAMPLES = Path(__file__).resolve().parents[1] / "examples"

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


def _balance(case: Case) -> Balance:
    return reconcile(
        case.circuit, case.survey, feed=case.feed, products=case.products, rates=case.rates
    )


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
    case = request.getfixturevalue(name) if name == "everything" else read_case(EXAMPLES / name)
    one = _balance(case)
    two = _balance(_read_back(one, tmp_path))
    assert two.objective == pytest.approx(one.objective, rel=1e-7)
    for a, b in zip(one.recoveries, two.recoveries, strict=True):
        assert (b.stream, b.analyte, b.product) == (a.stream, a.analyte, a.product)
        assert (b.recovery, b.sd) == pytest.approx((a.recovery, a.sd), rel=1e-7)
    assert [s.group for s in two.suspects] == [s.group for s in one.suspects]
    chances = [p for _, p in one.findings.probabilities]
    assert [p for _, p in two.findings.probabilities] == pytest.approx(chances, rel=1e-5, abs=1e-9)
    reasons = [slip.reason for s in one.suspects for slip in s.slips]
    assert [slip.reason for s in two.suspects for slip in s.slips] == reasons
    if name == "bucket_not_taken_off":
        assert any("steel bucket" in reason for reason in reasons)


def test_lowered_rates_stay_as_they_are(tmp_path: Path) -> None:
    """A large survey lowers the rates; read back they are not lowered twice."""
    one = _balance(read_case(EXAMPLES / "rougher_cleaner"))
    two = _balance(_read_back(one, tmp_path))
    assert two.findings.rates.measurement == pytest.approx(one.findings.rates.measurement)
    assert two.findings.rates.loss == pytest.approx(one.findings.rates.loss)


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
