"""Where an error stands, in words: the measurement, source or node behind each signature."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from oretally.flowsheet import BalanceModel, Position
from oretally.recon.result import ErrorPlace
from oretally.recon.signatures import Groups, Signatures

__all__ = ["ErrorNames"]


@dataclass(frozen=True, eq=False)
class ErrorNames:
    """Names and units of the errors of one survey."""

    model: BalanceModel

    def quantity(self, place: Position) -> str:
        """Return the quantity that was measured, or of a shared source."""
        at = self.model.positions
        source = at.sources.get(place)
        return at.named[place][1] if source is None else source.quantity

    def quantities(self, places: Iterable[Position]) -> list[str]:
        """Return the quantities of several."""
        sources, named = self.model.positions.sources, self.model.positions.named
        return [sources[p].quantity if p in sources else named[p][1] for p in places]

    def place(self, signatures: Signatures, i: int, *, gains: bool = True) -> ErrorPlace:
        """Return what stands behind one row; a node gains by the sign of its error, if told."""
        n = len(signatures.readings)
        if i >= n:
            kind = "gain" if gains and signatures.r[i] < 0.0 else "loss"
            return ErrorPlace(kind, self.model.circuit.nodes[signatures.nodes[i - n]].name)
        place, at = signatures.readings[i], self.model.positions
        if place in at.sources:
            return ErrorPlace("source", at.sources[place].name, self.quantity(place))
        return ErrorPlace("measurement", *at.named[place])

    def places(self, signatures: Signatures, rows: Iterable[int]) -> tuple[ErrorPlace, ...]:
        """Return what stands behind several rows."""
        return tuple(self.place(signatures, int(i)) for i in rows)

    def group(self, groups: Groups, g: int) -> tuple[ErrorPlace, ...]:
        """Return the members of a group, whatever the sign of a loss."""
        return tuple(self.place(groups.signatures, int(i), gains=False) for i in groups.members[g])

    def unit(self, signatures: Signatures, i: int) -> tuple[float, str]:
        """Return the size of one unit of an error as it is shown, and the symbol."""
        survey = self.model.survey
        unit = survey.flow_unit
        if i < len(signatures.readings):
            if signatures.readings[i] in self.model.positions.sources:
                return 1.0, "stated sd"
            place = self.place(signatures, i)
            m = survey.measured(place.where, place.quantity)
            unit = unit if m is None else m.unit
        return unit.from_base(float(signatures.unit[i])), unit.symbol
