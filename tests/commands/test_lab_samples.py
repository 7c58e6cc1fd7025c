"""`oretally lab`: samples matched to streams, typed grades held against them, bias as a source."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import jsonschema
import pytest
from lab_cases import CIRCUIT, HEADER, LAB, ROWS, Capture, case, run, told

from oretally.io import read_case
from oretally.io.certificate import case_certificate
from oretally.io.laboratory import read_lab
from oretally.io.laboratory.document import lab_schema


def test_a_typed_number_is_never_changed_and_a_difference_is_told(
    tmp_path: Path, capsys: Capture
) -> None:
    """With the cell, and with the stream that has just that grade; in every command."""
    rows = ROWS.replace("31.2", "0.303").replace("tailings,,,,", "tailings,900,0.33,,")
    path = case(tmp_path / "c", rows)
    status, out, _ = run(capsys, "lab", path, "--fill")
    assert status == 0
    assert told(out)[:2] == [
        "Not as certified: measurements.csv, cell C3, Sn of 'concentrate': 0.303 % typed, 31.2 % "
        "certified (concentrate); that is the grade of 'tailings'.",
        "Not as certified: measurements.csv, cell C5, Sn of 'tailings': 0.33 % typed, 0.303 % "
        "certified (GT-04).",
    ]
    kept = (path / "measurements.csv").read_text("utf-8")
    assert "concentrate,30,0.303,," in kept and "tailings,900,0.33,," in kept
    note = (
        "2 typed grades are not the laboratory's: Sn of 'concentrate' (C3): 0.303 % typed, 31.2 % "
        "certified; Sn of 'tailings' (C5): 0.33 % typed, 0.303 % certified. See 'oretally lab c'."
    )
    assert read_case(path).notes[0] == note
    status, out, err = run(capsys, "balance", path)
    assert status == 0 and " ".join(err.split()) == note
    out = run(capsys, "check", path)[1]
    assert " ".join(out.split()).startswith(f"Tin table {note}")


@pytest.mark.parametrize(
    ("typed", "agrees"),
    [
        ("1.10", True), ("1.1", True), ("1", True), ("1.08", True), ("1.09", True),  # the mean
        ("1.095", False), ("1.12", False), ("11000 g/t", True), ("11.0 kg/t", True),
        ("10950 g/t", False), ("<1.10", False), ("n.s.", False), ("0.352 ozt/st", False),
    ],
)  # fmt: skip
def test_what_agrees(typed: str, agrees: bool, tmp_path: Path) -> None:
    """A reading, or the mean of several, in any unit, to the digits that were typed."""
    path = case(tmp_path / "c", ROWS.replace("feed,1000,,", f"feed,1000,{typed},"))
    found = case_certificate(path, read_lab(path))
    assert found is not None
    assert [d.stream for d in found.typed.differences] == ([] if agrees else ["feed"])


def test_below_detection_agrees_with_the_same_limit_only(tmp_path: Path) -> None:
    for i, (typed, agrees) in enumerate([("<50", True), ("<40", False), ("50", False)]):
        path = case(tmp_path / str(i), ROWS.replace("2.0,,", f"2.0,{typed},"))
        found = case_certificate(path, read_lab(path))
        assert found is not None
        assert (found.typed.differences == ()) == agrees


def test_half_of_the_streams_and_samples_of_others(tmp_path: Path, capsys: Capture) -> None:
    lab = HEADER + "tailings,sample,Sn,0.3,%,,,,\nX-9,sample,Sn,5,%,,,,\nTT-1,sample,Bi,1,%,,,,\n"
    path = case(tmp_path / "c", lab=lab)
    status, out, _ = run(capsys, "lab", path, "--fill")
    assert status == 0
    assert told(out) == [
        "Filled into measurements.csv: C5 Sn of 'tailings' 0.3 (tailings).",
        "Streams without a sample here: 'concentrate', 'middlings'.",
        "Samples of no stream: 'X-9'.",
        "Certified, and no column of measurements.csv: Bi.",
    ]


def test_no_sample_of_any_stream_is_refused(tmp_path: Path, capsys: Capture) -> None:
    path = case(tmp_path / "c", lab=HEADER + 'S"1,sample,Sn,1,%,,,,\n')
    assert "Samples" not in run(capsys, "lab", path)[1]  # nobody asked
    status, out, err = run(capsys, "lab", path, "--fill")
    assert (status, out) == (2, "")
    assert err == (
        "1 problem in the input:\n\nc: No sample of the batch is of a stream of this case: they "
        'are called \'S"1\'.\nSay which is which under [lab]: samples = { "S\\"1" = "feed" }\n'
        "or send them under the labels of 'oretally sheet', as 'TT-1' for 'feed'.\n"
    )
    assert (path / "measurements.csv").read_bytes() == ROWS.encode()


FAULTS = {
    'samples = { "GT-04" = "tails" }': (
        "circuit.toml, line 13: The sample 'GT-04' is said to be of 'tails', which is no stream.\n"
        "Did you mean 'tailings'?\nIf it is gone, take its labels out.\n"
    ),
    'samples = { "A" = 3 }': (
        "circuit.toml, line 13: The sample 'A' is said to be of 3; it is the name of a stream.\n"
        'Write "A" = "...".\n'
    ),
    'samples = { "A" = "feed", "a " = "tailings" }': (
        "circuit.toml, line 13: The sample 'a ' is there twice.\nTake one out.\n"
    ),
    'samples = "feed"': (
        "circuit.toml, line 13: 'samples' must be a table.\nWrite samples = { ... }.\n"
    ),
}


@pytest.mark.parametrize("entry", list(FAULTS))
@pytest.mark.parametrize("command", ["lab", "check", "balance"])
def test_wrong_labels_are_refused_where_they_stand(
    entry: str, command: str, tmp_path: Path, capsys: Capture
) -> None:
    circuit = CIRCUIT.replace('samples = { "GT-04" = "tailings" }', entry)
    path = case(tmp_path / "c", circuit=circuit)
    status, out, err = run(capsys, command, path)
    assert (status, out) == (2, "")
    assert err == f"1 problem in the input:\n\n{FAULTS[entry]}"


def test_a_label_without_a_result_may_outlive_its_stream(tmp_path: Path, capsys: Capture) -> None:
    circuit = CIRCUIT.replace('"GT-04" = "tailings"', '"GT-04" = "tailings", "GT-09" = "slimes"')
    path = case(tmp_path / "c", circuit=circuit)
    assert run(capsys, "lab", path)[0] == 0
    note = ("circuit.toml, line 13: the label 'GT-09' of 'slimes', which is no stream, is passed "
            "over: no result is of it.")  # fmt: skip
    assert note in read_case(path).notes


def test_json_has_all_of_it(tmp_path: Path, capsys: Capture) -> None:
    path = case(tmp_path / "c", ROWS.replace("31.2", "3.12"))
    status, out, _ = run(capsys, "lab", path, "--fill", "--json", "-")
    assert status == 0
    document = json.loads(out)
    jsonschema.Draft202012Validator(lab_schema()).validate(document)
    samples = document["samples"]
    assert samples["matched"][0] == {"label": "TT-1", "stream": "feed"}
    (difference,) = samples["differences"]
    assert (difference["cell"], difference["typed"]) == ("C3", "3.12 %")
    assert [f["text"] for f in samples["filled"]] == ["1.10", "1.08", "0.303", "<0.005 %"]
    out = run(capsys, "lab", path / "lab.csv", "--json", "-")[1]
    document = json.loads(out)
    jsonschema.Draft202012Validator(lab_schema()).validate(document)
    assert document["samples"] is None


def test_the_report_tells_it_and_escapes_foreign_words(tmp_path: Path, capsys: Capture) -> None:
    label = "<b>&amp;</b>"
    path = case(tmp_path / "c", lab=LAB + f"{label},sample,Sn,1,%,,,,\n")
    status, out, _ = run(capsys, "lab", path, "--html", tmp_path / "lab.html")
    assert status == 0 and label in out
    page = (tmp_path / "lab.html").read_text("utf-8")
    assert "Samples and streams" in page and label not in page
    assert "&lt;b&gt;&amp;amp;&lt;/b&gt;" in page


def test_a_label_with_an_escape_is_refused(tmp_path: Path, capsys: Capture) -> None:
    path = case(tmp_path / "c", lab=LAB + "a\x1b[31m,sample,Sn,1,%,,,,\n")
    status, _, err = run(capsys, "lab", path, "--fill")
    assert status == 2 and "U+001B escape" in err and "\x1b" not in err


def test_bias_is_a_source_on_request_only(tmp_path: Path, capsys: Capture) -> None:
    """Root of the squares of the bias and of its own sd, shared; the case is not touched."""
    path = case(tmp_path / "c")
    before = (path / "circuit.toml").read_bytes()
    status, out, _ = run(capsys, "lab", path, "--bias-source")
    assert status == 0
    document = tomllib.loads(before.decode() + out)
    (source,) = document["sources"].values()
    batch = json.loads(run(capsys, "lab", path, "--json", "-")[1])["analytes"][0]
    bias = batch["standards"]["relative_bias"]
    wanted = 100.0 * (bias["value"] ** 2 + bias["sd"] ** 2) ** 0.5
    assert source == {"of": "Sn", "relative": pytest.approx(wanted, rel=5e-3), "shared": True}
    assert out.startswith(
        '[sources."laboratory bias, Sn"]\n# 2 readings of 1 standard in lab.csv: bias +2.6 % ('
    )
    assert out.endswith("\n# As: no entry; nothing is known of the bias.\n")
    assert (path / "circuit.toml").read_bytes() == before
    (path / "circuit.toml").write_text(before.decode() + out, "utf-8")
    assert [s.name for s in read_case(path).survey.shared] == ["laboratory bias, Sn"]
    status, _, err = run(capsys, "lab", path, "--bias-source", "--json", "-")
    assert status == 2 and "Print one of them" in err
