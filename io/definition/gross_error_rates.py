"""What a case says of its slips: containers in use, and how often its numbers are badly wrong."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from oretally.flowsheet import Basis, Dimension, Fault, Place, Survey, UnitError, parse_unit
from oretally.flowsheet.circuit import fold_name
from oretally.flowsheet.faults import nearest_name
from oretally.flowsheet.survey import meanings
from oretally.io.cells import quantities_of, read_amount, read_share
from oretally.recon.result import ErrorRates

__all__ = ["ContainerRow", "DoubtRow", "container_masses", "error_rates"]

_ANY, _LOSS = "measurement", "loss"


@dataclass(frozen=True, slots=True)
class ContainerRow:
    """A container and its empty mass, as written."""

    name: str
    mass: object
    place: Place


@dataclass(frozen=True, slots=True)
class DoubtRow:
    """How often a quantity, or what comes from a source of error, is badly wrong, in percent.

    As written; ``name`` is that of the quantity or of the source.
    """

    name: str
    percent: object
    place: Place


def container_masses(rows: Sequence[ContainerRow], faults: list[Fault]) -> dict[str, float]:
    """Return the empty masses in kg; what is wrong is added to ``faults``."""
    masses: dict[str, float] = {}
    for row in rows:
        place = row.place.about(quantity="empty mass")
        amount = read_amount(row.mass)
        if amount is None or amount[0] <= 0.0:
            faults.append(
                Fault(f"The mass of the container '{row.name}' is '{row.mass}'; it is a number "
                      "above 0 with its unit.", 'Write for example "bucket" = "1.25 kg".', place)
            )  # fmt: skip
            continue
        if row.name in masses:
            faults.append(
                Fault(f"The container '{row.name}' is there twice.", "Take one out.", place)
            )
            continue
        try:
            masses[row.name] = parse_unit(amount[1], Dimension.MASS).to_base(amount[0])
        except UnitError as error:
            faults.append(Fault(error.problem, error.mend, place))
    return masses


def error_rates(
    rows: Sequence[DoubtRow], survey: Survey, sources: Iterable[str], faults: list[Fault]
) -> ErrorRates:
    """Return the rates of gross errors; what is wrong is added to ``faults``.

    Parameters
    ----------
    rows : sequence of DoubtRow
    survey : Survey
    sources : iterable of str
        Names of the sources of error of the case, in the order written: of two spellings the
        first is that of the parts of measurements.
    faults : list of Fault
    """
    quantities = [survey.basis.quantity, *(a.name for a in survey.analytes)]
    quantities += [q for q, m in meanings(survey).items() if m.run is None and q not in quantities]
    spelling = {fold_name(q): q for q in quantities}
    source_of: dict[str, str] = {}
    for name in sources:
        source_of.setdefault(fold_name(name), name)
    names = _Names(spelling, source_of, survey.basis)
    rates: dict[str, float] = {}
    for row in rows:
        place, key = row.place.about(quantity=row.name), fold_name(row.name)
        share = read_share(row.percent)
        wrong = names.fault(row.name, place)
        if wrong is not None:
            faults.append(wrong)
        elif share is None:
            faults.append(
                Fault(f"How often it is badly wrong is given as {row.percent}; it is a number "
                      "above 0 and below 50, in percent.", "Write for example 3.", place)
            )  # fmt: skip
        elif key in rates:
            faults.append(Fault("This is stated twice.", "Take one out.", place))
        else:
            rates[key] = share
    default = ErrorRates()
    return ErrorRates(
        measurement=rates.pop(_ANY, default.measurement),
        loss=rates.pop(_LOSS, default.loss),
        by_quantity={spelling[key]: share for key, share in rates.items() if key in spelling},
        by_source={source_of[key]: share for key, share in rates.items() if key in source_of},
    )


@dataclass(frozen=True, slots=True)
class _Names:
    """What a rate may be given for: folded names, and how they are spelt."""

    quantities: Mapping[str, str]
    sources: Mapping[str, str]
    basis: Basis

    def fault(self, name: str, place: Place) -> Fault | None:
        """Return what is wrong with a name: it is unknown, or has two readings."""
        key = fold_name(name)
        if key in self.sources:
            reading = self._as_quantity(key)
            if reading is None:
                return None
            return Fault(f"'{name}' can be read in two ways: {reading}, or what comes from the "
                         f"error source '{self.sources[key]}'.",
                         "Rename the error source under [sources], and here if it is what is "
                         "meant.", place)  # fmt: skip
        if key in self.quantities or key in (_ANY, _LOSS):
            return None
        quantities, sources = list(self.quantities.values()), list(self.sources.values())
        mend = (
            f"Quantities: {', '.join(quantities)}; error sources: {', '.join(sources) or 'none'}; "
            f"for all others {_ANY}, for nodes {_LOSS}."
        )
        flow = key in {b.quantity for b in Basis}  # of the other basis
        near = None if flow else nearest_name(name, [*quantities, *sources, _ANY, _LOSS])
        if near:
            mend = f"Did you mean '{near}'?\n{mend}"
        return Fault(f"'{name}' is neither a quantity nor an error source of this case.", mend,
                     place)  # fmt: skip

    def _as_quantity(self, key: str) -> str | None:
        """Return the reading of a name as something else than a source; None if it has none."""
        if key == _ANY:
            return "every measurement that is not named"
        if key == _LOSS:
            return "losses at nodes"
        typed = key if key in quantities_of(self.basis) else None  # stands in for a balanced one
        name = self.quantities.get(key, typed)
        return None if name is None else f"the quantity {name}"
