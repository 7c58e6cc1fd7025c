"""Surveys built in Python are checked too: each message by its whole text."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from balance_cases import only_balanced

from oretally.flowsheet import Circuit, InputError, Measurement, Survey, parse_unit

CASES = {
    "unknown stream": (
        ("fed", "dry mass", 25.0, 0.1),
        "stream 'fed', dry mass: There is no stream 'fed' in the circuit.\nDid you mean 'feed'?",
    ),
    "unknown quantity": (
        ("feed", "Sn", 25.0, 0.1),
        "stream 'feed', Sn: 'Sn' is not a quantity of this survey.\nQuantities: dry mass.",
    ),
    "given twice": (
        ("tails", "dry mass", 1.0, 0.1),
        "stream 'tails', dry mass: This value is given twice.\n"
        "Pool replicates into one measurement.",
    ),
    "negative": (
        ("feed", "dry mass", -25.0, 0.1),
        "stream 'feed', dry mass: The value is -25; a finite number of at least 0 is needed.\n"
        "Correct it, or leave the measurement out.",
    ),
    "no error": (
        ("feed", "dry mass", 25.0, 0.0),
        "stream 'feed', dry mass: The stated error is 0; a finite number above 0 is needed.\n"
        "Give its standard deviation.",
    ),
    "out of this world": (
        ("feed", "dry mass", 1e300, 1e298),
        "stream 'feed', dry mass: 1e+300 ± 1e+298 kg is beyond what is weighed or assayed "
        "anywhere.\nCorrect the value, its error or its unit.",
    ),
    "too sharp": (
        ("feed", "dry mass", 25.0, 1e-12),
        "stream 'feed', dry mass: The stated error 1e-12 kg is less than 1e-10 of the value; "
        "double precision cannot tell it from 0.\nGive a larger error.",
    ),
}


@pytest.mark.parametrize("name", list(CASES))
def test_message(name: str, two_products: Circuit, make_survey: Callable[..., Survey]) -> None:
    (stream, quantity, value, sd), text = CASES[name]
    survey = make_survey({"tails": (24.0, 0.1)})
    more = Measurement(stream, quantity, value, parse_unit("kg"), sd)
    with pytest.raises(InputError) as refused:
        only_balanced(
            two_products,
            Survey(survey.basis, survey.flow_unit, (), (*survey.measurements, more)),
        )
    assert str(refused.value) == text


def test_reference_streams(two_products: Circuit, make_survey: Callable[..., Survey]) -> None:
    survey = make_survey({"feed": (25.0, 0.1)})
    with pytest.raises(InputError) as refused:
        only_balanced(two_products, survey, feed="fed", products=["conk"])
    assert str(refused.value) == (
        "There is no stream 'fed' in the circuit.\nDid you mean 'feed'?\n\n"
        "There is no stream 'conk' in the circuit.\nDid you mean 'conc'?"
    )
