"""Balances of which the losses by size are known."""

from __future__ import annotations

from functools import cache
from pathlib import Path

import numpy as np
from balance_cases import only_balanced
from numpy.typing import NDArray

from oretally.flowsheet import (
    Analyte,
    Basis,
    Circuit,
    Dimension,
    Measurement,
    Survey,
    parse_unit,
)
from oretally.flowsheet.survey import SizeGrid, class_grade, class_share
from oretally.recon import Balance
from oretally.recon.result import Loss

Floats = NDArray[np.float64]


KG, PERCENT, GPT = parse_unit("kg"), parse_unit("%"), parse_unit("g/t")


SHARE = parse_unit("%", Dimension.SHARE)


EXAMPLES = Path(__file__).resolve().parents[2] / "examples"


TABLE = Circuit.build({"feed": (None, "table"), "conc": ("table", None), "tails": ("table", None)})


GRID = SizeGrid((300.0, 150.0, 75.0, 38.0))


MASS = np.array([18.0, 27.0, 25.0, 15.0, 15.0])  # of the tails, kg


COARSE_RICH = np.array([0.80, 0.30, 0.13, 0.24, 0.30])


FINE_RICH = np.array([0.20, 0.15, 0.13, 0.24, 0.92])


BOTH_RICH = np.array([0.80, 0.30, 0.13, 0.24, 0.92])


EVEN = np.full(5, 0.40)


def loss_survey(
    grades: Floats | None, *, mass: Floats = MASS, head: float = 1.0, relative: float = 0.03,
    sieved: bool = True, sizes: SizeGrid = GRID,
) -> Survey:  # fmt: skip
    """Return a table whose tails weigh 100 kg, measured without error; of 102 kg of feed."""
    x = EVEN if grades is None else grades
    tails = float(x @ mass / mass.sum())
    conc = (102.0 * head - 100.0 * tails) / 2.0
    found = []
    for name, weight, grade in (
        ("feed", 102.0, head), ("conc", 2.0, conc), ("tails", 100.0, tails),
    ):  # fmt: skip
        found += [Measurement(name, "dry mass", weight, KG, 0.005 * weight),
                  Measurement(name, "Sn", grade, PERCENT, 0.02 * grade)]  # fmt: skip
    for c in range(sizes.n_classes if sieved else 0):
        label, share = sizes.label((c, c)), float(100.0 * mass[c] / mass.sum())
        found.append(Measurement("tails", class_share(label), share, SHARE, 0.01 * share + 0.2))
        if grades is not None:
            sd = relative * float(grades[c])
            found.append(
                Measurement("tails", class_grade("Sn", label), float(grades[c]), PERCENT, sd)
            )
    return Survey(Basis.BATCH, KG, (Analyte("Sn", PERCENT),), tuple(found), "Invented: a table",
                  sizes=sizes if sieved else SizeGrid())  # fmt: skip


@cache
def loss_case(name: str) -> Balance:
    made = {
        "coarse": lambda: loss_survey(COARSE_RICH),
        "fine": lambda: loss_survey(FINE_RICH),
        "both": lambda: loss_survey(BOTH_RICH),
        "even": lambda: loss_survey(EVEN),
        "bulk": lambda: loss_survey(None, sieved=False),
        "sieved": lambda: loss_survey(None),
    }
    return only_balanced(TABLE, made[name]())


def only_loss(balance: Balance, analyte: str = "Sn") -> Loss:
    (found,) = (x for x in balance.losses.found if x.analyte == analyte)
    return found
