"""Slips that multiply a number, weighed by what is left; what explains nothing is not listed."""

from __future__ import annotations

from oretally.flowsheet import Analyte, Basis, Circuit, Measurement, Survey, parse_unit
from oretally.recon import Balance, reconcile
from oretally.recon.result import explained

Numbers = dict[str, tuple[float | None, float | None, float | None]]


def _plant(streams: dict[str, tuple[str | None, str | None]], analytes: tuple[str, str],
           rows: Numbers) -> Balance:  # fmt: skip
    """Return the balance of a survey: a rate and two assays of each stream, in part; invented."""
    rate, percent = parse_unit("t/h"), parse_unit("%")
    found = []
    for stream, (flow, *grades) in rows.items():
        if flow is not None:
            found.append(Measurement(stream, "dry rate", flow, rate, 0.02 * flow))
        for analyte, grade in zip(analytes, grades, strict=True):
            if grade is not None:
                found.append(Measurement(stream, analyte, grade, percent, 0.03 * grade + 0.01))
    circuit = Circuit.build(streams, {"conditioner": "mixer"} if "feed" in streams else {})
    return reconcile(circuit, Survey(
        Basis.RATE, rate, tuple(Analyte(a, percent) for a in analytes), tuple(found)
    ), second_opinions=False)  # fmt: skip


def test_a_clean_decimal_point_goes_before_a_worse_one() -> None:
    """Tailings of a rougher a place too high: a concentrate a place too low fits less well.

    Little is known of either: a circulating load depends on them.
    """
    balance = _plant(
        {"feed": (None, "conditioner"), "rougher feed": ("conditioner", "rougher"),
         "conc": ("rougher", None), "rougher tails": ("rougher", "scavenger"),
         "scavenger conc": ("scavenger", "conditioner"), "tails": ("scavenger", None)},
        ("Cu", "Fe"),
        {"feed": (99.1, 0.862, 6.08), "conc": (4.26, 17.9, 27.5),
         "rougher tails": (None, 2.81, 5.71), "scavenger conc": (None, 2.52, 15.4),
         "tails": (None, 0.149, 4.96)},
    )  # fmt: skip
    first = balance.suspects[0]
    assert (first.group[0].where, first.group[0].quantity) == ("rougher tails", "Cu")
    assert first.shares[0] > 0.5
    slip = first.slips[0]
    assert slip.kind == "decimal point" and slip.readings[0].fits == 0.281
    other = next(s for s in first.slips if s.readings[0].stream == "scavenger conc")
    assert slip.objective < other.objective and slip.probability > other.probability


def test_what_explains_nothing_is_not_listed() -> None:
    """An assay of the tails is wrong; errors that leave chi-square far out stand nowhere."""
    balance = _plant(
        {"ore": (None, "spirals"), "conc": ("spirals", None), "middlings": ("spirals", "table"),
         "spiral tails": ("spirals", None), "table conc": ("table", None),
         "table tails": ("table", None)},
        ("Sn", "Fe"),
        {"ore": (11.5, 0.637, 9.13), "conc": (0.0871, 41.3, 12.5), "middlings": (None, 1.67, None),
         "spiral tails": (None, 0.55, 8.46), "table conc": (0.0382, 36.2, 16.3),
         "table tails": (1.36, 0.6, 14.7)},
    )  # fmt: skip
    assert not explained(balance.global_test.statistic, balance.global_test.dof)
    told = [e for e in balance.gross_errors.explanations if e.places]
    slips = [x for s in balance.suspects for x in s.slips]
    assert told and slips
    for e in told:
        assert explained(e.objective or 0.0, e.dof), e
    for x in slips:
        assert explained(x.objective, x.dof) and x.misfit < 5.0, x


def test_explained() -> None:
    """By hand: the 1e-4 quantile of one degree of freedom is 15.14; without any all is."""
    assert explained(15.1, 1) and not explained(15.2, 1)
    assert explained(0.0, 0) and explained(-1e-12, 3)
