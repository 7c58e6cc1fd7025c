"""What `oretally check` says of values that nothing determines."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner
from rougher_line import LINE

from oretally.io.cli import oretally

CIRCUIT = (
    LINE
    + """\
"class mass" = { relative = 2 }
[report]
feed = "feed"
"""
)
MEASURED = "stream,dry rate [t/h],Cu [%]\nfeed,42,1.2\ncon,,24\nback,,3.1\ntails,,0.2\n"


def _case(folder: Path, measured: str, sizes: str = "") -> Path:
    folder.mkdir()
    (folder / "circuit.toml").write_text(CIRCUIT, "utf-8")
    (folder / "measurements.csv").write_text(measured, "utf-8")
    if sizes:
        (folder / "sizes.csv").write_text(sizes, "utf-8")
    return folder


def _checked(*options: str) -> str:
    return " ".join(CliRunner().invoke(oretally, ["check", *options]).output.split())


def test_what_is_not_determined_is_named_with_the_assay_that_would(tmp_path: Path) -> None:
    """Three of them, all in full; and with that assay none is left."""
    case = _case(tmp_path / "a", MEASURED)
    told = _checked(str(case))
    assert (
        "5 not measured and not determined (unobservable): dry rate of 'mixed', Cu of 'mixed', "
        "dry rate of 'middlings' and 2 more. Measure Cu of 'mixed': then all of them would be "
        "determined."
    ) in told
    assert "dry rate of 'middlings', Cu of 'middlings', dry rate of 'back'." in (
        _checked(str(case), "--full")
    )
    mended = _case(tmp_path / "b", f"{MEASURED}mixed,,1.5\n")
    assert "unobservable" not in _checked(str(mended))


def test_the_assay_is_found_beside_sieve_analyses(tmp_path: Path) -> None:
    """What nobody looked for by size is not missed."""
    sizes = "stream,passing [um],retained [um],mass [%]\n"
    sizes += "".join(f"{s},,75,{m}\n{s},75,,{100 - m}\n" for s, m in (("feed", 40), ("tails", 41)))
    told = _checked(str(_case(tmp_path / "a", MEASURED, sizes)))
    assert "5 not measured and not determined (unobservable)" in told
    assert "Measure Cu of 'mixed': then all of them would be determined." in told
