"""What is probably wrong as tables; what could go unseen, as sentences and as a table."""

from __future__ import annotations

from oretally.flowsheet import Survey
from oretally.flowsheet.digits import (
    DASH,
    chance_percent,
    format_chance,
    format_number,
    format_with_sd,
)
from oretally.io.wording.suspects import explanation_name
from oretally.io.wording.tables import ResultTable
from oretally.recon.result import Balance, ErrorPlace, HiddenError

__all__ = [
    "MOVES_NOTHING",
    "beyond_alone",
    "explanation_columns",
    "explanation_table",
    "group_table",
    "hidden_sentence",
    "hidden_sentences",
    "hidden_table",
    "variance_factor_sentences",
    "variance_factor_table",
]

_REST = 0.01  # probability of all other explanations from which it is told
_APART = 0.02  # between the chances of a number and of it alone, from which that is explained
_BRIEF = 4  # recoveries beside each explanation on a terminal
_HIDDEN_TOLD = 2  # in the summary
MOVES_NOTHING = 0.05  # percentage points of recovery: less is not worth a line
_MATTERS = 1.0  # percentage points from which a hidden error is told there
_MANY_TIMES = 100.0
_WHOLE = 100.0  # points
_NEARLY_WHOLE = 0.8  # of a reading: an unseen error beyond is told as one of any size
_EXPLAINED = (
    "Each column is one way to explain the numbers, and what the recoveries would be if it were "
    "true; the probabilities of others make up the rest.",
)
_BEYOND_ALONE = (
    "Each of these is all that is wrong. The chance in the list above is that of all that the same "
    "is part of, with what is too unlikely by itself to stand here."
)


def beyond_alone(balance: Balance) -> str:
    """Say why a suspect is likelier than the line of it alone; empty if it hardly is."""
    alone: dict[frozenset[ErrorPlace], float] = {}
    for e in balance.gross_errors.explanations:
        alone[frozenset(e.places)] = alone.get(frozenset(e.places), 0.0) + e.probability
    more = (s.shares[0] - alone.get(frozenset(s.group if s.together else s.group[:1]), 0.0)
            for s in balance.suspects)  # fmt: skip
    return _BEYOND_ALONE if any(p >= _APART for p in more) else ""


def explanation_table(balance: Balance) -> ResultTable:
    """Return explanations side by side for a terminal, with the recoveries that differ most."""
    explanations = balance.gross_errors.explanations
    shown = sorted(_recoveries(balance), key=lambda pair: -_spread(balance, pair))[:_BRIEF]
    rows = []
    for i, e in enumerate(explanations):
        under = {(r.stream, r.analyte): (r.recovery, r.sd) for r in e.recoveries}
        cells = [text for pair in shown for text in format_with_sd(*under.get(pair, (None, None)))]
        rows.append(
            [explanation_name(balance, i), format_chance(e.probability),
             format_number(e.objective), str(e.dof), *cells]
        )  # fmt: skip
    rest = 1.0 - sum(e.probability for e in explanations)
    if rest >= _REST:
        blank = [DASH] * (2 + 2 * len(shown))
        rows.append(["something else", format_chance(rest), *blank])
    header = ["if wrong:", "probability", "chi-square", "on"]
    header += [h for stream, analyte in shown for h in (f"{analyte} to {stream} [%]", "±")]
    return ResultTable("Recoveries under each explanation", header, rows, 2)


def explanation_columns(balance: Balance) -> ResultTable:
    """Return explanations side by side for a page, one column each, all products below."""
    explanations = balance.gross_errors.explanations
    rows = [
        ["probability [%]", "",
         *(c for e in explanations for c in (chance_percent(e.probability), ""))],
        ["chi-square", "on degrees of freedom",
         *(c for e in explanations for c in (format_number(e.objective), str(e.dof)))],
    ]  # fmt: skip
    for pair in _recoveries(balance):
        cells: list[str] = []
        for e in explanations:
            under = {(r.stream, r.analyte): (r.recovery, r.sd) for r in e.recoveries}
            cells += format_with_sd(*under.get(pair, (None, None)))
        rows.append([f"{pair[1]} [%]", f"to {pair[0]}", *cells])
    names = (explanation_name(balance, i) for i in range(len(explanations)))
    more = beyond_alone(balance)
    header = ["if this is wrong:", "", *(h for name in names for h in (name, "±"))]
    return ResultTable("Recoveries under each explanation", header, rows, 2,
                       legend=(*_EXPLAINED, *([more] if more else [])), wraps=True)  # fmt: skip


def _spread(balance: Balance, pair: tuple[str, str]) -> float:
    """Return how far a recovery differs between explanations, in percentage points."""
    found = [
        r.recovery
        for e in balance.gross_errors.explanations
        for r in e.recoveries
        if (r.stream, r.analyte) == pair and r.recovery is not None
    ]
    return round(max(found) - min(found), 6) if found else 0.0


def _recoveries(balance: Balance) -> list[tuple[str, str]]:
    found = (r for e in balance.gross_errors.explanations for r in e.recoveries)
    return list(dict.fromkeys((r.stream, r.analyte) for r in found))


def hidden_sentences(balance: Balance) -> tuple[str, ...]:
    """Return the most harmful errors that could go unseen, for the summary."""
    return tuple(
        hidden_sentence(h, balance.gross_errors.power, balance.survey)
        for h in balance.gross_errors.hidden[:_HIDDEN_TOLD]
        if abs(h.points) >= _MATTERS
    )


def hidden_sentence(h: HiddenError, power: float, survey: Survey) -> str:
    """Return one error that could go unseen, in words.

    Of an error as large as the reading, or nearly, the first order says no number of the recovery:
    then it tells of a tenth of the reading.
    """
    m = survey.measured(h.stream, h.quantity)
    if h.checked and m is not None and h.size > _NEARLY_WHOLE * abs(m.value) > 0.0:
        tenth = format_number(abs(0.1 * h.points * m.value / h.size), 2)
        return (
            f"Any error up to its whole size would pass unnoticed in {h.quantity} of '{h.stream}', "
            f"{format_number(m.value)} {h.unit}: a tenth of it moves the recovery of {h.analyte} "
            f"to '{h.product}' by {tenth} points."
        )
    size = f"{format_number(h.size, 2)} {'points' if h.unit == '%' else h.unit}"
    moves = f"the recovery of {h.analyte} to '{h.product}' by {_about(h.points)} points"
    if not h.checked:
        return f"Nothing checks {h.quantity} of '{h.stream}': one sd, {size}, moves {moves}."
    missed = round(100.0 * (1.0 - power))
    return (
        f"An error of {size} in {h.quantity} of '{h.stream}' would pass unnoticed in {missed} of "
        f"100 cases, and move {moves}."
    )


def _about(points: float) -> str:
    """Return by how much a recovery moves; beyond a whole one the first order says no number."""
    return f"{abs(points):.1f}" if abs(points) <= _WHOLE else f"more than {_WHOLE:g}"


def variance_factor_sentences(balance: Balance) -> tuple[str, ...]:
    """Return what the adjustments say of the stated errors, where they are not believable."""
    found = []
    for d in balance.gross_errors.variance_factors:
        if not d.verdict:
            continue
        ratio = d.factor**0.5
        times, word = (ratio, "larger") if ratio > 1.0 else (1.0 / max(ratio, 1e-9), "smaller")
        size = f"{times:.1f} times" if times < _MANY_TIMES else f"more than {_MANY_TIMES:g} times"
        of = f" of {d.quantity}" if d.quantity else ""
        aside = f", {_suspects(d.left_out)} set aside" if d.left_out else ""
        if not d.quantity and d is not balance.gross_errors.variance_factors[0]:
            aside = ", no number set aside"
        found.append(
            f"Adjustments{of} are {size} {word} than the stated errors lead to expect"
            f"{aside}: the errors are probably stated {d.verdict} (variance factor "
            f"{format_number(d.factor, 2)}, {100 * d.confidence:.0f} % limits "
            f"{format_number(d.low, 2)} to {format_number(d.high, 2)})."
        )
    return tuple(found)


def _suspects(count: int) -> str:
    return "1 suspect" if count == 1 else f"{count} suspects"


def hidden_table(balance: Balance) -> ResultTable:
    """Return, for each measurement, what could go unseen and what it would do, if it matters."""
    hidden = balance.gross_errors.hidden
    matters = [h for h in hidden if abs(h.points) >= MOVES_NOTHING]
    rows = [
        [h.stream, f"{h.quantity} [{h.unit}]", format_number(h.size, 2), _points(h.points),
         f"{h.analyte} to {h.product}", "by others" if h.checked else "by nothing: one sd"]
        for h in matters
    ]  # fmt: skip
    header = ["stream", "quantity", "error", "moves by [points]", "the recovery of", "checked"]
    missed = round(100.0 * (1.0 - balance.gross_errors.power))
    caption = f"What could go unseen: errors missed in {missed} of 100 cases, and what they do"
    rest = len(hidden) - len(matters)
    note = f"Of {rest} more it would move no recovery by {MOVES_NOTHING:g} points." if rest else ""
    return ResultTable(caption, header, rows, 2, 2, wraps=True, legend=(note,) if note else ())


def _points(points: float) -> str:
    """Return by how much a recovery moves; beyond a whole one the first order says no number."""
    if abs(points) <= _WHOLE:
        return f"{points:+.1f}"
    return f"above +{_WHOLE:g}" if points > 0.0 else f"below -{_WHOLE:g}"


def group_table(balance: Balance) -> ResultTable:
    """Return errors that the data cannot, or can hardly, tell apart."""
    rows = [
        [
            "; ".join(map(str, g.members)),
            "not at all" if g.exact else f"hardly: {g.correlation:.3f}",
        ]
        for g in balance.gross_errors.groups
    ]
    header = ["errors", "can the data tell? (correlation)"]
    return ResultTable("Which errors cannot be told apart", header, rows, 2, wraps=True)


def variance_factor_table(balance: Balance) -> ResultTable:
    """Return variance factors."""
    rows = [
        [d.quantity or "all measurements", *(format_number(n, 2) for n in (
            d.factor, d.low, d.high, d.checks)), d.verdict]
        for d in balance.gross_errors.variance_factors
    ]  # fmt: skip
    header = ["", "variance factor", "from", "to", "checks", "stated errors are"]
    caption = "Are the stated errors believable (1 if they are; 95 % limits)"
    return ResultTable(caption, header, rows, 1, 1, wraps=True)
