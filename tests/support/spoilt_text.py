"""What goes wrong with texts: cells, headers, rows and columns, TOML, look-alikes, encodings.

Every function takes a seeded generator and what it spoils, and returns it spoilt.
"""

from __future__ import annotations

import copy
import csv
import io
import json
import random
import re
import tomllib
from collections.abc import Callable
from datetime import date
from typing import Any, Literal

__all__ = ["Grid", "spoilt_bytes", "spoilt_grid", "spoilt_table", "spoilt_toml"]

Grid = list[list[str]]
_UNITS = ["", "g", "kg", "t", "mg", "lb", "oz", "ozt", "st", "tons", "%", "ppm", "ppb", "g/t",
          "ozt/st", "oz/ton", "mg/L", "t/h", "kg/h", "m3/h", "L", "kg/L", "um", "mm", "rel %", "‰",
          "wt%", "G", "KG", "gr", "gm", "tonnes", "mt", "tph", "gpt", "fraction", "g t", "?",
          "% rel", "2 sd", "kg/t", "mesh", "ASTM E11", "Mg"]  # fmt: skip
_NAMES = ["stream", "dry mass", "wet mass", "moisture", "% solids", "Sn", "Au", "Pb", "weight",
          "date", "sample", "note", "± Sn", "sd", "u(Sn)", "dry rate", "total", "Cu total", "node",
          "when", "passing", "retained", "mass", "type", "value", "unit", "pair"]  # fmt: skip
_WORDS = ["", "0", "-0", "-1", "nan", "<", "<0", "<0.01", ">10", "> 10", "<=0.01", "≤0.01", "=1+1",
          "#REF!", "#N/A", "1,5", "1.234,5", "1,234.5", "1 234", "1'234", "1_000", "0x1F", "1e3",
          "1/2", "½", "1.2.3", "1.", ".5", "+3", "12-13", "12 / 13", "(12)", "~12", "ca. 12", "12?",
          "12*", "12±1", "12 +/- 1", "5%", "5 %", "0.5 ppm", "3 ozt/st", "3 oz/ton", "1.5.2026",
          "2026-05-01", "12:30", "n.d.", "n.s.", "n/a", "-", "--", "trace", "nil", "BDL", "LOD",
          "OR", "TRUE", "yes", "from lab", "feed", "Feed", "total", "see note", "1e999", "1e-300",
          "x" * 5000, "9" * 400, "±", "[", "[%]", "'12", '"', "\N{MINUS SIGN}3", "\u200b12",
          "12\u200b", "１２", "١٢", "12\n13", "²", "∞", "Infinity", "12e", "e5"]  # fmt: skip
_ALIKE = [*("0O", "0o", "1l", "1I", "5S", ".,", ",.", ".·", "-−", "-–", "-‑", " \xa0", " \u2009",
            " _", "%％", "%‰", "[(", "](", "[［", "/∕", "/\\", "<‹", "<≤", "±~", "µμ"),
          *map("".join, zip("aceopxyABCEHKMOPSTX", "асеорхуАВСЕНКМОРЅТХ", strict=True)),
          *(f"{i}{chr(0xFF10 + i)}" for i in range(10)),
          *(f"{i}{chr(0x660 + i)}" for i in range(0, 10, 3))]  # fmt: skip
_ENCODINGS = ["utf-16", "utf-16-le", "utf-16-be", "utf-32", "cp1252", "cp437", "mac-roman",
              "utf-8-sig", "utf-7", "cp1251", "cp037"]  # fmt: skip


def _alike(rng: random.Random, text: str) -> str:
    """Put a character in place of one that looks like it, once or everywhere."""
    pairs = [pair for pair in _ALIKE if pair[0] in text]
    if not pairs:
        return text + rng.choice(["\xa0", "\u200b", "\ufeff", "\u202e", "\xad", "\u0301", "\t"])
    pair = rng.choice(pairs)
    old, new = pair[0], pair[1]
    at = rng.choice([i for i, c in enumerate(text) if c == old])
    return text.replace(old, new) if rng.random() < 0.4 else text[:at] + new + text[at + 1 :]


def _number(rng: random.Random, text: str) -> str:
    """Change a number, or only how it is written; another word where there is none."""
    try:
        x = float(text)
    except ValueError:
        return rng.choice(_WORDS)
    digits = list(text)
    i, j = rng.randrange(len(digits)), rng.randrange(len(digits))
    digits[i], digits[j] = digits[j], digits[i]
    return rng.choice([
        f"{x * 10:g}", f"{x / 10:g}", f"{x * 100:g}", f"{x / 1000:g}", f"{-x:g}", "0", text * 2,
        "".join(digits), f"{x:.0f}", f"{x:.3e}", f"{x:,.2f}", f"{x:.2f}".replace(".", ","),
        f"{x:_}", f"{x:g} {rng.choice(_UNITS)}", f"{x:g}{rng.choice(_UNITS)}", f"<{x:g}",
        f">{x:g}", f"< {x:g}", f"~{x:g}", f"({x:g})", f"{x:g} ± {x / 50:g}", f"{x:g}*", f"{x:g}.",
        f"+{x:g}", f"={x:g}", f"'{x:g}", f"{x:g}-{x * 1.1:.4g}", f"{x:g}/{x * 1.1:.4g}", text[:-1],
        text + rng.choice("0123456789"), rng.choice(_WORDS),
    ])  # fmt: skip


def _header(rng: random.Random, text: str) -> str:
    """Spell a header otherwise, or say another quantity or unit."""
    name, _, unit = text.partition("[")
    name, unit = name.strip(), unit.rstrip("] ")
    other = rng.choice(_UNITS)
    return rng.choice([
        f"{name} [{other}]", f"{name} [{other}]", f"{name} [{other}]", f"{name} ({unit})", name,
        f"{name}, {unit}", f"{name} {unit}", f"{name}_{unit}", f"{unit} {name}", f"[{unit}]",
        f"{name} [{unit}", f"{name}\n[{unit}]", text.upper(), text.lower(), text.title(),
        f"{rng.choice(_NAMES)} [{unit}]", f"± {text}", f"sd {text}", f"2 sd {text}", f"{text} sd",
        f"{name} [{unit}] ({other})", f"{name}*[{unit}]", f"{name} 2 [{unit}]", f"{text} dry", "",
        f"u {text}", f"{name} [{unit}, {other}]", rng.choice(_NAMES), f"{name} [ {unit} ]",
    ])  # fmt: skip


def spoilt_grid(rng: random.Random, grid: Grid) -> Grid:
    """Spoil a cell, the header, a row, a column or the shape of a table."""
    rows = [list(row) for row in grid] or [[""]]
    i = rng.randrange(len(rows))
    row, other = rows[i], rng.choice(rows)
    row[:] = row or [""]
    j, k = rng.randrange(len(row)), rng.randrange(max(1, len(other)))
    many = max(map(len, rows))
    way = rng.randrange(28)
    if way <= 6:  # numbers most of all
        row[j] = _number(rng, row[j])
    elif way <= 8:
        row[j] = _alike(rng, row[j])
    elif way <= 12:
        head = next((r for r in rows if len(r) > 1 and any("[" in c for c in r)), rows[0])
        at = rng.randrange(len(head) or 1)
        head[at : at + 1] = [_header(rng, head[at] if head else "")]
    elif way == 13:
        rows.insert(rng.randrange(len(rows) + 1), list(row))
    elif way == 14:
        del rows[i]
    elif way == 15:
        made = [["total", *row[1:]], ["", *(rng.choice(_UNITS) for _ in row[1:])], list(rows[0]),
                ["# checked", "ok"], [""] * many, ["Test 4", "", "3.2"]]  # fmt: skip
        rows.insert(rng.randrange(len(rows) + 1), rng.choice(made))
    elif way == 16:
        rows[i], rows[-1] = rows[-1], rows[i]
    elif way == 17:
        row[j], other[k : k + 1] = (other[k] if other else ""), [row[j]]
    elif way == 18:
        drop = rng.randrange(many)
        rows = [r[:drop] + r[drop + 1 :] for r in rows]
    elif way == 19:
        at = rng.randrange(many)
        title = rng.choice(["", "note", "Sn [%]", "± Sn [%]", "dry mass [g]"])
        fill = rng.choice(["", "7", "x", "0"])
        rows = [[*r[:at], fill if n else title, *r[at:]] for n, r in enumerate(rows)]
    elif way == 20:
        a, b = rng.randrange(many), rng.randrange(many)
        part = rng.choice([rows, rows[:1], rows[1:]])
        for r in part:
            if max(a, b) < len(r):
                r[a], r[b] = r[b], r[a]
    elif way == 21:
        del row[j]
    elif way == 22:
        row.insert(j, rng.choice(_WORDS))
    elif way <= 26:  # not measured: here and there, a column, a row
        share, column = rng.choice([0.1, 0.3, 0.6]), rng.randrange(many)
        way = rng.randrange(3)
        for r in rows:
            for at, cell in enumerate(r):
                gone = (rng.random() < share, at == column, r is row)[way]
                r[at] = "" if gone and re.fullmatch(r"[<>]?[\d.]+", cell) else cell
    else:
        full = [r + [""] * (many - len(r)) for r in rows]
        rows = rng.choice([[list(c) for c in zip(*full, strict=True)], rows[:1], rows[1:],
                           rows + rows[1:], rows[::-1], [[r[0]] for r in rows if r]])  # fmt: skip
    return rows or [[""]]


def spoilt_table(rng: random.Random, data: bytes) -> bytes:
    """Spoil a CSV file: its cells, or how it is written."""
    grid = list(csv.reader(io.StringIO(data.decode())))
    for _ in range(rng.choice([1, 1, 1, 2, 3])):
        grid = spoilt_grid(rng, grid)
    comma = rng.random() < 0.1
    delimiter, end = rng.choice([",", ",", ",", ";", "\t", "|"]), rng.choice(["\n", "\r\n", "\r"])
    if comma:
        delimiter = ";"
        grid = [[re.sub(r"^(\d+)\.(\d+)$", r"\1,\2", cell) for cell in row] for row in grid]
    out = io.StringIO()
    quoting: Literal[0, 1] = csv.QUOTE_ALL if rng.random() < 0.3 else csv.QUOTE_MINIMAL
    csv.writer(out, delimiter=delimiter, lineterminator=end, quoting=quoting).writerows(grid)
    return out.getvalue().encode("utf-8", "replace")


def _toml(value: Any) -> str:
    """Return a value as TOML, tables inline."""
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{json.dumps(k)} = {_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list):
        return "[" + ", ".join(map(_toml, value)) + "]"
    if isinstance(value, str | bool):
        return json.dumps(value)
    return value.isoformat() if isinstance(value, date) else str(value)


def _places(value: Any) -> list[tuple[Any, Any]]:
    """Return every table or list with each of its keys or indices."""
    keys = (
        value if isinstance(value, dict) else range(len(value)) if isinstance(value, list) else ()
    )
    return [place for key in keys for place in ((value, key), *_places(value[key]))]


def spoilt_toml(rng: random.Random, data: bytes) -> bytes:
    """Spoil the structure of a circuit: keys, values, tables; or its text, line by line."""
    text = data.decode()
    if rng.random() < 0.3:
        lines = text.splitlines()
        i = rng.randrange(len(lines))
        cut = rng.choice('"={}[],') if rng.random() < 0.5 else "="
        line = lines[i]
        lines[i : i + 1] = rng.choice([[], [line] * 2, ["# " + line], [_alike(rng, line)],
                                       [line.replace(cut, "", 1)], lines[i:] + lines[:i],
                                       [line.replace('"', "'")], [line, "[errors]"],
                                       [line.replace(cut, rng.choice(_WORDS), 1)]])  # fmt: skip
        return "\n".join(lines).encode("utf-8", "replace")
    circuit = tomllib.loads(text)
    for _ in range(rng.choice([1, 1, 2, 3])):
        places = _places(circuit)
        if not places:
            break
        (holder, key), (there, its) = rng.choice(places), rng.choice(places)
        value, way = holder[key], rng.randrange(9)
        if way == 0:
            del holder[key]
        elif way == 1 and isinstance(holder, dict):
            wrong = [key.upper(), key + "s", key[:-1], key.replace(" ", "_"), *_NAMES]
            name = _alike(rng, key) if rng.random() < 0.5 else rng.choice(wrong)
            holder[name] = holder.pop(key)
        elif way == 2:
            holder[key] = rng.choice([True, 0, -1, 0.5, 150, "", [], {}, float("inf"), float("nan"),
                                      [value], {"x": copy.deepcopy(value)}, date(2026, 5, 1),
                                      rng.choice(_WORDS), rng.choice(_NAMES), "1 "
                                      + rng.choice(_UNITS), ["a", "a"], [[]]])  # fmt: skip
        elif way <= 4:  # a word of the case where another one belongs
            words = [h[k] for h, k in places if isinstance(h[k], type(value))]
            holder[key] = copy.deepcopy(rng.choice(words))
        elif way == 5 and isinstance(holder, dict):
            names = [k for h, k in places if isinstance(k, str)]
            holder[rng.choice([*names, *_NAMES])] = copy.deepcopy(value)
        elif way == 6 and isinstance(value, str):
            holder[key] = _alike(rng, value)
        elif way == 7 and isinstance(value, int | float):
            holder[key] = rng.choice([-value, value * 100, value / 100, str(value), f"{value} %"])
        elif isinstance(there, dict) and not isinstance(value, dict | list):
            there[its] = copy.deepcopy(value)
    plain = {k: v for k, v in circuit.items() if not isinstance(v, dict)}
    made = [f"{json.dumps(k)} = {_toml(v)}" for k, v in plain.items()]
    for name, table in circuit.items():
        if name not in plain:
            made += [
                f"[{json.dumps(name)}]",
                *(f"{json.dumps(k)} = {_toml(v)}" for k, v in table.items()),
            ]
    return "\n".join(made).encode("utf-8", "replace")


def _bits(rng: random.Random, data: bytes) -> bytes:
    """Cut, insert, exchange or repeat some bytes."""
    out = bytearray(data)
    for _ in range(rng.randint(1, 4)):
        at, many = rng.randrange(len(out) + 1), rng.choice([1, 1, 2, 8, 40])
        word = rng.choice(_WORDS).encode("utf-8", "replace")
        twice = bytes(out[at : at + many] * 2)
        out[at : at + many] = rng.choice([b"", rng.randbytes(many), twice, word])
    return bytes(out)


def spoilt_bytes(rng: random.Random, data: bytes) -> bytes:
    """Save a text in another encoding, read in a wrong one, cut short or damaged."""
    text = data.decode("utf-8", "replace")
    ways: list[Callable[[], bytes]] = [
        lambda: text.encode(rng.choice(_ENCODINGS), "replace"),
        lambda: data.decode("cp1252", "replace").encode(),  # mojibake
        lambda: b"\xef\xbb\xbf" * rng.randint(1, 2) + data,
        lambda: rng.choice([b"\xff\xfe", b"\xfe\xff"]) + data,
        lambda: data.replace(b"\n", rng.choice([b"\r", b"\r\n", b"\n\n", b"\x0b", b"\x1c"])),
        lambda: data[: rng.randrange(len(data) + 1)],
        lambda: data + rng.choice([b"\x1a", b"\x00", b"\xff", b"\n" * 50, data]),
        lambda: _alike(rng, text).encode(),
        lambda: _bits(rng, data),
    ]
    return rng.choice(ways)()
