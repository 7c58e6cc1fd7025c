"""The answers of many balanced surveys as series: recovery, head, mass pull, P80, closures."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from oretally.flowsheet import Dimension, Unit, parse_unit
from oretally.flowsheet.circuit import reference_name
from oretally.flowsheet.problem import reference_streams
from oretally.recon.answers import (
    GRADE,
    PULL,
    RECOVERY,
    Answer,
    AnswerName,
    CaseAnswers,
    calculated_heads,
    closures,
)
from oretally.recon.dated_balances import DatedBalance, Timeline
from oretally.recon.sizes import LOAD, P80, size_answers
from oretally.recon.trends.series import AnswerSeries

__all__ = ["CLOSURE", "HEADS", "SeriesReader"]

HEADS, CLOSURE = "calculated less assayed head", "closure"
_SAME = 1e-6  # of the whole that two shares make


@dataclass
class _Rows:
    """One series as it grows."""

    name: str
    unit: str
    aim: float | None = None
    numbers: list[int] = field(default_factory=list)
    value: list[float] = field(default_factory=list)
    sd: list[float] = field(default_factory=list)
    common: dict[str, list[float]] = field(default_factory=dict)

    def add(self, number: int, value: float, sd: float, common: Mapping[str, float]) -> None:
        for source in common.keys() - self.common.keys():
            self.common[source] = [0.0] * len(self.value)
        for source, moved in self.common.items():
            moved.append(common.get(source, 0.0))
        self.numbers.append(number)
        self.value.append(value)
        self.sd.append(sd)


class SeriesReader:
    """Reads the answers of balanced surveys, one survey after the other.

    Parameters
    ----------
    timeline : Timeline
    feed : str or sequence of str, optional
        Stream to which recoveries refer; by default all feeds that bring solids.
    products : sequence of str, optional
        By default all that leave the circuit with something of the feed.

    Notes
    -----
    Closures and the difference of heads are in percent of what enters and of the assayed head, as
    measured; the rest is adjusted. Errors of one shared source are kept apart from those of a
    survey by itself.
    """

    def __init__(
        self, timeline: Timeline, feed: str | Sequence[str] | None = None,
        products: Sequence[str] | None = None,
    ) -> None:  # fmt: skip
        self.timeline, self.feed, self.products = timeline, feed, products
        self._rows: dict[tuple[str, str, str], _Rows] = {}
        self._percent, self._um = parse_unit("%", Dimension.SHARE), parse_unit("um")

    def read(self, balance: DatedBalance) -> None:
        """Add the answers of one survey.

        Raises
        ------
        InputError
            If ``feed`` or ``products`` name no stream.
        """
        model = balance.model
        feeds, products = reference_streams(model.circuit, self.feed, self.products)
        answers = CaseAnswers(model, feeds, products, known=balance.covariance)
        analytes = model.survey.analytes
        asked = [(RECOVERY, a.name, p) for a in analytes for p in products if (p,) != feeds]
        asked += [(PULL, "", p) for p in products if (p,) != feeds]
        asked += [(GRADE, a.name, p) for p in products for a in analytes]
        if len(feeds) == 1:
            asked += [(GRADE, a.name, feeds[0]) for a in analytes]
        offered = set(answers.names())
        names = [AnswerName(*each) for each in asked]
        for name, found in answers.read_all([n for n in names if n in offered]).items():
            unit = self._percent
            if name.kind == GRADE:
                unit = next(a.unit for a in analytes if a.name == name.analyte)
            key = name.kind, name.stream, name.analyte
            self._add_answer(balance.number, key, str(name), found, unit)
        shown = [*(feeds if len(feeds) == 1 else ()), *products]
        sized = size_answers(model, balance.covariance, shown)
        for (kind, where), found in answers.with_errors(sized).items():
            of, unit = (f"P80 of {where}", self._um) if kind == P80 else (
                f"circulating load at {where}", self._percent)  # fmt: skip
            self._add_answer(balance.number, (kind, where, ""), of, found, unit)
        self._add_heads(balance, feeds, products)
        self._add_closures(balance)

    def _add_answer(
        self, number: int, key: tuple[str, str, str], name: str, found: Answer, unit: Unit
    ) -> None:
        own, common = 0.0, dict[str, float]()
        for place, moved in found.slopes.items():
            if place.kind == "source":
                common[f"{place.where}: {place.quantity}"] = unit.from_base(moved)
            else:
                own += unit.from_base(moved) ** 2
        if own > 0.0:
            rows = self._rows.setdefault(key, _Rows(name, unit.symbol))
            rows.add(number, unit.from_base(found.value), own**0.5, common)

    def _add_heads(
        self, balance: DatedBalance, feeds: Sequence[str], products: Sequence[str]
    ) -> None:
        for head in calculated_heads(balance.model, feeds, products):
            if head.assayed is None or head.z is None or not head.assayed > 0.0:
                continue
            gap = head.calculated - head.assayed
            sd = gap / head.z if head.z else float(head.calculated_sd)
            of = reference_name(feeds)
            key = HEADS, of, head.analyte
            name = f"calculated less assayed head, {head.analyte} of {of}"
            rows = self._rows.setdefault(key, _Rows(name, "%", aim=0.0))
            if sd > 0.0:
                rows.add(balance.number, 100.0 * gap / head.assayed, 100.0 * sd / head.assayed, {})

    def _add_closures(self, balance: DatedBalance) -> None:
        for row in closures(balance.model):
            through = max(row.inflow, row.outflow)
            if through > 0.0:
                key = CLOSURE, row.node, row.quantity
                name = f"closure of {row.quantity} at {row.node}"
                rows = self._rows.setdefault(key, _Rows(name, "%", aim=0.0))
                scale = 100.0 / through
                rows.add(balance.number, scale * row.imbalance, scale * row.sd, {})

    def series(self) -> tuple[AnswerSeries, ...]:
        """Return all series of at least two surveys, in the order asked, closures last.

        What only mirrors an earlier one, as two recoveries that make up the whole, is left out.
        """
        order = {
            kind: i for i, kind in enumerate((RECOVERY, PULL, GRADE, P80, LOAD, HEADS, CLOSURE))
        }
        rows = sorted(self._rows.items(), key=lambda item: order[item[0][0]])
        found = [self._series(key, row) for key, row in rows if len(row.numbers) > 1]
        return tuple(s for i, s in enumerate(found) if not any(_mirrored(s, o) for o in found[:i]))

    def _series(self, key: tuple[str, str, str], rows: _Rows) -> AnswerSeries:
        surveys, time = self.timeline.surveys, self.timeline.time
        kinds = tuple(surveys[i].kind for i in rows.numbers)
        common = {name: tuple(moved) for name, moved in rows.common.items() if _of_several(moved)}
        alone = [moved for name, moved in rows.common.items() if name not in common]
        sd = [
            (own**2 + sum(moved[i] ** 2 for moved in alone)) ** 0.5 for i, own in enumerate(rows.sd)
        ]
        return AnswerSeries(
            rows.name, key[0], key[1], key[2], rows.unit,
            tuple(surveys[i].label for i in rows.numbers), tuple(time[i] for i in rows.numbers),
            tuple(rows.value), tuple(sd), common, rows.aim, self.timeline.clock,
            kinds if any(kinds) else (), tuple(rows.numbers),
        )  # fmt: skip


def _of_several(moved: Iterable[float]) -> bool:
    return sum(m != 0.0 for m in moved) > 1


def _mirrored(one: AnswerSeries, other: AnswerSeries) -> bool:
    """Tell whether one series and another make up the same whole in every survey."""
    if (one.subject, one.numbers) != (other.subject, other.numbers):
        return False
    whole = [a + b for a, b in zip(one.value, other.value, strict=True)]
    return max(whole) - min(whole) <= _SAME * max(map(abs, whole))
