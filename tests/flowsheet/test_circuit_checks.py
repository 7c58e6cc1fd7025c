"""Every message about a circuit, by its whole text."""

from __future__ import annotations

import pytest

from oretally.flowsheet import Circuit, InputError

_OK = {"feed": (None, "jig"), "conc": ("jig", None), "tails": ("jig", None)}

CASES: dict[str, tuple[dict[str, tuple[str | None, str | None]], dict[str, str], str]] = {
    "empty": (
        {},
        {},
        "The circuit has no streams.\n"
        'List each stream with its ends, for example "feed" = { to = "table" }.',
    ),
    "misspelt end": (
        {"feed": (None, "table"), "conc": ("tabel", None), "tails": ("table", None)},
        {},
        "Node 'tabel' ('from' of 'conc') has no inlet: nothing enters it.\n"
        "Is 'tabel' misspelt? Did you mean 'table'?",
    ),
    "no outlet": (
        {**_OK, "mids": ("jig", "sump")},
        {},
        "Node 'sump' ('to' of 'mids') has no outlet: nothing leaves it.\n"
        "Add the stream that leaves it, or let the stream leave the circuit here.",
    ),
    "no inlet": (
        {**_OK, "water": ("pond", "jig")},
        {},
        "Node 'pond' ('from' of 'water') has no inlet: nothing enters it.\n"
        "Add the stream that enters it, or let the stream come from outside.",
    ),
    "same node": (
        {**_OK, "loop": ("jig", "jig")},
        {},
        "Stream 'loop' leaves and enters the same node 'jig'; what returns to where it came from "
        "changes no balance.\n"
        "Correct one of its ends, or take the stream out.",
    ),
    "no ends": (
        {**_OK, "dust": (None, None)},
        {},
        "Stream 'dust' neither leaves nor enters a node.\n"
        "Give the node it comes from, the node it goes to, or both.",
    ),
    "not fed": (
        {**_OK, "a": ("x", "y"), "b": ("y", "x"), "out": ("y", None)},
        {},
        "Part of the circuit ('x', 'y') is not connected to a feed.\n"
        "Add a stream that comes from outside or from the rest of the circuit.",
    ),
    "not drained": (
        {**_OK, "in": ("jig", "x"), "a": ("x", "y"), "b": ("y", "x")},
        {},
        "Part of the circuit ('x', 'y') is not connected to a product.\n"
        "Add a stream that leaves to the outside or to the rest of the circuit.",
    ),
    "twice": (
        {**_OK, " Feed ": (None, "jig")},
        {},
        "The stream ' Feed ' is there twice (spelt 'feed' before); upper and lower case and "
        "spaces do not tell names apart.\n"
        "Rename one of the two, or take one out.",
    ),
    "node twice": (
        _OK,
        {"jig": "separator", "JIG": "separator"},
        "The node 'JIG' is there twice (spelt 'jig' before); upper and lower case and spaces do "
        "not tell names apart.\n"
        "Rename one of the two, or take one out.\n\n"
        "No stream meets the node 'JIG'.\nDid you mean 'jig'?",
    ),
    "blank": (
        {**_OK, " ": ("jig", None)},
        {},
        "A stream has a blank name.\nGive it a name.",
    ),
    "node no stream meets": (
        _OK,
        {"jgi": "separator"},
        "No stream meets the node 'jgi'.\nDid you mean 'jig'?",
    ),
    "idle node": (
        _OK,
        {"thickener": "separator"},
        "No stream meets the node 'thickener'.\n"
        "Give it to a stream as an end, or take it out of the nodes.",
    ),
    "mixer with two outlets": (
        _OK,
        {"jig": "mixer"},
        "The mixer 'jig' has 2 outlets ('conc', 'tails'); a mixer has one.\n"
        "Make it a splitter if its outlets have equal grades, else a separator.",
    ),
    "splitter with one outlet": (
        {"feed": (None, "jig"), "out": ("jig", None)},
        {"jig": "splitter"},
        "The splitter 'jig' has one outlet ('out'); a splitter has at least two.\n"
        "Make it a mixer, or add the missing outlet.",
    ),
    "misspelt kind": (
        _OK,
        {"jig": "seperator"},
        "'seperator' is not a kind of node.\nDid you mean 'separator'?",
    ),
    "unknown kind": (
        _OK,
        {"jig": "volcano"},
        "'volcano' is not a kind of node.\n"
        "Kinds: separator, mixer, splitter, mill, thickener, leach, stockpile.",
    ),
}


@pytest.mark.parametrize("name", list(CASES))
def test_message(name: str) -> None:
    streams, kinds, text = CASES[name]
    with pytest.raises(InputError) as refused:
        Circuit.build(streams, kinds)
    assert str(refused.value) == text


def test_all_faults_at_once() -> None:
    with pytest.raises(InputError) as refused:
        Circuit.build(
            {**_OK, "FEED": (None, "jig"), "dust": (None, None), "loop": ("jig", "jig")},
            {"nowhere": "separator"},
        )
    problems = [fault.problem for fault in refused.value.faults]
    assert len(problems) == 4
    assert all(any(word in p for p in problems) for word in ("twice", "dust", "loop", "nowhere"))


def test_ends_spelt_differently_are_one_node() -> None:
    circuit = Circuit.build({"feed": (None, "Jig"), "conc": ("jig ", None), "tails": ("JIG", None)})
    assert [node.name for node in circuit.nodes] == ["Jig"]
    assert circuit.outlets("Jig") == ("conc", "tails")


def test_incidence() -> None:
    circuit = Circuit.build(
        {"feed": (None, "a"), "on": ("a", "b"), "back": ("b", "a"), "out": ("b", None)}
    )
    assert circuit.incidence().tolist() == [[1, -1, 1, 0], [0, 1, -1, -1]]
    assert circuit.feeds == ("feed",)
    assert circuit.products == ("out",)
