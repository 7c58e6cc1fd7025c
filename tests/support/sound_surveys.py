"""Random sound surveys: all but the noise fits a plant, and what mills leave out is left out.

Fresh feed and mill discharge are seldom sieved, a rate is measured in a place or two, assays are
missing here and there. The noise is drawn from the stated errors; in a third one reading is a slip.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from sound_circuits import drawn
from sound_plants import Amounts, Draft
from sound_readings import SHARE, Reading, slipped, survey_of

from oretally.flowsheet import (
    Analyte,
    Basis,
    Circuit,
    ErrorRule,
    ErrorSource,
    Measurement,
    Survey,
    parse_unit,
)
from oretally.flowsheet.circuit import Content
from oretally.flowsheet.problem import linked_by_size
from oretally.flowsheet.survey import (
    DECLARED_LOSS,
    PROPAGATED,
    SizeGrid,
    SlurryValue,
    class_grade,
    class_share,
    in_solution,
    propagated,
    pulp_density,
    solids_share,
    solution_unit,
)

__all__ = ["Made", "smallest_mill", "sound_survey"]

RATE, TONNES = parse_unit("t/h"), parse_unit("t")
PERCENT, GRAMS_PER_TONNE = parse_unit("%"), parse_unit("g/t")


@dataclass(frozen=True, eq=False)
class Made:
    """A survey and where it comes from.

    Attributes
    ----------
    seed : int
    circuit : Circuit
    survey : Survey
    amounts : mapping of str to Amounts
        The true ones, on the size classes of the survey; empty if nobody knows them.
    features : frozenset of str
    slip : str
        What was read wrong; empty if nothing was.
    """

    seed: int
    circuit: Circuit
    survey: Survey
    amounts: Mapping[str, Amounts]
    features: frozenset[str]
    slip: str = ""


def smallest_mill() -> Made:
    """A mill in closed circuit with a cyclone; sieved around the cyclone only, two rates.

    Its least sum of squares is 6.824256, found by two independent solvers.
    """
    circuit = Circuit.build(
        {"fresh feed": (None, "sump"), "cyclone feed": ("sump", "cyclone"),
         "overflow": ("cyclone", None), "underflow": ("cyclone", "mill"),
         "discharge": ("mill", "sump")},
        {"sump": "mixer", "mill": "mill"},
    )  # fmt: skip
    grid = SizeGrid((300.0, 212.0, 150.0, 106.0, 75.0))
    masses = {
        "cyclone feed": (84.5, 82.3, 78.4, 64.5, 52.3, 131.7),
        "overflow": (6.0, 22.8, 51.8, 77.1, 82.1, 258.0),
        "underflow": (119.4, 101.6, 86.6, 63.6, 43.6, 91.2),
    }
    readings = [Reading(stream, "dry rate", rate, RATE, 0.03)
                for stream, rate in (("fresh feed", 24.3), ("overflow", 23.1))]  # fmt: skip
    for stream, grams in masses.items():
        readings += [
            Reading(stream, class_share(grid.label(run)), g, SHARE, 0.02, 0.5, stack=True)
            for run, g in zip(grid.all_runs, grams, strict=True)
        ]
    survey = survey_of(readings, Survey(Basis.RATE, RATE, (), (), sizes=grid))
    return Made(-1, circuit, survey, {}, frozenset({"1 mill"}))


def sound_survey(seed: int) -> Made:
    """Return a random survey, all by the seed."""
    rng = np.random.default_rng(seed)
    while True:
        draft, features = drawn(rng)
        amounts = draft.amounts()
        solids = [a.mass.sum() for a in amounts.values() if a.mass.sum() > 0.0]
        feed = amounts["fresh feed"].mass.sum()
        if max(solids) < 12.0 * feed:  # no mill lives with more of a circulating load
            return _Samplers(rng, seed, draft, amounts, features).made()


class _Samplers:
    """They take and read what a mill takes and reads."""

    def __init__(self, rng: np.random.Generator, seed: int, draft: Draft,
                 amounts: Mapping[str, Amounts], features: set[str]) -> None:  # fmt: skip
        self.rng, self.seed, self.draft, self.features = rng, seed, draft, features
        self.circuit, self.amounts = draft.circuit, amounts
        self.stacks: dict[str, tuple[float, ...]] = {}
        if draft.openings:
            self._choose_stacks()
        used = sorted({o for stack in self.stacks.values() for o in stack}, reverse=True)
        groups = np.searchsorted(-np.array(used), -np.array([*draft.openings, -1.0]))
        self.amounts = {s: _merged(a, groups, len(used) + 1) for s, a in amounts.items()}
        batch = "stock" in features or ("bulk" in features and rng.random() < 0.3)
        self.basis, self.flow_unit = (Basis.BATCH, TONNES) if batch else (Basis.RATE, RATE)
        names = (("Au",) if draft.dissolved.any() else ()) + ("Pb", "Zn", "Cu", "Fe")
        self.analytes = tuple(
            Analyte(name, GRAMS_PER_TONNE if name == "Au" else PERCENT, float(1.0 / m))
            for name, m in zip(names, draft.mineral, strict=False)
        )
        runs = {(a, b) for stack in self.stacks.values() for a, b in _runs(stack, used)}
        self.grid = SizeGrid(tuple(used), tuple(sorted(r for r in runs if r[0] < r[1])))
        self.readings: list[Reading] = []
        drawn_ones = [s for s in self.circuit.streams if not s.declared]
        self.solid = [s.name for s in drawn_ones if s.content.has_solids]
        self.wet = [s for s in drawn_ones if draft.water and s.content.has_water]

    def made(self) -> Made:
        """Return the survey."""
        self._flows()
        for stream, stack in self.stacks.items():
            self._sieve(stream, stack)
        self._assays()
        self._pulps()
        sources = self._shared() if self.rng.random() < 0.25 else []
        slip, wanted = "", self.rng.random() < 1.0 / 3.0
        while wanted and not slip:
            slip = slipped(self.rng, self.readings)
        draft = self.draft
        gone = [a.name for a, d in zip(self.analytes, draft.dissolved, strict=True) if d]
        plain = Survey(
            self.basis, self.flow_unit, self.analytes, (), sizes=self.grid, water=draft.water,
            dissolved=frozenset(gone),
        )  # fmt: skip
        survey = survey_of(self.readings, plain, self._losses(), sources)
        told = self.features | ({"slip"} if slip else set())
        told |= {"shared error"} if survey.shared else set()
        return Made(self.seed, self.circuit, survey, self.amounts, frozenset(told), slip)

    def _read(self, stream: str, quantity: str, true: float, like: Reading) -> None:
        """Read a true value with the rule of error of a reading, drawn from it."""
        sd = replace(like, value=true).sd
        value = max(true + sd * self.rng.standard_normal(), 0.0)
        self.readings.append(replace(like, stream=stream, quantity=quantity, value=value))

    def _flows(self) -> None:
        """Feeds and products more often than what is inside; at least one."""
        rng, circuit = self.rng, self.circuit
        ends = [s for s in self.solid if s in circuit.feeds + circuit.products]
        chance = rng.uniform(0.2, 1.0)
        often = {s: chance if s in ends else 0.3 * chance for s in self.solid}
        often |= {s.name: 0.95 for s in circuit.streams if s.stock}
        chosen = [s for s, p in often.items() if rng.random() < p]
        wet = {s.name for s in self.wet}
        for s in chosen or [str(rng.choice(ends))]:
            a, scale = self.amounts[s], float(rng.choice([0.01, 0.03]))
            quantity, flow = self.basis.quantity, a.mass.sum()
            if s in wet and rng.random() < 0.25:
                quantity, flow = quantity.replace("dry", "wet"), flow + a.water
                self.features.add("wet flow")
            self._read(s, quantity, flow / 1e3, Reading(s, quantity, 0.0, self.flow_unit, scale))

    def _choose_stacks(self) -> None:
        """Choose who is sieved and on what: mostly what a cyclone or screen parts, and its feed.

        Of two stacks on one side of a mill one has all sieves of the other.
        """
        rng, d = self.rng, self.draft
        styles = ["classifiers", "products", "most"]
        style = str(rng.choice(styles, p=[0.62, 0.25, 0.13]))
        self.features.add(f"sieved: {style}")
        solid = [s for s in d.streams.values() if s.content.has_solids and not s.declared]
        chance: dict[str, float] = {s.name: 0.7 if style == "most" else 0.08 for s in solid}
        for node, work in d.work.items():
            if work in ("cyclone", "screen") and rng.random() < 0.9:
                for s in solid:
                    if s.source == node or (s.target == node and style != "products"):
                        chance[s.name] = 0.93
        chosen = [s for s, p in chance.items() if rng.random() < p]
        if len(chosen) < 2:
            chosen = sorted(chance, key=lambda s: -chance[s])[:2]
        groups = dict(zip(self.circuit.stream_names, linked_by_size(self.circuit), strict=True))
        made: dict[frozenset[str], list[tuple[float, ...]]] = {}
        coarser = rng.random() < 0.3
        for name in chosen:
            if groups[name] not in made:
                base = d.openings if not made or rng.random() < 0.6 else _some(rng, d.openings)
                made[groups[name]] = [base, _some(rng, base)]
            which = int(coarser and rng.random() < 0.3)
            self.stacks[name] = made[groups[name]][which]
            if len(self.stacks[name]) < len(made[groups[name]][0]):
                self.features.add("coarser stack")
        fresh = {s for s in self.stacks if "fresh feed" in s or "discharge" in s}
        self.features.add("feed or discharge sieved" if fresh else "feed, discharge unsieved")

    def _sieve(self, stream: str, stack: Sequence[float]) -> None:
        rng, a = self.rng, self.amounts[stream]
        sample, assayed = rng.uniform(200.0, 600.0), rng.random() < 0.2
        for first, last in _runs(stack, self.grid.openings):
            own, label = slice(first, last + 1), self.grid.label((first, last))
            like = Reading(stream, "", 0.0, SHARE, 0.02, 0.5, stack=True)
            mass, share = a.mass[own].sum(), a.mass[own].sum() / a.mass.sum()
            self._read(stream, class_share(label), sample * share, like)
            if self.readings[-1].value == 0.0:
                continue
            for k, analyte in enumerate(self.analytes):
                if assayed and rng.random() < 0.9:
                    self.features.add("class assays")
                    self._assay(stream, class_grade(analyte.name, label), k,
                                a.metal[k, own].sum() / mass, 0.04)  # fmt: skip

    def _assay(self, stream: str, quantity: str, k: int, grade: float, relative: float) -> None:
        unit = self.analytes[k].unit
        least = unit.from_base(self.draft.head[k]) * 0.01
        like = Reading(stream, quantity, 0.0, unit, relative, least)
        self._read(stream, quantity, unit.from_base(grade), like)

    def _assays(self) -> None:
        chance = self.rng.uniform(0.4, 1.0)
        for k, analyte in enumerate(self.analytes):
            for s in self.solid:
                if self.rng.random() < chance:
                    a = self.amounts[s]
                    self._assay(s, analyte.name, k, a.metal[k].sum() / a.mass.sum(), 0.03)
            for w in self.wet:
                if self.draft.dissolved[k] and self.rng.random() < chance:
                    a = self.amounts[w.name]
                    quantity, unit = in_solution(analyte.name), solution_unit("mg/L")
                    value = unit.from_base(a.solute[k] / a.water)
                    like = Reading(w.name, quantity, 0.0, unit, 0.03, 0.01)
                    self._read(w.name, quantity, value, like)

    def _pulps(self) -> None:
        rng, chance = self.rng, self.rng.uniform(0.3, 0.9)
        gauges = rng.random() < 0.4  # else samples are dried
        for s in self.wet:
            a = self.amounts[s.name]
            if s.content is Content.SOLUTION:
                if rng.random() < 0.5:
                    like = Reading(s.name, "", 0.0, self.flow_unit, 0.05)
                    self._read(s.name, "water", a.water / 1e3, like)
            elif rng.random() < chance:
                share = a.mass.sum() / (a.mass.sum() + a.water)
                like = Reading(s.name, "", 0.0, SHARE, 0.01, 0.5)
                if gauges:
                    self.features.add("density")
                    density = pulp_density(share, 2700.0) * (1.0 + 0.01 * rng.standard_normal())
                    density = min(max(density, 1020.0), 2600.0)
                    read = propagated(solids_share, (SlurryValue(density, 0.01 * density),
                                                     SlurryValue(2700.0, 30.0)))  # fmt: skip
                    self.readings.append(
                        replace(like, quantity="% solids", value=100.0 * read.value, relative=0.0,
                                absolute=100.0 * read.sd, source=PROPAGATED)
                    )  # fmt: skip
                else:
                    self._read(s.name, "% solids", 100.0 * share, like)

    def _losses(self) -> list[Measurement]:
        """What is declared of losses and of what dissolves: 0 with a size."""
        found, rng = list[Measurement](), self.rng
        for s in self.circuit.streams:
            if s.declared or (s.content is Content.DISSOLVED and rng.random() < 0.5):
                sd = max(self.amounts[s.name].mass.sum(), 1.0) / 1e3 * rng.uniform(0.7, 2.0)
                found.append(
                    Measurement(s.name, self.basis.quantity, 0.0, self.flow_unit, float(sd),
                                DECLARED_LOSS)
                )  # fmt: skip
        return found

    def _shared(self) -> list[ErrorSource]:
        """Let one error move all readings of a quantity: a scale, a batch in the laboratory."""
        rng, found = self.rng, list[ErrorSource]()
        quantities = [self.basis.quantity, "% solids", *(a.name for a in self.analytes)]
        for quantity in quantities:
            own = [r for r in self.readings if r.quantity == quantity and r.source == "row"]
            if len(own) > 1 and rng.random() < 0.5:
                percent, u = rng.uniform(0.5, 2.5), rng.standard_normal()
                for r in own:
                    r.value *= 1.0 + 0.01 * percent * u
                rule = ErrorRule(relative=float(percent))
                found.append(ErrorSource(f"batch of {quantity}", quantity, rule, shared=True))
        return found


def _some(rng: np.random.Generator, openings: Sequence[float]) -> tuple[float, ...]:
    """Return some of the sieves, one at least."""
    n = int(rng.integers(1, len(openings) + 1))
    return tuple(sorted(rng.choice(openings, n, replace=False).tolist(), reverse=True))


def _runs(stack: Sequence[float], grid: Sequence[float]) -> list[tuple[int, int]]:
    """Return the classes of a stack as runs of a grid, the coarsest first."""
    last = [list(grid).index(o) for o in stack] + [len(grid)]
    return list(zip([0, *(i + 1 for i in last[:-1])], last, strict=True))


def _merged(a: Amounts, groups: Collection[int], n: int) -> Amounts:
    """Return amounts with some classes added up."""
    to = np.zeros((n, a.mass.size))
    to[list(groups), np.arange(a.mass.size)] = 1.0
    return Amounts(to @ a.mass, a.metal @ to.T, a.water, a.solute)
