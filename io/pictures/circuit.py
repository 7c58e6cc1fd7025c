"""The circuit as a picture: SVG that stands alone, in a report, a notebook or a browser."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from html import escape

from oretally.flowsheet import Circuit, NodeKind, Survey
from oretally.flowsheet.digits import DASH, format_number, format_with_sd
from oretally.flowsheet.survey import meanings
from oretally.io.pictures.layout import Box, Drawing, Label, Line, lay_out, text_width
from oretally.recon.result import Balance

__all__ = ["balance_labels", "circuit_svg", "flow_svg", "measured_labels"]

_INK, _PALE = "#1f2a33", "#5b6770"
_RIBBON = "#9a6b2f"
_WIDEST = 22.0  # ribbon of 100 %
_THINNEST = 1.2
_PER_LINE = 3  # grades on one line of a label
_NAME = 26  # characters of a name on one line


def balance_labels(balance: Balance) -> dict[str, list[str]]:
    """Return for each stream its name, adjusted flows and grades; size classes are left out."""
    labels, classes = {}, _of_class(balance.survey)
    for stream in balance.circuit.stream_names:
        rows = [v for v in balance.values if v.stream == stream and v.quantity not in classes]
        texts = []
        for v in rows:
            shown = "not determined" if v.adjusted is None else format_with_sd(
                v.adjusted, v.adjusted_sd)[0]  # fmt: skip
            if v.quantity == balance.survey.basis.quantity:
                solids = "solids " if balance.survey.water else ""
                texts.append(solids + (f"{shown} {v.unit}" if v.adjusted is not None else shown))
            elif v.adjusted is not None:
                texts.append(f"{v.quantity} {shown} {v.unit}")
        labels[stream] = [*_cut(stream), *texts[:1], *_packed(texts[1:])]
    return labels


def _of_class(survey: Survey) -> frozenset[str]:
    """Return the quantities that are of size classes: too many for a drawing."""
    return frozenset(q for q, meaning in meanings(survey).items() if meaning.run is not None)


def measured_labels(survey: Survey) -> dict[str, list[str]]:
    """Return for each measured stream its name and what was measured.

    Of size classes only how many were.
    """
    names = dict.fromkeys(m.stream for m in survey.measurements)
    labels, classes = {}, _of_class(survey)
    for stream in names:
        texts = [
            f"{'' if m.quantity == survey.basis.quantity else m.quantity + ' '}"
            f"{format_number(m.value)} {m.unit}"
            for m in survey.measurements
            if m.stream == stream and m.quantity not in classes
        ]
        by_size = sum(m.stream == stream and m.quantity in classes for m in survey.measurements)
        texts += [f"{by_size} numbers by size"] if by_size else []
        labels[stream] = [*_cut(stream), *_packed(texts)]
    return labels


def circuit_svg(circuit: Circuit, labels: Mapping[str, Sequence[str]] | None = None) -> str:
    """Return the circuit as SVG.

    Parameters
    ----------
    circuit : Circuit
    labels : mapping of str to sequence of str, optional
        Lines of text for each stream; its name where absent.
    """
    shown = {name: list((labels or {}).get(name, _cut(name))) for name in circuit.stream_names}
    drawing = lay_out(circuit, shown)
    n = len(circuit.nodes)
    title = f"Circuit of {n} node{'s' * (n != 1)} and {len(circuit.streams)} streams"
    said = "; ".join(
        f"{s.name}: from {s.source or 'outside'} to {s.target or 'outside'}"
        for s in circuit.streams
    )
    return _svg(circuit, drawing, title, said, {})


def flow_svg(balance: Balance, analyte: str) -> str:
    """Return where an analyte goes: lines as wide as the share of the feed's analyte they carry."""
    share: dict[str, float | None] = {balance.feed: 100.0}
    sd: dict[str, float | None] = {balance.feed: None}
    for r in balance.recoveries:
        if r.analyte == analyte:
            share[r.stream], sd[r.stream] = r.recovery, r.sd
    labels = {}
    for name in balance.circuit.stream_names:
        value, error = format_with_sd(share.get(name), sd.get(name))
        text = f"{value} %" if error == DASH else f"{value} ± {error} %"
        text = "not determined" if share.get(name) is None else text
        labels[name] = [*_cut(name), *([text] if name in share else [])]
    largest = max((v for v in share.values() if v is not None), default=100.0)
    scale = _WIDEST / max(largest, 100.0)
    widths = {
        name: _THINNEST if value is None else max(_THINNEST, scale * value)
        for name, value in share.items()
    }
    drawing = lay_out(balance.circuit, labels, lane=_WIDEST + 3.0)
    title = f"Where the {analyte} of {balance.feed} goes"
    said = "; ".join(f"{name}: {lines[-1]}" for name, lines in labels.items())
    return _svg(balance.circuit, drawing, title, said, widths)


def _cut(name: str) -> list[str]:
    """Return a name on lines that are not too long."""
    lines = [""]
    for word in name.split():
        if lines[-1] and len(lines[-1]) + 1 + len(word) > _NAME:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    return [line[i : i + _NAME] for line in lines for i in range(0, max(len(line), 1), _NAME)]


def _packed(texts: Sequence[str]) -> list[str]:
    """Return texts, a few on each line while they are short."""
    lines: list[str] = []
    count = 0
    for text in texts:
        if lines and count < _PER_LINE and len(lines[-1]) + len(text) <= _NAME + 4:
            lines[-1], count = f"{lines[-1]}, {text}", count + 1
        else:
            lines.append(text)
            count = 1
    return lines


def _svg(
    circuit: Circuit,
    drawing: Drawing,
    title: str,
    description: str,
    widths: Mapping[str, float],
) -> str:
    """Return the drawing as SVG; lines first, so that text is never covered."""
    kinds = {node.name: node.kind for node in circuit.nodes}
    products = {s.name for s in circuit.streams if s.target is None}
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {drawing.width:.0f} '
        f'{drawing.height:.0f}" width="{drawing.width:.0f}" height="{drawing.height:.0f}" '
        'role="img" font-family="system-ui, Helvetica, Arial, sans-serif" font-size="11">',
        f"<title>{escape(title)}</title>",
        f"<desc>{escape(description)}</desc>",
        *(_line(line, widths.get(line.stream)) for line in drawing.lines),
        *(_box(box, kinds.get(box.node)) for box in drawing.boxes),
        *(_label(label, bold=label.stream in products) for label in drawing.labels),
        "</svg>",
    ]
    return "\n".join(parts)


def _line(line: Line, width: float | None) -> str:
    """Return a stream: a line that ends in an arrow."""
    (x0, y0), (x, y) = line.points[-2:]
    ink = _INK if width is None else _RIBBON
    stroke = 1.3 if width is None else width
    tip = max(4.0, stroke * 0.75)
    back = x - min(tip * 1.6, abs(x - x0))
    shaft = [*line.points[:-1], (back, y)]
    path = "M" + " L".join(f"{px:.1f} {py:.1f}" for px, py in shaft)
    faint = "" if width is None else ' stroke-opacity="0.75"'
    return (
        f'<path d="{path}" fill="none" stroke="{ink}" stroke-width="{stroke:.1f}" '
        f'stroke-linejoin="round"{faint}/>'
        f'<path d="M{back:.1f} {y - tip:.1f} L{x:.1f} {y:.1f} L{back:.1f} {y + tip:.1f} Z" '
        f'fill="{ink}"/>'
    )


def _box(box: Box, kind: NodeKind | None) -> str:
    """Return a node: its name, and its kind in words where it is not a plain separator."""
    middle = box.y + box.height / 2.0
    if kind is None:
        return ""
    lines = _fitted(box.node, box.width - 8.0)
    word = "" if kind is NodeKind.SEPARATOR else kind.value
    count = len(lines) + bool(word)
    top = middle - 6.5 * (count - 1) + 4.0
    texts = [
        f'<text x="{box.x + box.width / 2:.1f}" y="{top + 13.0 * i:.1f}" text-anchor="middle" '
        f'fill="{_INK}" font-weight="600">{escape(line)}</text>'
        for i, line in enumerate(lines)
    ]
    if word:
        texts.append(
            f'<text x="{box.x + box.width / 2:.1f}" y="{top + 13.0 * len(lines):.1f}" '
            f'text-anchor="middle" fill="{_PALE}">{word}</text>'
        )
    return (
        f'<rect x="{box.x:.1f}" y="{box.y:.1f}" width="{box.width:.1f}" '
        f'height="{box.height:.1f}" fill="#ffffff" stroke="{_INK}" stroke-width="1.2"/>'
        + "".join(texts)
    )


def _fitted(name: str, width: float) -> list[str]:
    """Return a node's name on at most three lines that fit its box."""
    lines = [""]
    for word in name.split():
        if lines[-1] and text_width(f"{lines[-1]} {word}", 11.5) > width:
            lines.append("")
        lines[-1] = f"{lines[-1]} {word}".strip()
    most = max(int(width / 6.6), 4)
    cut = [line if len(line) <= most else line[: most - 1] + "…" for line in lines]
    return cut if len(cut) <= 3 else [*cut[:2], "…"]


def _label(label: Label, *, bold: bool) -> str:
    """Return the text of a stream on a pale ground, the name first."""
    texts = []
    for i, line in enumerate(label.lines):
        weight = ' font-weight="600"' if bold and i == 0 else ""
        texts.append(
            f'<text x="{label.x:.1f}" y="{label.y + 13.0 * i + 10.0:.1f}" fill="{_INK}"{weight}>'
            f"{escape(line)}</text>"
        )
    return "".join(texts)
