"""How a sample was taken, as written: the ore, top sizes and masses, read into Gy's terms."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from oretally.flowsheet import Fault, Place
from oretally.io.sampling.written import (
    KEYS,
    UNKNOWN,
    Written,
    mass_text,
    read_density,
    read_factor,
    read_grade,
    read_mass,
    read_size,
    size_text,
    unknown_keys,
)
from oretally.recon.laboratory import (
    GRANULOMETRIC,
    SHAPE,
    FundamentalError,
    Ore,
    Stage,
    fundamental_error,
)

__all__ = ["STAGE_KEYS", "Lot", "OreTerms", "SamplingTerms", "read_lot", "read_ore",
    "read_sampling", "read_stages"]  # fmt: skip

STAGE_KEYS = ("top", "mass", "granulometric")
"""What a stage of sampling may hold."""


@dataclass(frozen=True, slots=True)
class OreTerms:
    """An ore without its grade.

    Attributes
    ----------
    mineral_grade : float
        Mass fraction of the analyte in the mineral.
    mineral_density, gangue_density : float
        [kg/L]
    liberation_um : float or None
        None if unknown: it counts as the coarsest top size, which gives the largest error. [um]
    shape : float
    assumed : tuple of str
        What was not stated, and what stands in its place.
    """

    mineral_grade: float
    mineral_density: float
    gangue_density: float
    liberation_um: float | None
    shape: float
    assumed: tuple[str, ...] = ()

    def ore(self, grade: float, top_size_um: float) -> Ore:
        """Return the ore at a grade (mass fraction); ``top_size_um`` is the coarsest there is."""
        liberation = top_size_um if self.liberation_um is None else self.liberation_um
        return Ore(grade, self.mineral_grade, self.mineral_density, self.gangue_density,
                   liberation, self.shape)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Lot:
    """What stands before all stages.

    Attributes
    ----------
    lot_kg : float
        Dry mass before the first split; ``math.inf`` if far larger than the sample. [kg]
    granulometric : float
        Of the stages that state none.
    assumed : tuple of str
        What was not stated, and what stands in its place.
    """

    lot_kg: float
    granulometric: float
    assumed: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class SamplingTerms:
    """How a sample was taken.

    Attributes
    ----------
    terms : OreTerms
    stages : tuple of Stage
        In the order of work.
    assumed : tuple of str
        What was not stated, and what stands in its place.
    """

    terms: OreTerms
    stages: tuple[Stage, ...]
    assumed: tuple[str, ...] = ()

    def ore(self, grade: float) -> Ore:
        """Return the ore at a grade (mass fraction)."""
        return self.terms.ore(grade, self.stages[0].top_size_um)

    def error(self, grade: float) -> FundamentalError:
        """Return the fundamental error at a grade (mass fraction).

        A SamplingError refuses a grade that is not above 0, or above that of the mineral.
        """
        return fundamental_error(self.ore(grade), self.stages)

    def relative_sd(self, grade: float) -> float:
        """Return one standard deviation over the grade, at a grade (mass fraction).

        A SamplingError refuses a grade that is not above 0, or above that of the mineral.
        """
        return self.error(grade).relative_sd

    @property
    def shares(self) -> tuple[float, ...]:
        """Share of each stage in the variance, the same at every grade; all 0 without error."""
        return self.error(self.terms.mineral_grade / 2.0).shares

    @property
    def dominant(self) -> int:
        """The stage that adds most to the error, counted from 0; the first of equals."""
        shares = self.shares
        return shares.index(max(shares))

    def described(self, index: int) -> str:
        """Return a stage in words, such as 'stage 2 (500 g of 20 kg at 1 mm)'."""
        stage = self.stages[index]
        lot = "" if math.isinf(stage.lot_kg) else f" of {mass_text(stage.lot_kg)}"
        kept = f"{mass_text(stage.sample_kg)}{lot} at {size_text(stage.top_size_um)}"
        return f"stage {index + 1} ({kept})"


def read_sampling(
    entry: Mapping[str, object], place: Place, faults: list[Fault], *, grade_max: float
) -> SamplingTerms | None:
    """Read how a sample was taken; None, with faults, if it cannot be used.

    Parameters
    ----------
    entry : mapping of str to object
        The ``KEYS``, with values as in ``top = "2 mm"``, ``shape = 0.5``; a list of ``stages``,
        each with top and mass, stands in place of top and mass.
    place : Place
        Where the entry stands.
    faults : list of Fault
        What is wrong is added.
    grade_max : float
        Largest grade of the analyte (mass fraction). Below 1 it is that of the mineral, unless the
        entry states another.
    """
    written = Written(entry, place)
    before = len(faults)
    unknown_keys(written, KEYS, faults)
    terms = read_ore(written, faults, grade_max=grade_max)
    lot = read_lot(written, faults)
    stages = read_stages(written, lot, faults)
    if len(faults) > before or terms is None:
        return None
    return SamplingTerms(terms, stages, (*terms.assumed, *lot.assumed))


def read_ore(written: Written, faults: list[Fault], *, grade_max: float = 1.0) -> OreTerms | None:
    """Read what is said of the ore; None, with faults, if it cannot be used."""
    before = len(faults)
    assumed: list[str] = []
    mineral_density = read_density(written, "mineral density", faults)
    gangue_density = read_density(written, "gangue density", faults)
    mineral: float | None = grade_max
    if written.entry.get("mineral grade") is None and grade_max < 1.0:
        assumed.append(f"grade of the mineral {100.0 * grade_max:g} %, the max of the analyte")
    else:
        limit = f"{100.0 * grade_max:g} %" + (", the max of the analyte" if grade_max < 1.0 else "")
        mineral = read_grade(written, "mineral grade", grade_max, limit, faults)
    liberation = None
    if str(written.entry.get("liberation", "")).strip().casefold() == UNKNOWN:
        assumed.append("liberation size unknown: taken as the coarsest top size, the worst case")
    else:
        liberation = read_size(written, "liberation", faults)
    shape = read_factor(written, "shape", SHAPE, "that of most ores", assumed, faults)
    if len(faults) > before or None in (mineral, mineral_density, gangue_density):
        return None
    return OreTerms(mineral or 0.0, mineral_density or 0.0, gangue_density or 0.0, liberation,
                    shape, tuple(assumed))  # fmt: skip


def read_lot(written: Written, faults: list[Fault]) -> Lot:
    """Read what stands before all stages; what is faulty counts as not stated."""
    assumed: list[str] = []
    lot: float | None = None
    if written.entry.get("lot") is None:
        assumed.append("lot far larger than the sample")
    else:
        lot = read_mass(written, "lot", faults)
    why = "that of all sizes below the top size"
    g = read_factor(written, "granulometric", GRANULOMETRIC, why, assumed, faults)
    return Lot(math.inf if lot is None else lot, g, tuple(assumed))


def read_stages(written: Written, lot: Lot, faults: list[Fault]) -> tuple[Stage, ...]:
    """Return the stages in the order of work; none, with faults, if one cannot be used."""
    before = len(faults)
    stages: list[Stage] = []
    left = lot.lot_kg  # before the split
    for part in _parts(written, faults):
        g = lot.granulometric
        if part.of:
            g = read_factor(part, "granulometric", g, "that of the other stages", [], faults)
        size, mass = read_size(part, "top", faults), read_mass(part, "mass", faults)
        if mass is not None and mass > left:
            what = "what the stage before kept" if stages else "its lot"
            problem = f"is {mass_text(mass)}, more than {what}, {mass_text(left)}"
            faults.append(
                part.fault("mass", f"The mass of the sample{part.of} {problem}.",
                           "Give the dry mass before the split as the lot, the mass kept as mass.")
            )  # fmt: skip
            mass = None
        if size is not None and stages and size > stages[-1].top_size_um:
            last = size_text(stages[-1].top_size_um)
            faults.append(
                part.fault("top", f"The top size{part.of} is {size_text(size)}, above that of the "
                           f"stage before, {last}.", "Give the stages in the order of work: "
                           "crushing makes pieces smaller.")
            )  # fmt: skip
            size = None
        if size is not None and mass is not None:
            stages.append(Stage(size, left, mass, g))
        left = math.inf if mass is None else mass  # what follows from a refused mass is not judged
    return tuple(stages) if len(faults) == before else ()


def _parts(written: Written, faults: list[Fault]) -> list[Written]:
    """Return the stages as written: those listed, else the entry itself."""
    listed = written.entry.get("stages")
    if listed is None:
        return [written]
    faults.extend(
        written.fault(key, f"Both {key} and stages are given; they say the same twice.",
                      "Take one of them out.")
        for key in ("top", "mass") if written.entry.get(key) is not None
    )  # fmt: skip
    stages = listed if isinstance(listed, list) else []
    if not stages or not all(isinstance(stage, Mapping) for stage in stages):
        faults.append(
            written.fault("stages", "The stages are not a list of top sizes and masses.",
                          'Write stages = [{ top = "10 mm", mass = "20 kg" }, '
                          '{ top = "1 mm", mass = "500 g" }], in the order of work\n'
                          "(in a sheet 20 kg at 10 mm; 500 g at 1 mm).")
        )  # fmt: skip
        return []
    parts = []
    for i, stage in enumerate(stages, start=1):
        place = written.places.get(f"stage {i}", written.at("stages"))
        parts.append(Written(stage, place, of=f" of stage {i}"))
        unknown_keys(parts[-1], STAGE_KEYS, faults)
    return parts
