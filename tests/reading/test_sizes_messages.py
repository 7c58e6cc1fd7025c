"""What is wrong with a table of sizes: each message by its whole text."""

from __future__ import annotations

from pathlib import Path

import pytest
from sizes_rows import (
    ROWS,
    SHARES,
    read_rows,
)

# invented: feed and underflow on 300, 150 and 75 um, the overflow on 212 and 75 um
CROSSING = """\
stream,passing [um],retained [um],mass [%],Pb [%]
feed,,300,20,1.0
feed,300,150,30,1.5
feed,150,75,25,2.5
feed,75,,25,3.5
overflow,,212,5,0.55
overflow,212,75,35,1.4
overflow,75,,60,3.1
underflow,,300,30,1.02
underflow,300,150,42,1.6
underflow,150,75,20,3.2
underflow,75,,8,5.0
"""


NO_MASS = "without it the shares of all are not known."


FAULTS = {
    "reversed": (
        SHARES.replace("feed,150,75,30", "feed,75,150,30"),
        "sizes.csv, cell C3, stream 'feed': The class passed 75 um and was retained on 150 um, "
        "which is coarser.\nExchange them: passing 150 um, retained 75 um.",
    ),
    "numbers of sieves": (
        "stream,passing [um],retained [um],mass [%]\nfeed,,100,30\nfeed,100,200,70\n",
        "sizes.csv, cell C3, stream 'feed': The class passed 100 um and was retained on 200 um, "
        "which is coarser.\nName the columns [ASTM E11] if these are numbers of sieves\n"
        "or exchange them: passing 200 um, retained 100 um.",
    ),
    "the same": (
        SHARES.replace("feed,150,75,30", "feed,75,75,30"),
        "sizes.csv, cell C3, stream 'feed': The class passed 75 um and was retained on the same.\n"
        "Correct one of the two openings.",
    ),
    "two units": (
        SHARES.replace("retained [um]", "retained [mm]"),
        "sizes.csv, cell B1: The headers 'passing [um]' and 'retained [mm]' (cell C1) state two "
        "units, and with these no class passes the sieve that retained the one above it; with one "
        "unit all of them do.\nWrite the unit of the numbers in both: passing [mm] and retained "
        "[mm]\nor passing [um] and retained [um].",
    ),
    "two units of a table that has another error": (
        SHARES.replace("retained [um]", "retained [mm]").replace("feed,75,0", "feed,60,0"),
        "sizes.csv, cell C3, stream 'feed': The class passed 150 um and was retained on 75000 um, "
        "which is coarser.\nExchange them: passing 75000 um, retained 150 um.\n\n"
        "sizes.csv, cell C6, stream 'overflow': The class passed 150 um and was retained on 75000 "
        "um, which is coarser.\nExchange them: passing 75000 um, retained 150 um.",
    ),
    "overlap": (
        SHARES.replace("feed,75,0,20", "feed,106,0,20"),
        "sizes.csv, cell C4, stream 'feed': The classes -150+75 um and -106 um of 'feed' overlap.\n"
        "Each class passes the sieve that retained the one above it: here 75 um.",
    ),
    "crossing stacks": (
        CROSSING,
        "sizes.csv, cell C6, stream 'overflow': The stacks of 'overflow' and 'feed' cross: +212 um "
        "of 'overflow' holds a part of -300+150 um of 'feed' (cell C3), and nothing says how "
        "much.\nIn 'overflow' add together the classes between the sieves that both have (75 um): "
        "+212 um and -212+75 um to +75 um\nor leave the sizes of 'overflow' out.",
    ),
    "the stack that most streams have stays": (
        "\n".join([CROSSING.split("\n")[0], *CROSSING.split("\n")[5:8],
                   *CROSSING.split("\n")[1:5], *CROSSING.split("\n")[8:]]),
        "sizes.csv, cell C2, stream 'overflow': The stacks of 'overflow' and 'feed' cross: +212 um "
        "of 'overflow' holds a part of -300+150 um of 'feed' (cell C6), and nothing says how "
        "much.\nIn 'overflow' add together the classes between the sieves that both have (75 um): "
        "+212 um and -212+75 um to +75 um\nor leave the sizes of 'overflow' out.",
    ),
    "crossing stacks in two places": (
        "stream,passing [um],retained [um],mass [%]\nfeed,,300,10\nfeed,300,150,10\n"
        "feed,150,75,10\nfeed,75,38,10\nfeed,38,,60\noverflow,,212,20\noverflow,212,150,10\n"
        "overflow,150,106,10\noverflow,106,53,10\noverflow,53,45,10\noverflow,45,,40\n",
        "sizes.csv, cell C7, stream 'overflow': The stacks of 'overflow' and 'feed' cross: +212 um "
        "of 'overflow' holds a part of -300+150 um of 'feed' (cell C3), and nothing says how "
        "much.\nIn 'overflow' add together the classes between the sieves that both have (150 "
        "um): +212 um and -212+150 um to +150 um; -150+106 um, -106+53 um, -53+45 um and -45 um "
        "to -150 um\nor leave the sizes of 'overflow' out.",
    ),
    "gap": (
        SHARES.replace("feed,75,0,20", "feed,38,0,20"),
        "sizes.csv, cell C4, stream 'feed': Between -150+75 um and -38 um of 'feed' the class "
        "-75+38 um is missing.\nAdd its row, or correct the openings.",
    ),
    "no pan": (
        SHARES.replace("feed,75,0,20,4.0\n", ""),
        "sizes.csv, cell C3, stream 'feed': The finest class of 'feed' is -150+75 um: what passed "
        "75 um is missing.\nAdd the row of the pan: passing 75 um, retained blank.",
    ),
    "no top": (
        SHARES.replace("feed,,150", "feed,300,150"),
        "sizes.csv, cell C2, stream 'feed': Nothing says what is coarser than 300 um in 'feed'.\n"
        "Add the row of what stayed on that sieve: retained 300 um, passing blank (mass 0 if "
        "nothing did)\nor leave the passing of -300+150 um blank: then it is all that stayed on "
        "150 um.",
    ),
    "one class": (
        SHARES.replace("feed,150,75,30,3.0\nfeed,75,0,20,4.0\n", ""),
        "sizes.csv, cell C2, stream 'feed': 'feed' has one class only, +150 um.\n"
        "Give a row for each class of the stack, from what stayed on the coarsest sieve to what "
        "passed the finest.",
    ),
    "one sieve in two ways": (
        SHARES.replace("overflow,150,75,", "overflow,150,74,").replace("flow,75,0", "flow,74,0"),
        "sizes.csv, cell C6, stream 'overflow': The opening is 74 um here and 75 um in cell C3 "
        "(stream 'feed'). They differ by 1.4 %, less than two sieves do: it is likely one sieve, "
        "written in two ways.\nWrite the same opening in both: 75 um is a sieve of ASTM E11, the "
        "other is not.",
    ),
    "no mass": (
        SHARES.replace("feed,150,75,30,3.0", "feed,150,75,,3.0"),
        "sizes.csv, cell D3, stream 'feed': The class -150+75 um of 'feed' has no mass, but an "
        f"assay of Pb.\nEnter it, 0 if nothing stayed on the sieve: {NO_MASS} The others add up to "
        "70 %.",
    ),
    "no mass in grams": (
        ROWS.replace("feed,150,75,30,0.5,3.0,4", "feed,150,75,,,,"),
        "sizes.csv, cell D3, stream 'feed': The class -150+75 um of 'feed' has no mass.\n"
        f"Enter it, 0 if nothing stayed on the sieve: {NO_MASS}",
    ),
    "an assay of nothing": (
        SHARES.replace("feed,,150,50,2.0", "feed,,150,0,2.0").replace("75,0,20,", "75,0,70,"),
        "sizes.csv, cell E2, stream 'feed', Pb in +150 um: The class has the mass 0, but an "
        "assay.\nClear the assay, or correct the mass.",
    ),
    "unknown stream": (
        SHARES.replace("overflow", "overflw"),
        "sizes.csv, cell A5: There is no stream 'overflw' in the circuit.\n"
        "Did you mean 'overflow'?\nIf it is gone, take its rows out.",
    ),
    "solution": (
        SHARES.replace("overflow", "wash water"),
        "sizes.csv, cell A5: The stream 'wash water' is a solution: it has no solids to be "
        'sieved.\nTake its rows out, or correct its content in the circuit to "pulp".',
    ),
    "nameless row": (
        SHARES.replace("overflow,,150", ",,150"),
        "sizes.csv, cell C5: The row names no stream.\nWrite the stream, or clear the row.\n\n"
        "sizes.csv, cell C6, stream 'overflow': Nothing says what is coarser than 150 um in "
        "'overflow'.\nAdd the row of what stayed on that sieve: retained 150 um, passing blank "
        "(mass 0 if nothing did)\nor leave the passing of -150+75 um blank: then it is all that "
        "stayed on 75 um.",
    ),
    "unknown analyte": (
        SHARES.replace("Pb [%]", "Zn [%]"),
        "sizes.csv, cell E1: 'Zn' is no analyte of this case.\n"
        "Analytes: Pb. List a new one under [analytes].",
    ),
    "no unit": (
        SHARES.replace("mass [%]", "mass"),
        "sizes.csv, cell D1, mass: A mass stands without a unit.\n"
        "Write one of: mg, g, kg, t, lb, st, lt, ozt.\nFor shares write mass [%].",
    ),
    "no unit of a grade": (
        SHARES.replace("Pb [%]", "Pb"),
        "sizes.csv, cell E1, Pb: A grade stands without a unit.\nWrite one of: %, g/g, g/kg, kg/t, "
        "g/t, mg/kg, ppm, ppb, lb/st, lb/t, lb/lt, ozt/st, ozt/t, ozt/lt.",
    ),
    "no unit of sizes": (
        SHARES.replace("retained [um]", "retained"),
        "sizes.csv, cell C1: The sizes stand without a unit.\n"
        "Write retained [um] or [mm] for openings\nor the series of the designations: [ASTM E11], "
        "[ISO 565 R20/3], [ISO 565 R40/3].",
    ),
    "mesh without series": (
        SHARES.replace("retained [um]", "retained [mesh]"),
        "sizes.csv, cell C1: 'mesh' does not say of which series: ASTM E11, Tyler and BS 410 "
        "number sieves differently.\nWrite retained [um] or [mm] for openings\nor the series of "
        "the designations: [ASTM E11], [ISO 565 R20/3], [ISO 565 R40/3].",
    ),
    "mesh in a cell": (
        SHARES.replace("feed,,150,50", "feed,,100 mesh,50"),
        "sizes.csv, cell C2, stream 'feed', retained: '100 mesh' is a sieve number without a "
        "series, and ASTM E11, Tyler and BS 410 number sieves differently; as ASTM E11 No. 100 it "
        "is 150 um.\nWrite the opening, '150 um', or give the series 'ASTM E11' if that is meant.",
    ),
    "another series": (
        SHARES.replace("retained [um]", "retained [Tyler]"),
        "sizes.csv, cell C1: 'Tyler' is not a unit known here.\nWrite um or mm for openings\n"
        "or a series of designations: [ASTM E11], [ISO 565 R20/3], [ISO 565 R40/3].",
    ),
    "not of the series": (
        "stream,retained [ASTM E11],mass [%]\nfeed,74 um,50\nfeed,,50\n",
        "sizes.csv, cell B2, stream 'feed', retained: The opening 74 um is none of ASTM E11.\n"
        "Write the sieve that was used; the nearest is 75 um\nor name the column retained [um].",
    ),
    "negative opening": (
        SHARES.replace("feed,150,75,30", "feed,150,-75,30"),
        "sizes.csv, cell C3, stream 'feed', retained: The opening is -75 um; an opening is above "
        "0.\nWrite the opening of the sieve, or leave the cell blank for the finest class.",
    ),
    "passing 0": (
        SHARES.replace("feed,150,75,30", "feed,0,75,30"),
        "sizes.csv, cell B3, stream 'feed', passing: What passed has the opening 0 um; an opening "
        "is above 0.\nWrite the opening of the sieve, or leave the cell blank for the coarsest "
        "class.",
    ),
    "no opening": (
        SHARES.replace("feed,150,75,30", "feed,150,seventy,30"),
        "sizes.csv, cell C3, stream 'feed', retained: 'seventy' is not the opening or the "
        "designation of one sieve.\nWrite a number (with a point for decimals) and a unit, for "
        "example '75 um' or '0.075 mm', or a designation and its series, for example '200' and "
        "'ASTM E11'.",
    ),
    "huge opening": (
        SHARES.replace("feed,,150,50", "feed,,1e300,50"),
        "sizes.csv, cell C2, stream 'feed', retained: The opening is 1e300 um; no sieve has "
        "that.\nCorrect it or its unit.",
    ),
    "negative mass": (
        SHARES.replace("feed,150,75,30", "feed,150,75,-30"),
        "sizes.csv, cell D3, stream 'feed', mass in -150+75 um: The mass of a class is -30 %; it "
        "cannot be negative.\nCorrect it; a tare taken off twice makes small masses negative.",
    ),
    "negative grade": (
        SHARES.replace("30,3.0", "30,-3.0"),
        "sizes.csv, cell E3, stream 'feed', Pb in -150+75 um: The grade is -3 %; it cannot be "
        "negative.\nCorrect it, or leave the cell blank if it was not measured.",
    ),
    "more than the whole": (
        SHARES.replace("30,3.0", "30,103"),
        "sizes.csv, cell E3, stream 'feed', Pb in -150+75 um: The grade is 103 %, more than the "
        "whole (100 %).\nCorrect the value or its unit.",
    ),
    "sum too small": (
        SHARES.replace("75,0,20,", "75,0,2,"),
        "sizes.csv, cell D2, stream 'feed', mass in +150 um: The shares of the 3 classes of 'feed' "
        "add up to 82 %; 18 % of the whole are missing.\nCorrect them: each share is that of the "
        "class by itself, not cumulative\nor give the masses as weighed, mass [g].",
    ),
    "sum too large": (
        SHARES.replace("75,0,20,", "75,0,100,"),
        "sizes.csv, cell D2, stream 'feed', mass in +150 um: The shares of the 3 classes of 'feed' "
        "add up to 180 %; that is 80 % too much.\nCorrect them: each share is that of the class by "
        "itself, not cumulative\nor give the masses as weighed, mass [g].",
    ),
    "nothing at all": (
        ROWS.replace("50,1,2.0,4", "0,1,,").replace("30,0.5,3.0,4", "0,1,,")
        .replace("20,0.4,<0.05", "0,1,"),
        "sizes.csv, cell D2, stream 'feed', mass in +150 um: All classes of 'feed' have the mass "
        "0.\nEnter what was weighed, or clear the rows.",
    ),
    "twice": (
        SHARES.replace("feed,150,75,30,3.0\n", "feed,150,75,15,3.0\nfeed,150,75,15,3.2\n"),
        "sizes.csv, cell C4, stream 'feed': The class -150+75 um of 'feed' is there twice (also "
        "cell C3). Replicates of a screening are not read.\nGive one row a class: the masses added "
        "up, or those of one screening.",
    ),
    "masses and percent": (
        "stream,retained [um],mass [g],mass [%]\nfeed,75,12,\nfeed,,,88\n",
        "sizes.csv, cell D3, stream 'feed', mass in -75 um: This class of 'feed' has a share in "
        "percent, others have a mass.\nGive one of the two for all classes of a stream: here the "
        "mass.",
    ),
    "mass and percent in one row": (
        "stream,retained [um],mass [g],mass [%]\nfeed,75,12,12\nfeed,,,88\n",
        "sizes.csv, cell D2, stream 'feed', mass in +75 um: Both mass [g] and mass [%] are given.\n"
        "Take one of them out.",
    ),
    "not from coarse to fine": (
        "stream,retained [um],mass [%]\nfeed,75,50\nfeed,150,30\nfeed,,20\n",
        "sizes.csv, cell B3, stream 'feed': The rows of 'feed' do not stand from coarse to fine, "
        "and nothing else says what each class passed.\nPut them from coarse to fine, or add the "
        "column passing [um].",
    ),
    "cumulative": (
        SHARES.replace("Pb [%]", "cum passing [%]"),
        "sizes.csv, cell E1: 'cum passing' looks cumulative; what is read is the mass of each "
        "class by itself.\nGive the column mass [g] or mass [%]: what stayed on each sieve.",
    ),
    "wet": (
        SHARES.replace("mass [%]", "wet mass [g]"),
        "sizes.csv, cell D1: A size class is weighed dry here: its moisture is not known.\n"
        "Dry the classes, weigh them, and name the column mass [g].",
    ),
    "no retained": (
        "stream,passing [um],mass [%]\nfeed,,50\nfeed,75,50\n",
        "sizes.csv: The column 'retained' is missing.\nColumns: stream, passing [um], retained "
        "[um], mass [g] or mass [%], and for each analyte one such as Pb [%], each with its ± "
        "column.",
    ),
    "a column twice": (
        SHARES.replace("Pb [%]", "dry mass [%]"),
        "sizes.csv, cell E1: The column 'dry mass [%]' is there twice.\nTake one out.",
    ),
    "a stray error column": (
        ROWS.replace("± mass [g]", "± mass [%]"),
        "sizes.csv, cell E1: The error column '± mass [%]' has no column to go with it.\n"
        "Write ± mass [g] for an error in g\nor ± mass [rel %] for one in percent of the value.",
    ),
    "an error alone": (
        ROWS.replace("0.5,3.0,4", "0.5,,4"),
        "sizes.csv, cell G3, stream 'feed', Pb in -150+75 um: There is an error but no value.\n"
        "Enter the value, or clear the error.",
    ),
    "an error of 0": (
        ROWS.replace("30,0.5,", "30,0,"),
        "sizes.csv, cell E3, stream 'feed', mass in -150+75 um: The stated error is 0; it must be "
        "above 0.\nEnter one standard deviation, or leave the cell blank.",
    ),
    "below what": (
        SHARES.replace("30,3.0", "<30,3.0"),
        "sizes.csv, cell D3, stream 'feed', mass in -150+75 um: The mass of a class is <30: "
        "weighed it is a number.\nWeigh it; write 0 if nothing stayed on the sieve.",
    ),
    "a word with two meanings": (
        SHARES.replace("30,3.0", "30,n.d."),
        "sizes.csv, cell E3, stream 'feed', Pb in -150+75 um: 'n.d.' can be read as not detected "
        "or as not determined.\nWrite <0.01 (the limit) for not detected\nor leave the cell blank "
        "for not determined.",
    ),
    "no number": (
        SHARES.replace("30,3.0", "30,three"),
        "sizes.csv, cell E3, stream 'feed', Pb in -150+75 um: The value is 'three', not a number.\n"
        "Write a number, or leave the cell blank if it was not measured.",
    ),
    "a unit of something else": (
        SHARES.replace("30,3.0", "30,3 kg"),
        "sizes.csv, cell E3, stream 'feed', Pb in -150+75 um: 'kg' is the unit of a mass, but a "
        "grade is wanted.\nWrite one of: %, g/g, g/kg, kg/t, g/t, mg/kg, ppm, ppb, lb/st, lb/t, "
        "lb/lt, ozt/st, ozt/t, ozt/lt.",
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", FAULTS)
def test_whole_messages(name: str, tmp_path: Path) -> None:
    text, message = FAULTS[name]
    found, faults = read_rows(tmp_path, text)
    assert "\n\n".join(faults) == message
    assert not found.measurements
