"""Kinds of work that a case can be begun for, and what its user says of it.

A kind is a file in ``io/templates/kinds``: its circuit, and what it needs besides. Nothing in it is
a number of the user; all kinds become cases in the same way (`kind_texts`).
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from typing import Any

from oretally.flowsheet import Basis, Fault, InputError
from oretally.flowsheet.faults import did_you_mean
from oretally.flowsheet.foreign_text import shown
from oretally.io.forms.metals import Metal, metals_of

__all__ = ["WorkKind", "kind_named", "kinds"]

_IO = "oretally.io"


@dataclass(frozen=True, slots=True)
class WorkKind:
    """A kind of work.

    Attributes
    ----------
    name, said : str
        How it is called, and what it is.
    bases : tuple of Basis
        The first is the default; asked if there are two.
    units : tuple of str
        Of flows, for each basis.
    metals : tuple of Metal
        The default.
    streams, nodes : mapping
        As in circuit.toml, without the products.
    products, products_from : tuple of str
        Defaults, and the nodes that they leave; one node if there may be any number of them.
    last_is_lost : bool
        Whether all products but the last are kept, together.
    feed : str
    water : bool
        Whether water and solution are balanced too.
    columns : tuple of str
        Flows that it is measured by: 'dry', 'wet', 'moisture', 'water'.
    sieves : tuple of str or None
        Openings in um that are proposed; None if nothing is sieved.
    times : str
        Proposed as an answer, as in '2, 6, 24 h'; empty if it is no test over time. Products have
        them, or if there are none the table of times.
    reagents : tuple of str
        Columns of that table.
    stocks : tuple of str
        Nodes with an opening and a closing stock.
    optional : tuple of str
        Hints that it has.
    """

    name: str
    said: str
    bases: tuple[Basis, ...]
    units: tuple[str, ...]
    metals: tuple[Metal, ...]
    streams: Mapping[str, Mapping[str, str]]
    nodes: Mapping[str, Mapping[str, str]]
    products: tuple[str, ...]
    products_from: tuple[str, ...]
    last_is_lost: bool
    feed: str
    water: bool
    columns: tuple[str, ...]
    sieves: tuple[str, ...] | None
    times: str
    reagents: tuple[str, ...]
    stocks: tuple[str, ...]
    optional: tuple[str, ...]

    def unit(self, basis: Basis) -> str:
        """Return the unit that is proposed for its flows."""
        return self.units[self.bases.index(basis)]


def kinds() -> tuple[WorkKind, ...]:
    """Return the kinds of work in their order."""
    folder = files(_IO).joinpath("templates", "kinds")
    read = (tomllib.loads(each.read_text("utf-8")) for each in folder.iterdir()
            if each.name.endswith(".toml"))  # fmt: skip
    return tuple(_kind(entry) for entry in sorted(read, key=lambda entry: entry["order"]))


def _kind(entry: Mapping[str, Any]) -> WorkKind:
    return WorkKind(
        name=entry["name"],
        said=entry["said"],
        bases=tuple(Basis(word) for word in entry["basis"]),
        units=tuple(entry["units"]),
        metals=metals_of(", ".join(entry["metals"])),
        streams=entry["streams"],
        nodes=entry.get("nodes", {}),
        products=tuple(entry.get("products", ())),
        products_from=tuple(entry.get("products_from", ())),
        last_is_lost=entry.get("last_is_lost", False),
        feed=entry["feed"],
        water=entry.get("water", False),
        columns=tuple(entry["columns"]),
        sieves=tuple(entry["sieves"]) if "sieves" in entry else None,
        times=entry.get("times", ""),
        reagents=tuple(entry.get("reagents", ())),
        stocks=tuple(entry.get("stocks", ())),
        optional=tuple(entry.get("optional", ())),
    )


def kind_named(name: str) -> WorkKind:
    """Return a kind by its name, or by a beginning that no other has; hyphens stand for spaces.

    Raises
    ------
    InputError
        Naming the nearest, if there is none.
    """
    known = {kind.name: kind for kind in kinds()}
    word = " ".join(re.sub(r"[-_]", " ", name).casefold().split())
    begun = [each for each in known if word and each.startswith(word)]
    if word not in known and len(begun) == 1:
        word = begun[0]
    if word not in known:
        mend = did_you_mean(word, list(known), "Kinds")
        if begun:
            mend = f"Say which: {' or '.join(begun)}."
        raise InputError([Fault(f"There is no kind of work '{shown(name)}'.", mend)])
    return known[word]
