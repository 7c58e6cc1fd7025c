"""The circuit as a picture: SVG that stands alone, in a report, a notebook or a browser."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from html import escape
from math import inf

from oretally.flowsheet import Circuit, Measurement, NodeKind, Survey
from oretally.flowsheet.digits import DASH, format_number, format_with_sd
from oretally.flowsheet.survey import Kind, meanings
from oretally.io.pictures.layers import Drawable
from oretally.io.pictures.layout import BOX, TEXT, Box, Drawing, Label, Line, Pen, lay_out
from oretally.io.pictures.lettering import FACE, cut_to_width, text_width
from oretally.io.pictures.sheets import cuts, within
from oretally.recon.result import Balance, BalancedValue

__all__ = ["balance_labels", "circuit_sheets", "circuit_svg", "flow_sheets", "flow_svg",
           "live_svg", "measured_labels"]  # fmt: skip

_INK, _PALE = "#1f2a33", "#5b6770"
_RIBBON = "#9a6b2f"
_RIBBONS = Pen(width=12.0)  # of 100 %
_THINNEST = 1.2
_GRADES = 3  # on a label
_DIGITS = 4  # of a number on a label
_LABEL = 180.0  # width of a label
_HELD = "\u00a0"  # a hard blank


def balance_labels(balance: Balance) -> dict[str, list[str]]:
    """Return for each stream its name, its adjusted flows, and grades of the first analytes.

    Products have their recoveries too. Size classes are left out.
    """
    labels, kinds = {}, {q: m.kind for q, m in meanings(balance.survey).items()}
    recovered = {
        (r.stream, r.analyte): _number(r.recovery, r.sd)
        for r in balance.recoveries
        if r.stream in balance.products and r.recovery is not None
    }
    rows: dict[str, list[BalancedValue]] = {name: [] for name in balance.circuit.stream_names}
    for v in balance.values:
        rows[v.stream].append(v)
    for s in balance.circuit.streams:
        flows, grades = [], []
        for v in rows[s.name]:
            number, kind = _number(v.adjusted, v.adjusted_sd), kinds[v.quantity]
            solids = "solids " if balance.survey.water else ""
            if v.adjusted is None:
                flows += [f"{solids}not determined"] if kind is Kind.DRY else []
            elif kind is Kind.SOLIDS:
                flows.append(f"{number}{_HELD}%{_HELD}solids")
            elif kind in (Kind.DRY, Kind.WATER):
                what = solids if kind is Kind.DRY else "water "
                flows.append(f"{what}{number}{_HELD}{v.unit}")
            elif kind in (Kind.GRADE, Kind.SOLUTION):
                share = recovered.get((s.name, v.quantity))
                told = "" if share is None else f", rec.{_HELD}{share}{_HELD}%"
                grades.append(f"{v.quantity} {number}{_HELD}{v.unit}{told}")
        labels[s.name] = [*_name(s.name, bold=s.target is None), *_packed(flows),
                          *_packed(grades[:_GRADES])]  # fmt: skip
    return labels


def _number(value: float | None, sd: float | None) -> str:
    """Return a number with the digits that its sd leaves, and no more than a label can bear."""
    shown = format_with_sd(value, sd)[0]
    digits = sum(c.isdigit() for c in shown.lstrip("-0."))
    return shown if digits <= _DIGITS else format_number(value, _DIGITS)


def measured_labels(survey: Survey) -> dict[str, list[str]]:
    """Return for each measured stream its name and what was measured.

    Of size classes only how many were.
    """
    labels, known = {}, meanings(survey)
    classes = {q for q, meaning in known.items() if meaning.run is not None}
    rows: dict[str, list[Measurement]] = defaultdict(list)
    for m in survey.measurements:
        rows[m.stream].append(m)
    for stream, measured in rows.items():
        texts = [
            f"{'' if m.quantity == survey.basis.quantity else m.quantity + ' '}"
            f"{format_number(m.value)}{_HELD}{m.unit}"
            for m in measured
            if m.quantity not in classes
        ]
        by_size = len(measured) - len(texts)
        texts += [f"{by_size} numbers by size"] if by_size else []
        labels[stream] = [*_name(stream), *_packed(texts)]
    return labels


def circuit_svg(circuit: Circuit, labels: Mapping[str, Sequence[str]] | None = None) -> str:
    """Return the circuit as SVG.

    Parameters
    ----------
    circuit : Circuit
    labels : mapping of str to sequence of str, optional
        Lines of text for each stream; its name where absent.
    """
    return circuit_sheets(circuit, labels, inf)[0]


def circuit_sheets(
    circuit: Circuit, labels: Mapping[str, Sequence[str]] | None, highest: float
) -> list[str]:
    """Return the same cut into sheets that are at most so high, to be laid below each other."""
    drawing = lay_out(circuit, _labels(circuit, labels), _names(circuit))
    return _sheets(circuit, drawing, *_told(circuit), {}, highest)


def live_svg(
    circuit: Drawable,
    labels: Mapping[str, Sequence[str]],
    shares: Mapping[str, float | None] | None = None,
) -> str:
    """Return the circuit as SVG for a page that knows what each part of it is.

    What belongs to a stream or a node carries its name in ``data-stream`` or ``data-node``.

    Parameters
    ----------
    circuit : Drawable
        It may have faults.
    labels : mapping of str to sequence of str
        Lines of text for each stream; its name where absent.
    shares : mapping of str to float or None, optional
        Percent of what is fed that each stream carries: then lines are as wide.
    """
    pen = Pen() if shares is None else _RIBBONS
    drawing = lay_out(circuit, _labels(circuit, labels), _names(circuit), pen=pen)
    widths = {} if shares is None else _widths(shares)
    return _sheets(circuit, drawing, *_told(circuit), widths, inf, named=True)[0]


def _labels(
    circuit: Drawable, labels: Mapping[str, Sequence[str]] | None
) -> dict[str, Sequence[str]]:
    given = labels or {}
    return {s.name: given.get(s.name) or _name(s.name, bold=s.target is None)
            for s in circuit.streams}  # fmt: skip


def _told(circuit: Drawable) -> tuple[str, str]:
    """Return the title of a circuit, and what it is in words."""
    n = len(circuit.nodes)
    title = f"Circuit of {n} node{'s' * (n != 1)} and {len(circuit.streams)} streams"
    said = "; ".join(
        f"{s.name}: from {s.source or 'outside'} to {s.target or 'outside'}"
        for s in circuit.streams
    )
    return title, said


def flow_svg(balance: Balance, analyte: str) -> str:
    """Return where an analyte goes: lines as wide as the share of the feed's analyte they carry."""
    return flow_sheets(balance, analyte, inf)[0]


def flow_sheets(balance: Balance, analyte: str, highest: float) -> list[str]:
    """Return the same cut into sheets that are at most so high, to be laid below each other."""
    alone = balance.feeds if len(balance.feeds) == 1 else ()  # of several, each has its share
    share: dict[str, float | None] = dict.fromkeys(alone, 100.0)
    sd: dict[str, float | None] = dict.fromkeys(alone)
    for r in balance.recoveries:
        if r.analyte == analyte:
            share[r.stream], sd[r.stream] = r.recovery, r.sd
    labels = {}
    for s in balance.circuit.streams:
        value, error = format_with_sd(share.get(s.name), sd.get(s.name))
        text = f"{value} %" if error == DASH else f"{value} ± {error} %"
        text = "not determined" if share.get(s.name) is None else text
        name = _name(s.name, bold=s.target is None)
        labels[s.name] = [*name, *([text] if s.name in share else [])]
    title = f"Where the {analyte} of {balance.feed} goes"
    said = "; ".join(f"{name}: {lines[-1]}" for name, lines in labels.items())
    drawing = lay_out(balance.circuit, labels, _names(balance.circuit), pen=_RIBBONS)
    return _sheets(balance.circuit, drawing, title, said, _widths(share), highest)


def _widths(share: Mapping[str, float | None]) -> dict[str, float]:
    """Return how wide each stream is drawn, from the percent of what is fed that it carries."""
    largest = max((v for v in share.values() if v is not None), default=100.0)
    scale = _RIBBONS.width / max(largest, 100.0)
    return {
        name: _THINNEST if value is None else max(_THINNEST, scale * value)
        for name, value in share.items()
    }


def _name(name: str, *, bold: bool = False) -> list[str]:
    return cut_to_width(name, _LABEL, bold=bold)


def _names(circuit: Drawable) -> dict[str, list[str]]:
    """Return the texts of each node: its name, and its kind if it is not a plain separator."""
    return {
        node.name: [*cut_to_width(node.name, BOX - 8.0, bold=True),
                    *([] if node.kind is NodeKind.SEPARATOR else [node.kind.value])]
        for node in circuit.nodes
    }  # fmt: skip


def _packed(texts: Sequence[str]) -> list[str]:
    """Return texts, as many on a line as fit; what is held by a hard blank stays together."""
    lines: list[str] = []
    for text in texts:
        longer = f"{lines[-1]}, {text}" if lines else text
        if lines and text_width(longer) <= _LABEL:
            lines[-1] = longer
        else:
            lines += cut_to_width(text, _LABEL)
    return [line.replace(_HELD, " ") for line in lines]


def _sheets(
    circuit: Drawable,
    drawing: Drawing,
    title: str,
    description: str,
    widths: Mapping[str, float],
    highest: float,
    *,
    named: bool = False,
) -> list[str]:
    edges = cuts(drawing, highest)
    found = []
    for i, (top, bottom) in enumerate(zip(edges, edges[1:], strict=False)):
        part = f", part {i + 1} of {len(edges) - 1}" if len(edges) > 2 else ""
        parts = "\n".join(_parts(circuit, within(drawing, top, bottom), widths, named))
        found.append(
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 {top:.0f} {drawing.width:.0f} '
            f'{bottom - top:.0f}" width="{drawing.width:.0f}" height="{bottom - top:.0f}" '
            f'role="img" aria-label="{escape(title + part)}" font-family="{FACE}" '
            f'font-size="11">\n<title>{escape(title + part)}</title>\n'
            f"<desc>{escape(description)}</desc>\n{parts}\n</svg>"
        )
    return found


def _parts(
    circuit: Drawable, drawing: Drawing, widths: Mapping[str, float], named: bool
) -> Iterator[str]:
    """Yield what is drawn; lines first, so that text is never covered."""
    products = {s.name for s in circuit.streams if s.target is None}
    names = _names(circuit)
    kinds = {node.name for node in circuit.nodes if node.kind is not NodeKind.SEPARATOR}
    for line in drawing.lines:
        drawn = "\n".join(_line(line, widths.get(line.stream)))
        yield _part(drawn, "stream", line.stream) if named else drawn
    for box in drawing.boxes:
        drawn = _box(box, names[box.node], kind=box.node in kinds)
        yield _part(drawn, "node", box.node) if named else drawn
    for label in drawing.labels:
        drawn = _label(label, bold=label.stream in products)
        yield _part(drawn, "stream", label.stream) if named else drawn


def _part(drawn: str, what: str, name: str) -> str:
    return f'<g data-{what}="{escape(name)}">{drawn}</g>'


def _line(line: Line, width: float | None) -> Iterator[str]:
    """Yield a stream: a line that ends in an arrow, unless it runs on beyond the sheet."""
    ink = _INK if width is None else _RIBBON
    stroke = 1.3 if width is None else width
    points = list(line.points)
    arrow = ""
    if line.ends:
        (x0, _), (x, y) = points[-2:]
        tip = max(4.0, stroke * 0.75)
        back = x - min(tip * 1.6, abs(x - x0))
        points[-1] = (back, y)
        arrow = (
            f'<path d="M{back:.1f} {y - tip:.1f} L{x:.1f} {y:.1f} L{back:.1f} {y + tip:.1f} Z" '
            f'fill="{ink}"/>'
        )
    path = "M" + " L".join(f"{px:.1f} {py:.1f}" for px, py in points)
    faint = "" if width is None else ' stroke-opacity="0.75"'
    yield (
        f'<path d="{path}" fill="none" stroke="{ink}" stroke-width="{stroke:.1f}" '
        f'stroke-linejoin="round"{faint}/>{arrow}'
    )


def _box(box: Box, lines: Sequence[str], *, kind: bool) -> str:
    """Return a node: its name, and below it its kind where that is told."""
    x, top = box.x + box.width / 2.0, box.y + (box.height - TEXT * len(lines)) / 2.0
    texts = []
    for i, line in enumerate(lines):
        last = kind and i == len(lines) - 1
        style = f'fill="{_PALE}"' if last else f'fill="{_INK}" font-weight="600"'
        texts.append(
            f'<text x="{x:.1f}" y="{top + TEXT * i + 10.0:.1f}" text-anchor="middle" {style}>'
            f"{escape(line)}</text>"
        )
    return (
        f'<rect x="{box.x:.1f}" y="{box.y:.1f}" width="{box.width:.1f}" '
        f'height="{box.height:.1f}" fill="#ffffff" stroke="{_INK}" stroke-width="1.2"/>'
        + "".join(texts)
    )


def _label(label: Label, *, bold: bool) -> str:
    """Return the text of a stream, the name first; it is bold where the stream leaves."""
    weight = ' font-weight="600"' if bold else ""
    name = len(_name(label.stream, bold=bold)) if bold else 0
    return "".join(
        f'<text x="{label.x:.1f}" y="{label.y + TEXT * i + 10.0:.1f}" fill="{_INK}"'
        f"{weight if i < name else ''}>{escape(line)}</text>"
        for i, line in enumerate(label.lines)
    )
