"""Spellings of units with several readings: each is refused, and the readings are named.

Which spellings are used with several meanings is common practice, no source; the sizes are those
of `oretally.flowsheet.units.table`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from oretally.flowsheet.units.table import Dimension, find_unit

__all__ = ["ambiguity"]

_Refusal = tuple[str, str, tuple[str, ...]]

_TONS, _TON_SYMBOLS = {"ton", "tons", "tn"}, ("t", "st", "lt")
_OUNCES = {"oz", "ozs", "ounce", "ounces"}
_STONES = {"stone", "stones"}
_GRS = {"gr", "grs"}
_GALLONS = {"gal", "gals", "gallon", "gallons"}
_COUNT = {2: "two", 3: "three", 6: "six"}
_TON_SIZES = "t = 1000 kg, st = 907.185 kg, lt = 1016.047 kg"


def ambiguity(written: str, folded: str) -> tuple[str, str, tuple[str, ...]] | None:
    """Return why a spelling is refused, what to write, and its readings; None if it has one only.

    Parameters
    ----------
    written : str
        As the user spelt it.
    folded : str
        In lower case.

    Examples
    --------
    >>> ambiguity("dwt/ton", "dwt/ton")[2]
    ('dwt/t', 'dwt/st', 'dwt/lt')
    """
    head, _, tail = folded.partition("/")
    if head in _STONES:
        mend = "Write it in lb or kg: 1 stone = 14 lb = 6.35029318 kg. (st is the short ton.)"
        return f"'{written}' is not a unit known here.", mend, ()
    if head == "mg" and tail == "assay ton":
        readings = _known(("ozt/st", "ozt/lt"))
        sizes = f"milligrams in a short or in a long assay ton, {_sizes(readings)}"
        return _listed(written, sizes, 2), f"Write {' or '.join(readings)}.", readings
    spelt_out = written.casefold().endswith(("tonne", "tonnes"))
    if head in _OUNCES and spelt_out:
        return _ounces(written, tail)
    if folded == "opt" or (head in _OUNCES and tail in _TONS | {"t"}) or (
        head == "ozt" and tail in _TONS
    ):  # fmt: skip
        readings = _known(("ozt/st", "ozt/t", "ozt/lt"))
        return (
            _listed(written, _sizes(readings), 3),
            "Write the one the laboratory means.",
            readings,
        )
    if head in _OUNCES:
        return _ounces(written, tail)
    if head in _GRS:
        return _grams_or_grains(written, tail)
    if head in _TONS or tail in _TONS:
        readings = _known(
            "/".join([ton if part in _TONS else part for part in (head, tail) if part])
            for ton in _TON_SYMBOLS
        )
        sizes = _sizes(readings) if len(readings) == 3 else ""
        mend = "Write t (tonne), st (short ton) or lt (long ton)."
        return _listed(written, sizes or _TON_SIZES, 3), mend, readings
    if head in _GALLONS or folded == "gpm":
        rest = "/min" if folded == "gpm" else f"/{tail}" if tail else ""
        sizes = "US gallon 3.78541 L, imperial gallon 4.54609 L"
        mend = "Write usgal or impgal, as in usgal/min."
        return _listed(written, sizes, 2), mend, ("usgal" + rest, "impgal" + rest)
    if written[:2] in ("Mg", "MG") and written[2:3] in ("", "/", " "):
        rest = f"/{tail}" if tail else ""
        readings = _known((f"t{rest}", f"mg{rest}"))
        if len(readings) == 2:  # MG/L is no megagram: nothing has so much in it
            sizes = "megagram = 1 t, or milligram"
            return _listed(written, sizes, 2), "Write t or mg.", readings
    if written[:2] in ("Ml", "ML") and written[2:3] in ("", "/", " "):
        rest = f"/{tail}" if tail else ""
        found = (find_unit(f"{volume}{rest}") for volume in ("megalitre", "ml"))
        readings = tuple(unit.symbol for unit in found if unit is not None)
        if readings:
            sizes = "megalitre = 1000 m3, or millilitre"
            return _listed(written, sizes, 2), "Write megalitre or mL.", readings
    if written.endswith(("/ML", "/Ml", "/ ML", "/ Ml")) and head == "g":
        sizes = "gram per megalitre = ug/L, or gram per millilitre = g/cm3"
        return _listed(written, sizes, 2), "Write ug/L or g/cm3.", ("ug/L", "g/cm3")
    return None


def _ounces(written: str, tail: str) -> _Refusal:
    readings = _known(f"{ounce}/{tail}" if tail else ounce for ounce in ("ozt", "ozav"))
    sizes = "troy ounce 31.1035 g, avoirdupois ounce 28.3495 g"
    return (
        _listed(written, _sizes(readings) or sizes, 2),
        "Write ozt for troy ounces, ozav for avoirdupois ounces.",
        readings,
    )


def _grams_or_grains(written: str, tail: str) -> _Refusal:
    tails = _TON_SYMBOLS if tail in _TONS else (tail,)
    readings = _known(f"{one}/{t}" if t else one for one in ("g", "grain") for t in tails)
    sizes = _sizes(readings) if len(readings) == 2 * len(tails) else ""
    return (
        _listed(written, sizes or "gram, or grain = 0.06479891 g", 2 * len(tails)),
        "Write g for gram, grain for grain."
        + (" Write t (tonne), st (short ton) or lt (long ton)." if tail in _TONS else ""),
        readings,
    )


def _listed(written: str, sizes: str, count: int) -> str:
    return f"'{written}' can be read in {_COUNT[count]} ways: {sizes}."


def _known(symbols: Iterable[str]) -> tuple[str, ...]:
    """Return those that are units."""
    return tuple(s for s in symbols if find_unit(s) is not None)


def _sizes(readings: Sequence[str]) -> str:
    """Return grades with their size in g/t; empty for anything else."""
    parts = []
    for symbol in readings:
        unit = find_unit(symbol, Dimension.GRADE)
        if unit is None or unit.dimension is not Dimension.GRADE:
            return ""
        parts.append(f"{symbol} = {float(unit.factor * 1_000_000):.6g} g/t")
    return ", ".join(parts)
