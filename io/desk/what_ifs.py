"""What if, beside the case: proposed where a number is doubted, and written in on request.

What is proposed are options of the command; a what-if comes into the case only when its user says
so, and only if the case then reads as wanted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from oretally.flowsheet import Fault, InputError, Measurement, Unit, UnitError, parse_unit
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.digits import format_number
from oretally.flowsheet.survey import PROPAGATED
from oretally.io.case import Case, read_case
from oretally.io.cells import RELATIVE, Heading, Spellings, is_relative, read_heading
from oretally.io.commands import changed_survey
from oretally.io.desk.traces import header_row, part_of, typed_cells
from oretally.io.desk_files import CaseFiles, Parts
from oretally.io.files import SUFFIXES, cell_at, decimal_mark, replace_file
from oretally.io.wording import is_quiet, repair_words, suspect_words
from oretally.recon.result import LEFT_OUT, Balance, Slip, Suspect

__all__ = ["repair_rows", "suspect_rows", "taken"]

_KEEPS_SD = ("container", "wet mass")
"""Slips that add to a reading or take from it; all others multiply it, its stated error too."""
WhatIfs = dict[str, list[str]]
_CLOSE, _CLOSE_SD = 1e-9, 1e-4  # relative; an error in percent of its value is rounded
Grid = list[list[str]]
Name = tuple[str, str]  # stream and quantity


def suspect_rows(balance: Balance, parts: Parts) -> list[dict[str, Any]]:
    """Return the suspects in words, with the cells of their numbers and what may be tried."""
    if is_quiet(balance):
        return []
    rows = []
    for suspect, words in zip(balance.suspects, suspect_words(balance), strict=True):
        members = []
        for place in suspect.group:
            m = balance.survey.measured(place.where, place.quantity)
            members.append({
                "kind": place.kind,
                "text": str(place),
                "stream": place.where if place.kind == "measurement" else None,
                "node": place.where if place.kind in ("loss", "gain") else None,
                "quantity": place.quantity or None,
                "part": None if m is None else part_of(m.place, parts),
                "cell": None if m is None else m.place.cell or None,
            })  # fmt: skip
        rows.append({
            "text": words.head,
            "details": list(words.details),
            "chance": words.chance,
            "members": members,
            "actions": _actions(balance, suspect),
        })  # fmt: skip
    return rows


def _actions(balance: Balance, suspect: Suspect) -> list[dict[str, Any]]:
    actions = []
    measured = [p for p in suspect.group if p.kind == "measurement"]
    for place in measured if not suspect.together else ():
        left_out = {"without": [f"{place.where}:{place.quantity}"], "with": []}
        actions.append({"label": f"Leave out {place}", "whatif": left_out})
    if suspect.together and measured:
        all_out = [f"{p.where}:{p.quantity}" for p in measured]
        actions.append({"label": "Leave them all out", "whatif": {"without": all_out, "with": []}})
    for slip in suspect.slips:
        taken = _slip_undone(balance, slip)
        if taken is not None:
            actions.append(taken)
    return actions


def _slip_undone(balance: Balance, slip: Slip) -> dict[str, Any] | None:
    """Return the readings without the slip as what-ifs; None where nobody knows what they were."""
    values = [_value(balance, r.stream, r.quantity, r.read, r.fits, r.unit, slip.kind)
              for r in slip.readings]  # fmt: skip
    if any(value is None for value in values):
        return None
    told = ", ".join(
        f"{r.quantity} of '{r.stream}' as {format_number(r.fits)} {r.unit}" for r in slip.readings
    )
    given = [value for value in values if value is not None]
    return {"label": f"Take {told} ({slip.reason})", "whatif": {"without": [], "with": given}}


def _value(
    balance: Balance, stream: str, quantity: str, read: float, fits: float | None, unit: str,
    kind: str,
) -> str | None:  # fmt: skip
    m = balance.survey.measured(stream, quantity)
    if fits is None or m is None:
        return None
    scaled = kind not in _KEEPS_SD and read > 0.0 and fits > 0.0
    sd = m.sd * fits / read if scaled else m.sd
    return f"{stream}:{quantity}={fits:.6g} +- {sd:.6g} {unit}"


def repair_rows(balance: Balance) -> list[dict[str, Any]]:
    """Return the changes that would make a balance possible."""
    found = balance.unbalanced
    rows = []
    for repair in found.repairs if found is not None else ():
        whatif: WhatIfs = {"without": [], "with": []}
        for r in repair.readings:
            value = _value(balance, r.stream, r.quantity, r.read, r.fits, r.unit, repair.kind)
            if repair.kind == LEFT_OUT or value is None:
                whatif["without"].append(f"{r.stream}:{r.quantity}")
            else:
                whatif["with"].append(value)
        rows.append({"text": repair_words(repair), "whatif": whatif})
    return rows


def taken(
    source: Path, files: CaseFiles, parts: Parts, whatif: Mapping[str, Sequence[str]]
) -> Parts:
    """Return the parts with what-ifs written into their cells.

    Parameters
    ----------
    source : Path
        The case, in a place of its own: it is written anew and read again.
    files : CaseFiles
        How it is written.
    parts : dict
    whatif : mapping
        'without' and 'with', as behind those options of the command.

    Raises
    ------
    InputError
        If they cannot be written so that the case reads as wanted.
    """
    case = read_case(source)
    without, added = whatif.get("without", ()), whatif.get("with", ())
    wanted, _ = changed_survey(case.circuit, case.survey, without, added)
    before = {(m.stream, m.quantity): m for m in case.survey.measurements}
    after = {(m.stream, m.quantity): m for m in wanted.measurements}
    stored = files.read()
    now = {name: part if isinstance(part, str) else [list(row) for row in part]
           for name, part in parts.items()}  # fmt: skip
    for name in [*before.keys() - after.keys(), *_changed(before, after)]:
        writer = _Writer(now, case, name, before.get(name))
        if before.get(name) is not None:
            writer.clear(keep_own=name in after)
        if name in after:
            writer.write(after[name])
    for file, data in files.written(now, stored).items():
        replace_file(files.target(file), data)
    _refuse_otherwise(source, after)
    return now


def _changed(before: Mapping[Name, Measurement], after: Mapping[Name, Measurement]) -> list[Name]:
    return [name for name, m in after.items() if m != before.get(name)]


def _refuse_otherwise(source: Path, after: Mapping[Name, Measurement]) -> None:
    """Refuse if the case does not now read as wanted."""
    mend = "Type it into the cells yourself."
    try:
        found = {(m.stream, m.quantity): m for m in read_case(source).survey.measurements}
    except InputError as error:
        told = error.faults[0].problem
        raise _refused(f"It cannot be written into the case: {told}", mend) from error
    same = found.keys() == after.keys() and all(
        _close(found[name].unit.to_base(found[name].value), m.unit.to_base(m.value))
        and (found[name].parts  # sources of error come on top again
             or _close(found[name].unit.to_base(found[name].sd), m.unit.to_base(m.sd), _CLOSE_SD))
        for name, m in after.items()
    )  # fmt: skip
    if not same:
        raise _refused("It cannot be written into the cells of this case so that nothing else "
                       "changes.", mend)  # fmt: skip


def _close(one: float, other: float, within: float = _CLOSE) -> bool:
    return abs(one - other) <= within * max(abs(one), abs(other))


class _Writer:
    """Writes one number into the grid in which it stands, or is to stand."""

    def __init__(self, parts: Parts, case: Case, name: Name, before: Measurement | None) -> None:
        self.stream, self.quantity = name
        self.before = before
        part = None if before is None else part_of(before.place, parts)
        titles = (t for t in parts if fold_name(t).removesuffix(".csv") == "measurements")
        part = part or next(titles, None)
        grid = parts.get(part or "")
        top = header_row(grid) if isinstance(grid, list) else None
        if not isinstance(grid, list) or top is None:
            raise _refused("There is no table to write it into.", "Add the measurements.")
        self.grid: Grid = grid
        self.top = top
        names = [self.quantity, *(m.quantity for m in case.survey.measurements)]
        self.known = Spellings(dict.fromkeys(names))
        texts = (text.strip() for row in grid for text in row)
        folder = case.source.suffix.casefold() not in SUFFIXES
        self.mark = decimal_mark(texts)[0] if folder else "."
        self.long = "quantity" in self.words

    @property
    def words(self) -> list[str]:
        """The header, folded."""
        return [fold_name(text) for text in self.grid[self.top]]

    def headings(self) -> list[Heading | None]:
        """Return the header taken apart."""
        return [read_heading(text, self.known) if text else None for text in self.grid[self.top]]

    def column(self, quantity: str, *, error: bool) -> int | None:
        """Return the column of a quantity, or of its stated error."""
        if self.long:
            word = "error" if error else "value"
            return self.words.index(word) if word in self.words else None
        wanted = fold_name(quantity)
        return next((j for j, h in enumerate(self.headings())
                     if h is not None and h.is_error is error and fold_name(h.name) == wanted),
                    None)  # fmt: skip

    def clear(self, *, keep_own: bool) -> None:
        """Blank the cells from which the number was made, and the errors stated for them."""
        m = self.before
        at = None if m is None else cell_at(m.place.cell)
        if m is None or at is None:
            raise _refused(f"{self.quantity} of '{self.stream}' was not typed into a cell.",
                           "Change what it was made from.")  # fmt: skip
        headings = self.headings()
        for i, j in list(typed_cells(m, at, self.grid)):
            if keep_own and (i, j) == at and m.error_source != PROPAGATED:
                continue
            self.put(i, j, "")
            heading = headings[j] if j < len(headings) else None
            error = self.column(heading.name if heading else "", error=True)
            if error is not None:
                self.put(i, error, "")

    def write(self, m: Measurement) -> None:
        """Write a value and its error."""
        own = None if self.before is None else cell_at(self.before.place.cell)
        made = self.before is not None and self.before.error_source == PROPAGATED
        row = own[0] if own is not None else self._row()
        column = own[1] if own is not None and not made else self._value_column(m.unit)
        unit = self._unit(row, column)
        value = m.value if unit is None else unit.from_base(m.unit.to_base(m.value))
        beside = m.unit if unit is None else unit
        self.put(row, column, self.number(value) + (f" {m.unit}" if unit is None else ""))
        if self.long:
            self.put(row, self.words.index("quantity"), self.quantity)
        sd = beside.from_base(m.unit.to_base(m.sd))
        self._write_error(row, column, value, sd, beside)

    def _write_error(self, row: int, column: int, value: float, sd: float, unit: Unit) -> None:
        at = self.column(self.quantity, error=True)
        if self.long:
            for word, text in (("error", self.number(sd)), ("error unit", str(unit))):
                self.put(row, self._added(word), text)
            return
        if at is None:
            at = column + 1
            for i, line in enumerate(self.grid):
                if len(line) >= at:
                    line.insert(at, f"± {self.quantity} [{unit}]" if i == self.top else "")
        heading = self.headings()[at]
        written = heading.unit if heading is not None else None
        if written is not None and is_relative(written) and value > 0.0:
            self.put(row, at, self.number(float(f"{100.0 * sd / value:.6g}")))
        elif written is not None and not is_relative(written):
            own = self._parsed(written, unit)
            shown = sd if own is None else own.from_base(unit.to_base(sd))
            self.put(row, at, self.number(shown) + (f" {unit}" if own is None else ""))
        else:
            raise _refused(f"A {RELATIVE} of 0 says nothing.", "Type its error yourself.")

    def _unit(self, row: int, column: int) -> Unit | None:
        """Return the unit in which a cell's column is; None if the cell names its own."""
        if self.before is None:
            return None if self.long else self._header_unit(column, None)
        if self.long:
            return self.before.unit
        return self._header_unit(column, self.before.unit)

    def _header_unit(self, column: int, like: Unit | None) -> Unit | None:
        heading = self.headings()[column]
        return None if heading is None or heading.unit is None else (
            self._parsed(heading.unit, like)
        )  # fmt: skip

    def _parsed(self, symbol: str, like: Unit | None) -> Unit | None:
        try:
            return parse_unit(symbol, like.dimension) if like is not None else parse_unit(symbol)
        except UnitError:
            return None

    def _row(self) -> int:
        """Return the row of the stream; a new one if it has none."""
        j = self.words.index("stream") if "stream" in self.words else 0
        wanted = fold_name(self.stream)
        below = range(self.top + 1, len(self.grid))
        rows = [i for i in below if j < len(self.grid[i]) and fold_name(self.grid[i][j]) == wanted]
        if rows and not self.long:
            return rows[0]
        self.grid.append([])
        self.put(len(self.grid) - 1, j, self.stream)
        return len(self.grid) - 1

    def _value_column(self, unit: Unit) -> int:
        found = self.column(self.quantity, error=False)
        return self._added(f"{self.quantity} [{unit}]") if found is None else found

    def _added(self, title: str) -> int:
        """Return the column of that title; a new one if there is none."""
        if fold_name(title) not in self.words:
            self.grid[self.top].append(title)
        return self.words.index(fold_name(title))

    def put(self, i: int, j: int, text: str) -> None:
        """Write one cell."""
        row = self.grid[i]
        row += [""] * (j + 1 - len(row))
        row[j] = text

    def number(self, value: float) -> str:
        """Return a number with the decimal mark of the table."""
        return repr(float(value)).removesuffix(".0").replace(".", self.mark)


def _refused(problem: str, mend: str) -> InputError:
    return InputError([Fault(problem, mend)])
