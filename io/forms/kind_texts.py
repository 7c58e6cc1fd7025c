"""A case of a kind as texts of its files, with hints; whatever the kind, written in one way."""

from __future__ import annotations

import csv
import io
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from importlib.resources import files
from string import Template

from oretally.flowsheet import Basis, Fault, InputError, Place
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.survey import in_solution
from oretally.io.case import CIRCUIT_FILE, MEASUREMENTS_FILE, UnmeasuredCase
from oretally.io.definition import (
    CLASS_MASS,
    COLUMNS,
    SOLUTION_ADDED,
    SOLUTION_SAMPLED,
    STOCKS_FILE,
    define,
    read_circuit,
)
from oretally.io.files import Cell, Table, toml_key, toml_text
from oretally.io.forms.answers import AnsweredError, WantedCase
from oretally.io.forms.samples import assay_list
from oretally.io.kinetics import KINETICS_FILE, USUAL_ERRORS
from oretally.io.laboratory import LAB_FILE
from oretally.io.measurements import assayed_analytes
from oretally.io.sizes import SIZES_FILE

__all__ = ["case_texts"]

_WIDTH = 34  # column in which remarks stand
_SD = "\N{PLUS-MINUS SIGN}"
_RELATIVE = "rel %"
_OWN_UNIT = {"dry mass", "wet mass", "moisture", "mass"}  # whose error is stated in their unit
_VOLUMES = {"mg": "mL", "g": "mL", "kg": "L", "t": "m3"}
Row = Sequence[str]


def case_texts(wanted: WantedCase) -> dict[str, str]:
    """Return the texts of a case by the names of its files, in their order.

    Raises
    ------
    InputError
        If the names that were given make no circuit.
    """
    circuit = "\n".join(_circuit(wanted))
    plan = _planned(circuit, wanted)
    texts = {
        CIRCUIT_FILE: "\n".join([circuit, *_labels(plan), *_hints(wanted)]) + "\n",
        MEASUREMENTS_FILE: _csv(_measurements(wanted, plan)),
        LAB_FILE: _csv(_lab(plan)),
    }
    if wanted.sieves:
        texts[SIZES_FILE] = _csv(_sizes(wanted, plan))
    if wanted.kind.stocks:
        texts[STOCKS_FILE] = _csv(_stocks(wanted))
    if _has_table_of_times(wanted):
        texts[KINETICS_FILE] = _csv(_kinetics(wanted))
    return texts


def _has_table_of_times(wanted: WantedCase) -> bool:
    """Tell whether the times stand in a table of their own, and not with the products."""
    return bool(wanted.times) and not wanted.products


def _planned(circuit: str, wanted: WantedCase) -> UnmeasuredCase:
    """Return the case that a text defines: what would be refused there is refused here."""
    rows = read_circuit(circuit, CIRCUIT_FILE)
    rows.planned = True
    definition, faults = define(rows)
    header = [f"{m.name} [{m.unit}]" for m in wanted.metals]
    place = Place(file=MEASUREMENTS_FILE)
    cells = tuple(Cell(text, place, "", 0, j) for j, text in enumerate(["stream", *header]))
    table = Table(place, cells, ())
    named = assayed_analytes(table, wanted.basis, water=wanted.kind.water)
    read = {fold_name(a.name) for a in named}
    faults = faults or [
        Fault(f"'{m.name}' cannot be the name of an analyte: it means something else here.",
              "Give it another name.")
        for m in wanted.metals if fold_name(m.name) not in read
    ]  # fmt: skip
    if faults:
        raise InputError([Fault(f.problem, f.mend) for f in faults])
    return UnmeasuredCase(rows, definition, definition.analytes, wanted.title, {}, {})


# ---- circuit.toml


def _circuit(wanted: WantedCase) -> Iterator[str]:
    kind = wanted.kind
    yield f"# {kind.name[0].upper()}{kind.name[1:]}: {kind.said}."
    yield "# Fill in what stands here, and take out what does not fit."
    yield f"title = {toml_text(wanted.title)}"
    yield _said(f'basis = "{wanted.basis.value}"', "batch: masses of one test; rate: t/h and the "
                "like")  # fmt: skip
    if kind.water:
        yield _said("water = true", "water and solution are balanced beside the solids")
    yield ""
    yield _said("[streams]", "each with its ends; a missing end is the outside")
    streams = {name: dict(entry) for name, entry in kind.streams.items()}
    products = wanted.products or ()
    for i, name in enumerate(products):
        of = kind.products_from
        streams[name] = {"from": of[min(i, len(of) - 1)]}
        if i < len(wanted.times):
            streams[name]["time"] = str(wanted.times[i])
    width = max(len(toml_text(name)) for name in streams)
    yield from (f"{toml_text(name):<{width}} = {_table(entry)}" for name, entry in streams.items())
    if kind.nodes:
        yield ""
        yield _said("[nodes]", "only where a node is not a plain separator")
        yield from (f"{toml_text(name)} = {_table(entry)}" for name, entry in kind.nodes.items())
    yield ""
    yield _said("[analytes]", "max: grade of the pure mineral, if you know it")
    dissolved = ", dissolved = true" if kind.water else ""
    yield from (f'{toml_key(m.name)} = {{ unit = "{m.unit}"{dissolved} }}' for m in wanted.metals)
    yield ""
    yield _said("[errors]", "one standard deviation, where a row states none")
    yield from _errors(wanted)
    yield ""
    yield _said("[report]", "recoveries refer to the feed")
    yield f"feed = {toml_text(kind.feed)}"
    if products:
        yield f"products = [{', '.join(map(toml_text, products))}]"
    if kind.last_is_lost and len(products) > 1:
        yield _said(f"lost = [{toml_text(products[-1])}]", "the others count as kept, together")


def _errors(wanted: WantedCase) -> Iterator[str]:
    """Yield the rules that were stated; a proposal as a comment for each that was not."""
    masses = [name for name, _ in _flows(wanted) if name in _weighed(wanted.basis)]
    grades = [m.name for m in wanted.metals]
    if wanted.kind.water:
        grades += [in_solution(name) for name in list(grades)]
    unit = wanted.unit
    for names, error, example in (
        (masses, wanted.mass_error, f'{{ relative = 0.5, absolute = "2 {unit}" }}'),
        (grades, wanted.assay_error, "{ relative = 3 }"),
    ):
        for name in names:
            stated = _rule(error)
            yield f"{toml_key(name)} = {stated}" if stated else f"# {toml_key(name)} = {example}"
    over_time = _has_table_of_times(wanted)
    if over_time:
        yield from (f"# {toml_key(name)} = {{ {usual} }}" for name, usual in USUAL_ERRORS.items())
    if wanted.sieves:  # errors were stated: the case is to be balanced as it is filled in
        ready = wanted.mass_error or wanted.assay_error
        rule = f'{toml_key(CLASS_MASS)} = {{ relative = 1, absolute = "0.2 %" }}'
        yield _said(rule, "a usual figure: put your own") if ready else f"# {rule}"
    if over_time or not (wanted.mass_error and wanted.assay_error):
        yield "# Your own figures, then take out the first #; or state them beside the numbers."


def _rule(error: AnsweredError) -> str:
    parts = [f"relative = {error.relative}"] if error.relative else []
    parts += [f"absolute = {toml_text(error.absolute)}"] if error.absolute else []
    return f"{{ {', '.join(parts)} }}" if parts else ""


def _labels(plan: UnmeasuredCase) -> Iterator[str]:
    """Yield whose bag is which; a stream renamed above is renamed here too."""
    labels = plan.labels
    yield ""
    yield _said("[lab.samples]", "labels of the bags that go to the laboratory")
    yield from (
        f"{toml_text(labels[s.name])} = {toml_text(s.name)}" for s in plan.sampled
        if s.content.has_solids
    )  # fmt: skip


def _hints(wanted: WantedCase) -> Iterator[str]:
    """Yield what the case may say besides, as comments."""
    text = files("oretally.io").joinpath("templates", "hints.toml").read_text("utf-8")
    known = tomllib.loads(text)
    kind = wanted.kind
    nodes = [*(n for n in kind.nodes if n not in kind.stocks), *kind.products_from]
    fields = {
        "metal": wanted.metals[0].name,
        "mass": wanted.unit,
        "node": nodes[0],
        "feed": kind.feed,
        "flow": _weighed(wanted.basis)[0],
    }
    for name in kind.optional:
        yield ""
        yield Template(known[name]).substitute(fields).strip()


def _said(entry: str, remark: str) -> str:
    return f"{entry:<{_WIDTH}}# {remark}"


def _table(entry: Mapping[str, str]) -> str:
    return f"{{ {', '.join(f'{key} = {toml_text(value)}' for key, value in entry.items())} }}"


# ---- tables


def _weighed(basis: Basis) -> tuple[str, str]:
    """Return the flows whose error is that of a weighing, or of a meter."""
    return ("dry mass", "wet mass") if basis is Basis.BATCH else ("dry rate", "wet rate")


def _flows(wanted: WantedCase) -> list[tuple[str, str]]:
    """Return the flows that a kind is measured by, each with its unit."""
    dry, wet = _weighed(wanted.basis)
    known = {
        "dry": (dry, wanted.unit),
        "wet": (wet, wanted.unit),
        "moisture": ("moisture", "%"),
        "water": ("water", _volume(wanted)),
    }
    return [known[column] for column in wanted.kind.columns]


def _volume(wanted: WantedCase) -> str:
    """Return the unit of volumes of solution."""
    return _VOLUMES.get(wanted.unit, "L") if wanted.basis is Basis.BATCH else "m3/h"


def _beside(columns: Sequence[tuple[str, str]], error: AnsweredError) -> Iterator[str]:
    """Yield headers, each with that of its stated error where no rule states one."""
    for name, unit in columns:
        yield f"{name} [{unit}]"
        if not error:
            yield f"{_SD} {name} [{unit if name in _OWN_UNIT else _RELATIVE}]"


def _grades(wanted: WantedCase, *, solution: bool = False) -> list[str]:
    columns = [(m.name, m.unit) for m in wanted.metals]
    if solution:
        columns += [(in_solution(m.name), "mg/L") for m in wanted.metals]
    return list(_beside(columns, wanted.assay_error))


def _measurements(wanted: WantedCase, plan: UnmeasuredCase) -> list[Row]:
    header = ["stream"]
    for flow in _flows(wanted):
        weighed = flow[0] in _weighed(wanted.basis)
        header += _beside([flow], wanted.mass_error if weighed else AnsweredError())
    header += _grades(wanted, solution=wanted.kind.water) + ["note"]
    return [header, *([s.name, *[""] * (len(header) - 1)] for s in plan.sampled if not s.stock)]


def _lab(plan: UnmeasuredCase) -> list[Row]:
    """Return the batch to send: an assay a row; one that stays blank is not read."""
    known = [
        {"sample": line.code, "type": line.kind, "analyte": a.name, "unit": a.unit.symbol,
         "pair": line.pair}
        for a in plan.analytes for line in assay_list(plan)
    ]  # fmt: skip
    return [COLUMNS, *([row.get(column, "") for column in COLUMNS] for row in known)]


def _sizes(wanted: WantedCase, plan: UnmeasuredCase) -> list[Row]:
    mass = list(_beside([("mass", "g")], AnsweredError()))
    header = ["stream", "passing [um]", "retained [um]", *mass, *_grades(wanted)]
    ends = ["", *wanted.sieves, ""]
    blank = [""] * (len(header) - 3)
    return [
        header,
        *([s.name, ends[i], ends[i + 1], *blank]
          for s in plan.sampled if s.content.has_solids and not s.stock
          for i in range(len(ends) - 1)),
    ]  # fmt: skip


def _stocks(wanted: WantedCase) -> list[Row]:
    mass = _beside([("dry mass", wanted.unit)], AnsweredError())
    header = ["node", "when", *mass, *_grades(wanted)]
    blank = [""] * (len(header) - 2)
    return [
        header,
        *([node, when, *blank] for node in wanted.kind.stocks for when in ("opening", "closing")),
    ]  # fmt: skip


def _kinetics(wanted: WantedCase) -> list[Row]:
    """Return the table of times of a leach; its errors, alike on every row, are rules."""
    volume = _volume(wanted)
    header = [
        f"time [{wanted.times[0].unit}]", f"{SOLUTION_SAMPLED} [{volume}]",
        *(f"{in_solution(m.name)} [mg/L]" for m in wanted.metals),
        f"{SOLUTION_ADDED} [{volume}]", *wanted.kind.reagents, "pH", "note",
    ]  # fmt: skip
    times = ["0", *(f"{t.value:g}" for t in wanted.times)]
    return [header, *([time, *[""] * (len(header) - 1)] for time in times)]


def _csv(rows: Sequence[Row]) -> str:
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()
