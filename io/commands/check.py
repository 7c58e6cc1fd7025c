"""What `oretally check` says: the circuit as read, closures, classes, what to measure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from oretally.flowsheet import Survey
from oretally.flowsheet.survey import meanings
from oretally.io.case import Case
from oretally.io.wording import (
    MOVES_NOTHING,
    PIPE,
    SD_LEGEND,
    ResultTable,
    Terminal,
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
_AS_GOOD_AS_ONE = 0.9995  # a correlation that would be written 1.000
_WORDS = {
    ValueClass.REDUNDANT: "measured, checked by others",
    ValueClass.NONREDUNDANT: "measured, checked by nothing",
    ValueClass.OBSERVABLE: "not measured, given by the balance",
    ValueClass.UNOBSERVABLE: "not measured and not determined",
}


def check_text(case: Case, found: Check, terminal: Terminal = PIPE) -> str:
    """Return what was read and how well it can be balanced."""
    lines: list[str] = []

    def say(text: str) -> None:
        lines.extend(terminal.text(text))

    survey = case.survey
    names = ", ".join(f"{a.name} [{a.unit}]" for a in survey.analytes) or "none"
    lines.append(terminal.bold(f"'{case.title}' as read"))
    say(f"basis {survey.basis.value}; analytes: {names}; recoveries refer to '{case.feed}'")
    kinds = {n.name: n.kind.value for n in case.circuit.nodes}
    streams = [
        [s.name, _end(s.source, kinds), "->", _end(s.target, kinds)] for s in case.circuit.streams
    ]
    lines += terminal.table(ResultTable("Circuit", ["stream", "from", "", "to"], streams, 4))
    lines.append(terminal.bold("What can be known"))
    counted = Counter(v.value_class for v in found.classes)
    for value_class, words in _WORDS.items():
        say(f"{counted[value_class]:5d}  {words}")
    say(f"{found.degrees_of_freedom:5d}  independent checks (degrees of freedom)")
    lone = [v for v in found.classes if v.value_class is ValueClass.NONREDUNDANT]
    if lone:
        say(f"An error in these would go unnoticed: {_listed(lone, survey)}.")
    if found.scale_missing:
        say(f"No {survey.basis.quantity} was measured: nothing fixes the scale, and the case "
            "cannot be balanced.")  # fmt: skip
    for sentence in _foreseen(found.foreseen, survey) if found.foreseen else ():
        say(f"- {sentence}")
    for note in (*found.notes, *case.notes):
        say(f"- {note}")
    if found.closures:
        lines += terminal.table(closure_table(found.closures))
        worst = max(found.closures, key=lambda c: abs(c.z))
        if abs(worst.z) > 3.0:
            say(f"The {worst.quantity} closure of '{worst.node}' is {abs(worst.z):.1f} times its "
                "expected sd: look at its numbers before balancing.")  # fmt: skip
    if found.heads:
        lines += terminal.table(head_table(found.heads, adjusted=False))
    say(f"{SD_LEGEND} Nothing was adjusted.")
    return "\n".join(lines)


def _listed(values: Sequence[CheckedValue], survey: Survey) -> str:
    """Return the names of values; those of size classes together, stream by stream."""
    known = meanings(survey)
    plain = [f"{v.quantity} of '{v.stream}'" for v in values if known[v.quantity].run is None]
    classes = Counter(
        (v.stream, known[v.quantity].analyte) for v in values if known[v.quantity].run is not None
    )
    for (stream, k), n in classes.items():
        what = "share" if k is None else f"{survey.analytes[k].name} content"
        plain.append(f"the {what} of {n} size {'class' if n == 1 else 'classes'} of '{stream}'")
    return ", ".join(plain)


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
        least = min(group.correlation for group in groups)
        others = len(groups) - 1
        more = f" So it is in {others} other size {'class' if others == 1 else 'classes'}."
        tell = "no data here can tell which" if groups[0].exact else (
            f"the data can hardly tell which (correlation {least:.3f} or more)"
            if least < _AS_GOOD_AS_ONE
            else "the data can hardly tell which"
        )  # fmt: skip
        sentences.append(
            f"If one of these is wrong, {tell}: {names}.{more if others else ''}"
        )  # fmt: skip
    if len(kin) > _GROUPS:
        left = len(kin) - _GROUPS
        sentences.append(f"So it is with {left} more group{'s' if left > 1 else ''}.")
    hidden = [h for h in found.hidden[:_TOLD] if abs(h.points) >= MOVES_NOTHING]
    return [*sentences, *(hidden_sentence(h, found.power) for h in hidden)]


def _end(name: str | None, kinds: dict[str, str]) -> str:
    if name is None:
        return "outside"
    return name if kinds[name] == "separator" else f"{name} ({kinds[name]})"
