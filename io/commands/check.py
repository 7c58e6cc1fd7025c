"""What `oretally check` says: the circuit as read, closures, classes, what to measure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from oretally.flowsheet import Survey
from oretally.flowsheet.survey import DECLARED_LOSS, meanings
from oretally.io.case import Case
from oretally.io.report import narrow
from oretally.io.wording import (
    MOVES_NOTHING,
    PIPE,
    SD_LEGEND,
    ResultTable,
    Terminal,
    assay_sentence,
    closure_table,
    head_table,
    hidden_sentence,
)
from oretally.recon import Check
from oretally.recon.checking import CheckedValue
from oretally.recon.result import EquivalenceGroup, ErrorPlace, GrossErrors, ValueClass

__all__ = ["check_text"]

_TOLD = 3  # errors that could go unseen, the most harmful ones
_GROUPS = 6  # groups of errors that cannot be told apart
_NAMED = 6  # numbers that nothing checks, named there
_OPEN = 3  # numbers that nothing determines, named there
_ASKED = 2  # measurements that would determine them
_LINES = 26  # of a first screen, less the empty lines and what stands at its end
_SHOWN = 4  # remarks on the first screen
_FAR = 3.0  # sd, beyond which a closure is told
_WORDS = {
    ValueClass.REDUNDANT: "numbers measured and checked by others (redundant)",
    ValueClass.NONREDUNDANT: "measured and checked by nothing (nonredundant)",
    ValueClass.OBSERVABLE: "not measured, given by the balance (observable)",
    ValueClass.UNOBSERVABLE: "not measured and not determined (unobservable)",
}


def check_text(case: Case, found: Check, terminal: Terminal = PIPE, *, full: bool = False) -> str:
    """Return how well a case can be balanced; in full, what was read and every closure as well."""
    survey = case.survey
    lines = [terminal.bold(line) for line in narrow(case.title)]
    judged = _judged(case, found, full=full)
    lines += (line for sentence in judged for line in narrow(sentence))
    if full:
        names = ", ".join(f"{a.name} [{a.unit}]" for a in survey.analytes) or "none"
        lines += terminal.heading("As read")
        lines += narrow(
            f"basis {survey.basis.value}; analytes: {names}; recoveries refer to '{case.feed}'"
        )
        checks = found.degrees_of_freedom
        lines += narrow(f"{checks} independent check{'s' * (checks != 1)} (degrees of freedom)")
        kinds = {n.name: n.kind.value for n in case.circuit.nodes}
        streams = [
            [s.name, _end(s.source, kinds), "->", _end(s.target, kinds)]
            for s in case.circuit.streams
        ]
        lines += terminal.table(ResultTable("Circuit", ["stream", "from", "", "to"], streams, 4))
        if found.closures:
            lines += terminal.table(closure_table(found.closures))
        if found.heads:
            lines += terminal.table(head_table(found.heads, adjusted=False))
    foreseen = _foreseen(found.foreseen, survey) if found.foreseen else []
    notes = [note for note in case.notes if note not in case.mismatches]
    missing = assay_sentence(found.missing_assay) if found.missing_assay else ""
    told = [*foreseen, *found.notes, *notes]
    told[:0] = [f"{missing[0].upper()}{missing[1:]}"] if missing else []
    shown = told if full else _fitting(told[:_SHOWN], (case.title, *judged))
    if shown:
        lines += ["", *(line for sentence in shown for line in narrow(sentence, "- "))]
    lines.append("")
    if not full:
        left = len(told) - len(shown)
        more = f"{left} more remark{'s' * (left > 1)}, " if left else ""
        lines += narrow(f"More: --full prints {more}the circuit, closures and heads.")
    return "\n".join([*lines, *narrow(f"{SD_LEGEND} Nothing was adjusted.")]) + "\n"


def _fitting(remarks: Sequence[str], above: Sequence[str]) -> list[str]:
    """Return the first remarks that fit on the first screen, below what stands above."""
    left, found = _LINES - sum(len(narrow(text)) for text in above), list[str]()
    for remark in remarks:
        left -= len(narrow(remark, "- "))
        if left < 0:
            break
        found.append(remark)
    return found


def _judged(case: Case, found: Check, *, full: bool) -> list[str]:
    """Return whether the case can be balanced, what is checked, and the worst closure."""
    survey, told = case.survey, list(case.contradictions)
    if found.scale_missing:
        told.append(
            f"Cannot be balanced: no {survey.basis.quantity} was measured, so nothing fixes the "
            "scale."
        )
    else:
        told.append(
            "Can be balanced."
            if found.degrees_of_freedom
            else "Can be balanced, but no number checks another: a wrong one would not show."
        )
    declared = {(m.stream, m.quantity) for m in survey.measurements
                if m.error_source == DECLARED_LOSS}  # fmt: skip
    classes = [v for v in found.classes if (v.stream, v.quantity) not in declared]
    counted = Counter(v.value_class for v in classes)
    told += [f"{counted[c]} {words}." for c, words in _WORDS.items() if counted[c]]
    if counted[ValueClass.UNOBSERVABLE]:
        open_ = [v for v in classes if v.value_class is ValueClass.UNOBSERVABLE]
        told[-1:] = _not_determined(told[-1], open_, found.measure, survey, full=full)
    lone = [v for v in classes if v.value_class is ValueClass.NONREDUNDANT]
    if lone and found.degrees_of_freedom:
        names = _listed(lone, survey)
        shown = names if full else names[:_NAMED]
        told.append(f"An error in these would go unnoticed: {_some(shown, len(names))}.")
    worst = max(found.closures, key=lambda c: abs(c.z), default=None)
    if worst is not None and abs(worst.z) > _FAR:
        told.insert(
            0,
            f"Look first at {worst.quantity} of '{worst.node}': what goes in and what comes out "
            f"differ by {abs(worst.z):.1f} times the expected error.",
        )
    elif worst is not None:
        told.append(f"Every node closes within {_FAR:g} times its expected error.")
    return [*case.mismatches, *told]


def _not_determined(
    counted: str, values: Sequence[CheckedValue], measure: Sequence[tuple[str, str]],
    survey: Survey, *, full: bool,
) -> list[str]:  # fmt: skip
    """Return how many values nothing determines, which, and what to measure so that something does.

    What would determine size classes is not known.
    """
    names, known = _listed(values, survey), meanings(survey)
    told = [f"{counted.rstrip('.')}: {_some(names if full else names[:_OPEN], len(names))}."]
    if measure:
        asked = [f"{quantity} of '{stream}'" for stream, quantity in measure]
        by_size = any(known[v.quantity].run is not None for v in values)
        told.append(
            f"Measure {_some(asked if full else asked[:_ASKED], len(asked))}: then "
            f"{'what is not by size' if by_size else 'all of them'} would be determined."
        )
    return told


def _some(names: Sequence[str], of: int) -> str:
    """Return names in a row, and how many more there are."""
    more = f" and {of - len(names)} more" if of > len(names) else ""
    return f"{', '.join(names)}{more}"


def _listed(values: Sequence[CheckedValue], survey: Survey) -> list[str]:
    """Return the names of values; those of size classes together, stream by stream."""
    known = meanings(survey)
    plain = [f"{v.quantity} of '{v.stream}'" for v in values if known[v.quantity].run is None]
    classes = Counter(
        (v.stream, known[v.quantity].analyte) for v in values if known[v.quantity].run is not None
    )
    for (stream, k), n in classes.items():
        what = "share" if k is None else f"{survey.analytes[k].name} content"
        plain.append(f"the {what} of {n} size {'class' if n == 1 else 'classes'} of '{stream}'")
    return plain


def _alike(group: EquivalenceGroup, survey: Survey) -> tuple[object, ...]:
    """Return what a group says whatever the size class is: such groups are told once."""
    known = meanings(survey)

    def whatever_class(place: ErrorPlace) -> tuple[object, ...]:
        meaning = known.get(place.quantity)
        if meaning is None or meaning.run is None:
            return place
        return place.kind, place.where, meaning.kind, meaning.analyte

    return (group.exact, *map(whatever_class, group.members))


def _foreseen(found: GrossErrors, survey: Survey) -> list[str]:
    """Return what the balance will not be able to tell, whatever the numbers are."""
    sentences = []
    kin: dict[tuple[object, ...], list[EquivalenceGroup]] = {}
    for group in found.groups:
        kin.setdefault(_alike(group, survey), []).append(group)
    for groups in list(kin.values())[:_GROUPS]:
        names = "; ".join(map(str, groups[0].members))
        others = len(groups) - 1
        more = f" So it is in {others} other size {'class' if others == 1 else 'classes'}."
        tell = "no data here can tell which" if groups[0].exact else (
            "the data can hardly tell which"
        )  # fmt: skip
        sentences.append(
            f"If one of these is wrong, {tell}: {names}.{more if others else ''}"
        )  # fmt: skip
    if len(kin) > _GROUPS:
        left = len(kin) - _GROUPS
        sentences.append(f"So it is with {left} more group{'s' if left > 1 else ''}.")
    hidden = [h for h in found.hidden[:_TOLD] if abs(h.points) >= MOVES_NOTHING]
    return [*(hidden_sentence(h, found.power, survey) for h in hidden), *sentences]


def _end(name: str | None, kinds: dict[str, str]) -> str:
    if name is None:
        return "outside"
    return name if kinds[name] == "separator" else f"{name} ({kinds[name]})"
