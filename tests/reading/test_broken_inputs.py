"""Broken cases: each message by its whole text, each refused by the command line with status 2."""

from __future__ import annotations

from pathlib import Path

import pytest

from oretally.flowsheet import InputError
from oretally.io import read_case
from oretally.io.cli import main

CIRCUIT = """\
basis = "batch"
[streams]
feed = { to = "table" }
conc = { from = "table" }
tails = { from = "table" }
[analytes]
Sn = { unit = "%", max = 78.77 }
[errors]
"dry mass" = { relative = 0.5 }
Sn = { relative = 3 }
"""
ROWS = "stream,dry mass [kg],Sn [%]\nfeed,25.4,0.82\nconc,0.6,30\ntails,24.7,0.3\n"
_USUAL = "leave the cell blank if it was not measured."


def _in_circuit(old: str, new: str) -> tuple[str, str]:
    assert old in CIRCUIT
    return CIRCUIT.replace(old, new), ROWS


def _in_rows(old: str, new: str) -> tuple[str, str]:
    assert old in ROWS
    return CIRCUIT, ROWS.replace(old, new)


_CLEANED = CIRCUIT.replace(
    'conc = { from = "table" }',
    'rough = { from = "table", to = "two" }\nconc = { from = "two" }\nmiddlings = { from = "two" }',
)
_NO_RULES = CIRCUIT[: CIRCUIT.index("[errors]")]

# name: (circuit.toml, measurements.csv, the whole message)
BROKEN: dict[str, tuple[str, str, str]] = {
    "negative mass": (*_in_rows("25.4", "-25.4"),
        "measurements.csv, cell B2, stream 'feed', dry mass: The dry mass is -25.4 kg; it cannot "
        "be negative.\nCorrect it, or leave the cell blank if it was not measured."),
    "negative grade": (*_in_rows("0.82", "-0.82"),
        "measurements.csv, cell C2, stream 'feed', Sn: The grade is -0.82 %; it cannot be "
        "negative.\nCorrect it, or leave the cell blank if it was not measured."),
    "grade above its max": (*_in_rows("30", "80"),
        "measurements.csv, cell C3, stream 'conc', Sn: The grade is 80 %, more than the stated max "
        "(78.77 %).\nCorrect the value or its unit."),
    "grade above the whole": (CIRCUIT.replace(", max = 78.77", ""), ROWS.replace("30", "130"),
        "measurements.csv, cell C3, stream 'conc', Sn: The grade is 130 %, more than the whole "
        "(100 %).\nCorrect the value or its unit."),
    "text for a number": (*_in_rows("0.82", "about 1"),
        "measurements.csv, cell C2, stream 'feed', Sn: The value is 'about 1', not a number.\n"
        f"Write a number, or {_USUAL}"),
    "unit in the cell": (*_in_rows("25.4", "25.4 buckets"),
        "measurements.csv, cell B2, stream 'feed', dry mass: The value is '25.4 buckets', not a "
        f"number.\nWrite the number alone, its unit goes into the header, or {_USUAL}"),
    "unit of something else in the cell": (*_in_rows("25.4", "25.4 t/h"),
        "measurements.csv, cell B2, stream 'feed', dry mass: 't/h' is the unit of a mass rate, but "
        "a mass is wanted.\nWrite one of: mg, g, kg, t, lb, st, lt, ozt."),
    "ambiguous unit in the cell": (*_in_rows("0.82", "0.82 oz/ton"),
        "measurements.csv, cell C2, stream 'feed', Sn: 'oz/ton' can be read in three ways: "
        "ozt/st = 34.2857 g/t, ozt/t = 31.1035 g/t, ozt/lt = 30.6122 g/t.\n"
        "Write the one the laboratory means."),
    "trace without a limit": (*_in_rows("0.82", "trace"),
        "measurements.csv, cell C2, stream 'feed', Sn: 'trace' says that the grade is below "
        "detection, but not below what.\nWrite the limit, as in <0.01\nor state it for the "
        'analyte: [analytes] Sn = { unit = "%", detection = "0.01 %" }.'),
    "two meanings": (*_in_rows("0.82", "n.d."),
        "measurements.csv, cell C2, stream 'feed', Sn: 'n.d.' can be read as not detected or as "
        "not determined.\nWrite <0.01 (the limit) for not detected\nor leave the cell blank for "
        "not determined."),
    "mass below detection in a word": (*_in_rows("25.4", "nil"),
        "measurements.csv, cell B2, stream 'feed', dry mass: A dry mass cannot be 'nil'.\n"
        "Weigh it, or leave it blank."),
    "mass above range": (*_in_rows("25.4", ">25"),
        "measurements.csv, cell B2, stream 'feed', dry mass: A dry mass is measured, or it is "
        "not: '>' says neither.\nWeigh it, or leave it blank."),
    "grade above everything": (*_in_rows("0.82", ">100"),
        "measurements.csv, cell C2, stream 'feed', Sn: The grade is above 100 %, which is the "
        "most that it can be.\nCorrect the value or its unit."),
    "NaN": (*_in_rows("0.82", "nan"),
        "measurements.csv, cell C2, stream 'feed', Sn: The value is nan, not a finite number.\n"
        f"Correct it, or {_USUAL}"),
    "infinite": (*_in_rows("0.82", "inf"),
        "measurements.csv, cell C2, stream 'feed', Sn: The value is inf, not a finite number.\n"
        f"Correct it, or {_USUAL}"),
    "decimal comma among points": (*_in_rows("0.82", '"0,82"'),
        "measurements.csv, cell C2, stream 'feed', Sn: The value '0,82' has a comma, but the file "
        "writes decimals with a point.\nWrite 0.82 if the comma is the decimal mark\n"
        "or 082 if it separates thousands."),
    "comma that nothing decides": (CIRCUIT,
        'stream,dry mass [kg],Sn [%]\nfeed,"25,400",1\nconc,,30\ntails,,\n',
        "measurements.csv, cell B2, stream 'feed', dry mass: The value '25,400' can be read as "
        "25.400 or as 25400, and nothing else in the file decides.\nWrite 25.400\nor 25400."),
    "unknown stream": (*_in_rows("tails,", "tials,"),
        "measurements.csv, cell A4: There is no stream 'tials' in the circuit.\n"
        "Did you mean 'tails'?\nIf it is gone, take its rows out."),
    "unknown stream with nothing measured": (*_in_rows("tails,", "tials,,\ntails,"),
        "measurements.csv, cell A4: There is no stream 'tials' in the circuit.\n"
        "Did you mean 'tails'?\nIf it is gone, take its rows out."),
    "row without a stream": (*_in_rows("tails,", ","),
        "measurements.csv, cell B4: The row names no stream.\nWrite the stream, or clear the row."),
    "unit missing": (*_in_rows("Sn [%]", "Sn"),
        "measurements.csv, cell C1, Sn: A grade stands without a unit.\nWrite one of: %, g/g, "
        "g/kg, kg/t, g/t, mg/kg, ppm, ppb, lb/st, lb/t, lb/lt, ozt/st, ozt/t, ozt/lt."),
    "two units in a header": (*_in_rows("Sn [%]", "Sn (g/t) [%]"),
        "measurements.csv, cell C1: The header 'Sn (g/t) [%]' names two units.\n"
        "Write Sn [%]\nor Sn [g/t]."),
    "an error of nothing": (*_in_rows("Sn [%]", "error [%]"),
        "measurements.csv, cell C1: The header 'error [%]' does not say of what.\n"
        "Name the quantity, for example ± Sn [%]."),
    "absurd mass": (*_in_rows("25.4", "1e200"),
        "measurements.csv, cell B2, stream 'feed', dry mass: The dry mass is 1e+200 kg, more than "
        "the whole Earth.\nCorrect the value or its unit."),
    "ambiguous unit": (*_in_rows("Sn [%]", "Sn [oz/ton]"),
        "measurements.csv, cell C1, Sn: 'oz/ton' can be read in three ways: ozt/st = 34.2857 g/t, "
        "ozt/t = 31.1035 g/t, ozt/lt = 30.6122 g/t.\nWrite the one the laboratory means."),
    "unit of something else": (*_in_rows("dry mass [kg]", "dry mass [t/h]"),
        "measurements.csv, cell B1, dry mass: 't/h' is the unit of a mass rate, but a mass is "
        "wanted.\nWrite one of: mg, g, kg, t, lb, st, lt, ozt."),
    "duplicate header": (CIRCUIT, ROWS.replace("Sn [%]", "Sn [%],sn [%]").replace("0.82", "0.82,1")
                         .replace("30\n", "30,\n").replace("0.3\n", "0.3,\n"),
        "measurements.csv, cell D1: The column 'sn [%]' is there twice (also C1).\n"
        "Take one out; replicates go into rows of their own."),
    "unknown quantity": (*_in_rows("Sn [%]", "Snn [%]"),
        "measurements.csv, cell C1, Snn: 'Snn' is no quantity of this case.\nDid you mean 'Sn'?"),
    "wet or dry": (*_in_rows("dry mass", "mass"),
        "measurements.csv, cell B1, mass: 'mass' does not say whether it is wet or dry.\n"
        "Name it 'dry mass' if it is dry\nor 'wet mass' if it is wet, and give the moisture."),
    "wet rate in a batch": (*_in_rows("dry mass", "wet rate"),
        "measurements.csv, cell B1, wet rate: 'wet rate' does not go with the basis \"batch\" of "
        "this case.\nGive the wet mass, or correct the basis."),
    "rate in a batch": (*_in_rows("dry mass [kg]", "dry rate [t/h]"),
        "measurements.csv, cell B1, dry rate: 'dry rate' belongs to the basis \"rate\", but this "
        "case has the basis \"batch\".\nGive the dry mass,\nor write basis = \"rate\"."),
    "no column stream": (*_in_rows("stream,", "steam,"),
        "measurements.csv: There is no column 'stream'.\n"
        "Is it the column 'steam'? Rename it."),
    "cell beyond the header": (*_in_rows("0.82\n", "0.82,7\n"),
        "measurements.csv, cell D2: '7' stands in a column without a header.\n"
        "Give the column a header, or clear the cell. A decimal comma in a "
        "comma-separated file also moves cells to the right: write 12.5, or separate by "
        "semicolons."),
    "empty table": (CIRCUIT, "\n\n",
        "measurements.csv: The table is empty.\nWrite a header and one row a stream."),
    "zero error": (CIRCUIT, "stream,dry mass [kg],± dry mass [kg],Sn [%]\nfeed,25.4,0,0.82\n"
                   "conc,0.6,,30\ntails,24.7,,0.3\n",
        "measurements.csv, cell C2, stream 'feed', dry mass: The stated error is 0; it must be "
        "above 0.\nEnter one standard deviation, or leave the cell blank to use the rule stated "
        "for the quantity."),
    "negative error": (CIRCUIT, "stream,dry mass [kg],± dry mass [kg]\nfeed,25.4,-1\n",
        "measurements.csv, cell C2, stream 'feed', dry mass: The stated error is -1; it must be "
        "above 0.\nEnter one standard deviation, or leave the cell blank to use the rule stated "
        "for the quantity."),
    "NaN error": (CIRCUIT, "stream,dry mass [kg],± dry mass [kg]\nfeed,25.4,nan\n",
        "measurements.csv, cell C2, stream 'feed', dry mass: The stated error is nan, not a finite "
        f"number.\nCorrect it, or {_USUAL}"),
    "infinite error": (CIRCUIT, "stream,dry mass [kg],± dry mass [kg]\nfeed,25.4,1e999\n",
        "measurements.csv, cell C2, stream 'feed', dry mass: The stated error is inf, not a finite "
        f"number.\nCorrect it, or {_USUAL}"),
    "error of an unknown quantity": (
        CIRCUIT, "stream,dry mass [kg],± dry mas [kg]\nfeed,25.4,0.1\n",
        "measurements.csv, cell C1: The error column '± dry mas [kg]' has no column 'dry mas' to "
        "go with it.\nAdd it, or correct the name."),
    "missing error": (_NO_RULES + '[errors]\n"dry mass" = { relative = 1 }\n',
                      "stream,dry mass [kg],Sn [%]\nfeed,25.4,0.82\n",
        "measurements.csv, cell C2, stream 'feed', Sn: No error is stated.\n"
        "Enter it beside the value (column ± Sn)\n"
        "or state a rule: [errors] Sn = { relative = 3 } (a usual figure; common "
        "practice, no source)."),
    "missing errors of many": (_NO_RULES + '[errors]\n"dry mass" = { relative = 1 }\n',
        "stream,dry mass [kg],Sn [%]\nfeed,25.4,0.82\n"
        + "".join(f"conc,0.6,18.{i}\n" for i in range(5))
        + "".join(f"tails,24,0.{i}\n" for i in range(5)),
        "measurements.csv, cell C2, stream 'feed', Sn: No error is stated, nor for 'conc' (C3), "
        "'conc' (C4), 'conc' (C5), 'conc' (C6), 'conc' (C7), 'tails' (C8), 'tails' (C9), 'tails' "
        "(C10) and 2 more.\nEnter it beside the value (column ± Sn)\n"
        "or state a rule: [errors] Sn = { relative = 3 } (a usual figure; common "
        "practice, no source)."),
    "missing error that others state": (_NO_RULES,
        "stream,dry mass [kg],± dry mass [kg]\nfeed,25.4,0.1\nconc,0.6,\n",
        "measurements.csv, cell B3, stream 'conc', dry mass: No error is stated.\n"
        "Enter it beside the value; other rows of dry mass state 0.1 kg."),
    "relative error of zero": (*_in_rows("0.3\n", "0\n"),
        "measurements.csv, cell C4, stream 'tails', Sn: The value is 0 and its error is stated in "
        "percent of the value, which is 0 too.\nState an absolute error for it,\n"
        "or leave the cell empty if it was not measured: 0 means that there was none."),
    "error without a value": (CIRCUIT, "stream,dry mass [kg],± dry mass [kg]\nfeed,25.4,1\n"
                              "conc,,0.1\n",
        "measurements.csv, cell C3, stream 'conc', dry mass: There is an error but no value.\n"
        "Enter the value, or clear the error."),
    "error of nothing": (CIRCUIT, "stream,dry mass [kg],± Sn [%]\nfeed,25.4,1\n",
        "measurements.csv, cell C1: The error column '± Sn [%]' has no column 'Sn' to go with "
        "it.\nAdd it, or correct the name."),
    "mass below detection": (*_in_rows("0.6", "<0.6"),
        "measurements.csv, cell B3, stream 'conc', dry mass: A dry mass cannot be below "
        "detection.\nWeigh it, or leave it blank."),
    "no flow column": (CIRCUIT, "stream,Sn [%]\nfeed,0.82\n",
        "measurements.csv: No column gives the dry mass.\n"
        "Add the column dry mass [kg], with a number for one stream at least."),
    "long table, unknown column": (CIRCUIT,
        "stream,quantity,value,unit,eror\nfeed,dry mass,25,kg,\n",
        "measurements.csv, cell E1: 'eror' is not a column of a long table.\n"
        "Did you mean 'error'?"),
    "long table, column missing": (CIRCUIT, "stream,quantity,value\nfeed,dry mass,25\n",
        "measurements.csv: The column 'unit' is missing.\nColumns of a long table: stream, "
        "quantity, value, unit, error, error unit, method, note, replicate."),
    "not TOML": (CIRCUIT.replace("[streams]", "[streams"), ROWS,
        "circuit.toml: This is not TOML: Expected ']' at the end of a table declaration (at line "
        "2, column 9).\nNames with spaces stand in quotes, texts stand in quotes, entries of a "
        'table in braces: "mill feed" = { to = "jig" }.'),
    "unknown key": (*_in_circuit("basis =", 'titel = "x"\nbasis ='),
        "circuit.toml, line 1: 'titel' is not known here.\nDid you mean 'title'?"),
    "unknown end": (*_in_circuit('conc = { from = "table" }', 'conc = { form = "table" }'),
        "circuit.toml, line 4: 'form' is not known here.\nDid you mean 'from'?\n\n"
        "circuit.toml, line 4: Stream 'conc' neither leaves nor enters a node.\n"
        "Give the node it comes from, the node it goes to, or both."),
    "misspelt node": (*_in_circuit('conc = { from = "table" }', 'conc = { from = "tabel" }'),
        "circuit.toml, line 4: Node 'tabel' ('from' of 'conc') has no inlet: nothing enters it.\n"
        "Is 'tabel' misspelt? Did you mean 'table'?"),
    "no basis": (*_in_circuit('basis = "batch"\n', ""),
        "circuit.toml: The basis is not stated: are flows the masses of one batch, or rates?\n"
        'Write basis = "batch" for weights\nor basis = "rate" for t/h and the like.'),
    "misspelt basis": (*_in_circuit('"batch"', '"bacth"'),
        "circuit.toml, line 1: The basis is 'bacth'; it is 'batch' (masses of one test) or "
        "'rate'.\nDid you mean 'batch'?"),
    "max above the whole": (*_in_circuit("78.77", "178"),
        "circuit.toml, line 7, Sn: The max of Sn is 178; it must be a number above 0 and at most "
        "100 %.\nWrite the grade of the pure mineral, or leave it out."),
    "rule of zero": (*_in_circuit("relative = 3", "relative = 0"),
        "circuit.toml, line 10, Sn: The stated error is 0: nothing is measured without error.\n"
        "State a relative error, an absolute one, or both."),
    "negative rule": (*_in_circuit("relative = 3", "relative = -3"),
        "circuit.toml, line 10, Sn: The relative error is -3; it is a number of at least 0, in "
        "percent of the value.\nWrite for example relative = 3."),
    "rule without a unit": (*_in_circuit("relative = 3", 'relative = 3, absolute = "0.01"'),
        "circuit.toml, line 10, Sn: The absolute error is '0.01'; it is a number of at least 0 "
        'with its unit.\nWrite for example absolute = "2 g".'),
    "rule for nothing": (*_in_circuit("Sn = { relative", "Tin = { relative"),
        "circuit.toml, line 10, Tin: An error is stated for 'Tin', which is no quantity of this "
        'case (basis "batch").\nQuantities: dry mass, Sn.\n\n'
        "measurements.csv, cell C2, stream 'feed', Sn: No error is stated, nor for 'conc' (C3) and "
        "'tails' (C4).\n"
        "Enter it beside the value (column ± Sn)\n"
        "or state a rule: [errors] Sn = { relative = 3 } (a usual figure; common "
        "practice, no source)."),
    "coverage of zero": (*_in_circuit("relative = 3", "relative = 3, coverage = 0"),
        "circuit.toml, line 10, Sn: The coverage is 0; it says how many standard deviations the "
        "figures are, a number above 0.\nWrite 1, 2 or 3, or leave it out."),
    "report of no stream": (CIRCUIT + '[report]\nfeed = "fed"\n', ROWS,
        "circuit.toml, line 12: The report names 'fed', which is no stream.\nDid you mean 'feed'?\n"
        "If it is gone, take it out."),
    "lost is no stream": (CIRCUIT + '[report]\nlost = ["tail"]\n', ROWS,
        "circuit.toml, line 12: The report names 'tail', which is no stream.\n"
        "Did you mean 'tails'?\nIf it is gone, take it out."),
    "lost is no product": (CIRCUIT + '[report]\nlost = "Feed"\n', ROWS,
        "circuit.toml, line 12: 'feed' is given as lost, but is no product.\n"
        "Name one of the products: 'conc', 'tails'."),
    "lost is no name": (CIRCUIT + "[report]\nlost = true\n", ROWS,
        "circuit.toml, line 12: 'lost' must be a name or a list of names.\n"
        'Write lost = "...", or lost = ["...", "..."].'),
    "all is lost": (CIRCUIT + '[report]\nlost = ["conc", "tails"]\n', ROWS,
        "circuit.toml, line 12: Every product is given as lost.\n"
        "Leave out those that are kept; the products are 'conc', 'tails'."),
    "feed is no name": (CIRCUIT + "[report]\nfeed = 1\n", ROWS,
        "circuit.toml, line 12: 'feed' must be a name or a list of names.\n"
        'Write feed = "...", or feed = ["...", "..."].'),
    "feed twice": (CIRCUIT + '[report]\nfeed = ["feed", "Feed"]\n', ROWS,
        "circuit.toml, line 12: 'feed' is named as feed twice.\nName it once."),
    "feed within a feed": (CIRCUIT + '[report]\nfeed = ["feed", "conc"]\n', ROWS,
        "circuit.toml, line 12: 'feed' and 'conc' cannot both be feeds: what the first brings goes "
        "to the second, and would count twice.\nLeave one of them out."),
    "feed that leaves": (CIRCUIT + '[report]\nfeed = "tails"\n', ROWS,
        "circuit.toml, line 12: The feed 'tails' leaves the circuit: nothing is made of it.\n"
        "Name the stream that everything is made of."),
    "feed among the products": (CIRCUIT + '[report]\nproducts = ["feed", "conc"]\n', ROWS,
        "circuit.toml, line 12: 'feed' is named as feed and as product.\n"
        "Leave it out of the products."),
    "product twice": (CIRCUIT + '[report]\nproducts = ["conc", "Conc"]\n', ROWS,
        "circuit.toml, line 12: 'conc' is named as product twice.\nName it once."),
    "products that overlap": (_CLEANED + '[report]\nproducts = ["conc", "rough"]\n', ROWS,
        "circuit.toml, line 14: The products 'rough' and 'conc' overlap: what is in the first goes "
        "to the second, and would count twice.\nLeave one of them out."),
    "product beside the feed": (_CLEANED + '[report]\nfeed = "rough"\n', ROWS,
        "circuit.toml, line 14: The product 'tails' has nothing of the feed in it: nothing flows "
        "from 'rough' to it.\nName another feed, or only products that are made of it."),
    "mass of nothing": (
        _in_circuit("{ relative = 0.5 }", '{ absolute = "9 g" }')[0],
        ROWS.replace("feed,25.4", "feed,0"),
        "measurements.csv, cell B2, stream 'feed', dry mass: The dry mass is 0, but there is an "
        "assay of Sn: what is not there cannot be assayed.\n"
        "0 means that there was none: leave the cell empty if it was not weighed\n"
        "or clear the assays."),
    "kind of no node": (CIRCUIT + '[nodes]\ntable = { kind = "spliter" }\n', ROWS,
        "circuit.toml, line 12: 'spliter' is not a kind of node.\nDid you mean 'splitter'?"),
}  # fmt: skip


def _case(folder: Path, circuit: str, rows: str) -> Path:
    folder.mkdir(exist_ok=True)
    (folder / "circuit.toml").write_text(circuit, encoding="utf-8")
    (folder / "measurements.csv").write_text(rows, encoding="utf-8")
    return folder


def test_the_case_they_are_made_from_is_right(tmp_path: Path) -> None:
    case = read_case(_case(tmp_path / "case", CIRCUIT, ROWS))
    assert len(case.survey.measurements) == 6
    assert case.feed == "feed"


@pytest.mark.parametrize("name", list(BROKEN))
def test_message(name: str, tmp_path: Path) -> None:
    circuit, rows, text = BROKEN[name]
    with pytest.raises(InputError) as refused:
        read_case(_case(tmp_path / "case", circuit, rows))
    assert str(refused.value) == text


@pytest.mark.parametrize("name", list(BROKEN))
def test_command_line_exits_2(
    name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    circuit, rows, text = BROKEN[name]
    with pytest.raises(SystemExit) as stop:
        main(["balance", str(_case(tmp_path / "case", circuit, rows))])
    shown = capsys.readouterr()
    assert stop.value.code == 2
    assert "Traceback" not in shown.err
    assert text in shown.err
    assert shown.out == ""


def test_all_faults_of_all_files_at_once(tmp_path: Path) -> None:
    circuit = CIRCUIT.replace("relative = 3", "relative = -3").replace('"batch"', '"bacth"')
    rows = ROWS.replace("0.82", "-1").replace("tails", "tials").replace("30", "x")
    with pytest.raises(InputError) as refused:
        read_case(_case(tmp_path / "case", circuit, rows))
    files = [fault.place.file for fault in refused.value.faults]
    assert files.count("circuit.toml") == 2
    assert files.count("measurements.csv") >= 3
