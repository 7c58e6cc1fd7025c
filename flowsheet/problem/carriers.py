"""The carriers of a circuit: what of each stream has a flow and grades of its own.

The dry solids of every stream come first, in the circuit's order. Behind them, only where
something was measured that needs them: the size classes of the solids, runs of classes with an
assay of their own, the water, and solids and water together.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from oretally.flowsheet.circuit import Circuit, Content
from oretally.flowsheet.read_only import freeze
from oretally.flowsheet.survey import Kind, Meaning, Run, Survey

__all__ = ["Carriers", "carriers_of", "linked_by_size"]


@dataclass(frozen=True)
class Carriers:
    """Where each carrier and each analyte stands in the arrays.

    Attributes
    ----------
    streams : tuple of str
    solids : tuple of bool
        Whether each stream carries solids, which have grades.
    gone : frozenset of int
        Streams of solids that dissolved: they have a flow and nothing else.
    classes : mapping of int to int
        Stream to the first of its size classes, for streams whose sizes are balanced.
    class_runs : mapping of int to tuple of Run
        Stream to its size classes, from coarse to fine, as runs of the grid of the survey: those
        that no sieve parts in any stream linked with it by nodes that keep sizes.
    runs : mapping of (int, Run) to int
        Stream and run of several classes with an assay of its own.
    water, wet : mapping of int to int
        Stream to its water, and to its solids and water together.
    n_carriers : int
    n_analytes : int
        Those of the survey; shares are counted behind them.
    shares : mapping of Run to int
        Number of the 'analyte' that is the share of a run of classes.
    solids_share : int or None
        Number of the 'analyte' that is the share of solids in the pulp.
    by_class : frozenset of (int, int)
        Analyte and stream for which grades of classes are balanced.
    dissolved : frozenset of int
        Analytes that the solution carries as well.
    """

    streams: tuple[str, ...]
    solids: tuple[bool, ...]
    gone: frozenset[int]
    classes: Mapping[int, int]
    class_runs: Mapping[int, tuple[Run, ...]]
    runs: Mapping[tuple[int, Run], int]
    water: Mapping[int, int]
    wet: Mapping[int, int]
    n_carriers: int
    n_analytes: int
    shares: Mapping[Run, int]
    solids_share: int | None
    by_class: frozenset[tuple[int, int]]
    dissolved: frozenset[int]

    def __post_init__(self) -> None:
        freeze(self, "classes", "class_runs", "runs", "water", "wet", "shares")

    def whole(self, k: int, stream: int) -> int:
        """Return the carrier whose flow and grade make all that a stream has of analyte k."""
        if k in self.dissolved and stream in self.water:
            return self.wet.get(stream, self.water[stream])
        return stream

    def wholes(self, k: int | None, streams: Sequence[int]) -> list[int]:
        """Return the carriers of the solids, or of all of analyte k, in several streams.

        Of those that can have any; of all if none can.
        """
        can = [j for j in streams if (self.solids[j] if k is None else self.holds(k, j))]
        return [j if k is None else self.whole(k, j) for j in can or streams]

    def holds(self, k: int, stream: int) -> bool:
        """Return whether analyte k can be in a stream: not in water, if it is not dissolved."""
        return self.solids[stream] or (k in self.dissolved and stream not in self.gone)

    def own_classes(self, stream: int, run: Run | None = None) -> range:
        """Return the carriers of the classes of a stream: all, or those that make up a run.

        Empty if the run begins or ends within a class.
        """
        first, own = self.classes[stream], self.class_runs[stream]
        if run is None:
            return range(first, first + len(own))
        low = next((i for i, (a, _) in enumerate(own) if a == run[0]), None)
        high = next((i for i, (_, b) in enumerate(own) if b == run[1]), None)
        return range(0) if low is None or high is None else range(first + low, first + high + 1)

    def place(self, stream: int, meaning: Meaning) -> tuple[int | None, int] | None:
        """Return analyte number (None for a flow) and carrier; None if the stream has no such."""
        k, run = meaning.analyte, meaning.run
        if meaning.kind is Kind.DRY:
            return (None, stream) if self.solids[stream] or stream in self.gone else None
        if meaning.kind is Kind.GRADE:
            return (k, stream) if self.solids[stream] else None
        if meaning.kind in (Kind.WATER, Kind.SOLUTION):
            found = self.water.get(stream)
            return None if found is None else (k, found)
        if meaning.kind is Kind.WET:
            return None if stream not in self.wet else (None, self.wet[stream])
        if meaning.kind is Kind.SOLIDS:
            return None if stream not in self.wet else (self.solids_share, self.wet[stream])
        if stream not in self.classes or run is None:
            return None
        own = self.own_classes(stream, run)
        if meaning.kind is Kind.SHARE:
            return (self.shares[run], stream) if own else None
        if k is None or (k, stream) not in self.by_class or not own:
            return None
        if len(own) == 1:
            return k, own[0]
        return None if (stream, run) not in self.runs else (k, self.runs[stream, run])


def carriers_of(circuit: Circuit, survey: Survey, known: Mapping[str, Meaning]) -> Carriers:
    """Return the carriers that a survey of a circuit needs; ``known`` are its meanings.

    Sizes are balanced in streams that nodes which keep sizes connect to one that was sieved, and in
    those that are like one of these. All of them have the same classes: the finest that their
    sieves make. Where a mill lies between two streams, nothing says how much of one is finer than
    a sieve that only the other was put on.
    """
    names = circuit.stream_names
    number = {name: j for j, name in enumerate(names)}
    solids = tuple(s.content.has_solids for s in circuit.streams)
    linked = [frozenset(number[s] for s in group) for group in linked_by_size(circuit)]
    sized, by_class, own_assay = set[int](), set[tuple[int, int]](), set[tuple[int, Run]]()
    sieved: dict[frozenset[int], set[Run]] = {}
    for m in survey.measurements:
        meaning, j = known.get(m.quantity), number.get(m.stream)
        if meaning is None or j is None or meaning.run is None:
            continue
        sized |= linked[j]
        sieved.setdefault(linked[j], set()).add(meaning.run)
        if meaning.kind is Kind.CLASS_GRADE and meaning.analyte is not None:
            by_class |= {(meaning.analyte, i) for i in linked[j]}
            if meaning.run[0] < meaning.run[1]:
                own_assay.add((j, meaning.run))
    made = {group: survey.sizes.parted(runs) for group, runs in sieved.items()}
    class_runs = {j: made[linked[j]] for j in sorted(sized)}
    classes, last = {}, len(names)
    for j, parts in class_runs.items():
        classes[j], last = last, last + len(parts)
    runs = {}
    for j, run in sorted(own_assay):
        if run not in class_runs[j]:
            runs[j, run], last = last, last + 1
    water, wet = {}, {}
    if survey.water:
        for j, s in enumerate(circuit.streams):
            if s.content.has_water:
                water[j], last = last, last + 1
        for j in water:
            if solids[j]:
                wet[j], last = last, last + 1
    n = len(survey.analytes)
    wanted = survey.sizes.all_runs if sized else ()
    shares = {run: n + i for i, run in enumerate(wanted)}
    return Carriers(
        streams=names, solids=solids,
        gone=frozenset(
            j for j, s in enumerate(circuit.streams) if s.content is Content.DISSOLVED
        ),
        classes=classes, class_runs=class_runs, runs=runs, water=water, wet=wet,
        n_carriers=last, n_analytes=n, shares=shares,
        solids_share=n + len(shares) if wet else None, by_class=frozenset(by_class),
        dissolved=frozenset(
            k for k, a in enumerate(survey.analytes) if a.name in survey.dissolved
        ),
    )  # fmt: skip


def linked_by_size(circuit: Circuit) -> list[frozenset[str]]:
    """Return for each stream those that nodes which keep sizes, or likeness, connect with it."""
    solids = {s.name for s in circuit.streams if s.content.has_solids}
    label = {name: j for j, name in enumerate(circuit.stream_names)}
    groups = [(*circuit.inlets(node.name), *circuit.outlets(node.name))
              for node in circuit.nodes if node.kind.keeps_sizes]  # fmt: skip
    groups += [(s.name, s.like) for s in circuit.streams if s.like is not None]
    for group in groups:
        old = {label[s] for s in group if s in solids}
        label = {s: min(old) if x in old else x for s, x in label.items()}
    joined: dict[int, set[str]] = {}
    for s, x in label.items():
        joined.setdefault(x, set()).add(s)
    return [frozenset(joined[x]) for x in label.values()]
