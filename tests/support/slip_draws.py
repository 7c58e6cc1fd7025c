"""Surveys drawn for the study of slips: noise, one slip or a random set of errors.

A stated error is relative to the number that is written, as a case read from a table has it: a
slip changes it too.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import floor, log10

import numpy as np
from numpy.typing import NDArray
from slip_plants import Reading, SlipPlant

from oretally.flowsheet import Dimension, Measurement, Survey, parse_unit
from oretally.flowsheet.survey import PROPAGATED

__all__ = ["CHANCES", "KINDS", "Case", "Chances", "Wrong", "noisy", "one_slip", "partners",
           "rate_in", "survey_of", "units_meant", "with_random_errors"]  # fmt: skip

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Chances:
    """How often a number is wrong, and how: what the oracle assumes, and what is simulated.

    Attributes
    ----------
    measurement, loss, expected : float
        Rates, and how many errors one survey has at most; see
        `oretally.recon.result.gross_errors.ErrorRates`.
    widths, shares : tuple of float
        Of an error of any size, in stated errors.
    loss_width : float
        Of a loss, as a share of what passes the node.
    decimal, unit, digits, container, wet, swapped : float
        Of each slip, given that a number is wrong and can have it; the rest is of any size.
    powers : mapping of int to float
        How the decimal point's share is parted: places that it stands too far to the left.
    moisture : tuple of float
        Least and greatest of a wet mass given as dry.
    """

    measurement: float = 0.03
    loss: float = 0.005
    expected: float = 2.0
    widths: tuple[float, ...] = (6.0, 60.0, 1000.0)
    shares: tuple[float, ...] = (0.75, 0.15, 0.10)
    loss_width: float = 0.05
    decimal: float = 0.12
    unit: float = 0.08
    digits: float = 0.05
    container: float = 0.05
    wet: float = 0.05
    swapped: float = 0.10
    powers: Mapping[int, float] = field(
        default_factory=lambda: {1: 0.35, 2: 0.1, 3: 0.05, -1: 0.35, -2: 0.1, -3: 0.05}
    )
    moisture: tuple[float, float] = (0.03, 0.25)


CHANCES = Chances()
LEAST = 3.0  # stated errors that a slip must change to be tried
PLAIN, FINE = 3, 4  # digits that are written; the second where the stated error is below 1 %

# units taken for each other: written, and what the number is in; the first that can be is tried
_MEANT = {
    "g/t": ("ozt/st", "ozt/t", "%", "ppb"), "%": ("g/t", "g/g"),
    "kg": ("lb", "g", "t"), "t/h": ("st/h", "lt/h", "t/d", "kg/h"),
}  # fmt: skip

KINDS = ("x10", "/10", "unit", "digits", "neighbours", "container")


@dataclass(frozen=True)
class Wrong:
    """What is wrong in a survey: readings, by number, with what should have been written."""

    kind: str
    right: Mapping[int, float]


@dataclass(frozen=True, eq=False)
class Case:
    """A survey with something wrong, or nothing.

    Attributes
    ----------
    plant : SlipPlant
    written : ndarray
        One number for each reading of the plant, in its unit.
    wrong : tuple of Wrong
    lossy : frozenset of str
        Nodes that lose or gain something.
    """

    plant: SlipPlant
    written: Floats
    wrong: tuple[Wrong, ...] = ()
    lossy: frozenset[str] = frozenset()

    @property
    def survey(self) -> Survey:
        """The survey as it is read."""
        return survey_of(self.plant, self.written)


def survey_of(plant: SlipPlant, written: Sequence[float] | Floats) -> Survey:
    """Return a survey with these numbers; masses of a stack are turned into shares."""
    whole: dict[str, float] = {}
    for r, value in zip(plant.readings, written, strict=True):
        if r.stack:
            whole[r.stream] = whole.get(r.stream, 0.0) + float(value)
    percent, found = parse_unit("%", Dimension.SHARE), list[Measurement]()
    for r, number in zip(plant.readings, written, strict=True):
        value, unit, source, note = float(number), r.unit, "quantity", ""
        if r.stack:
            note = f"from {value:g} g of {whole[r.stream]:g} g"
            value, unit, source = 100.0 * value / whole[r.stream], percent, PROPAGATED
        sd = r.relative * value
        m = Measurement(r.stream, r.quantity, value, unit, sd, source, note)
        found.append(replace(m, written=(float(number), r.unit)) if r.stack else m)
    return replace(plant.plain, measurements=(*found, *plant.fixed))


def rate_in(plant: SlipPlant, chances: Chances = CHANCES) -> float:
    """Return how much the rates are lowered in a survey of this plant."""
    n = len(plant.readings) + len(plant.fixed)
    return min(1.0, chances.expected / (chances.measurement * n))


def as_written(value: float, relative: float) -> float:
    """Return a number with as many digits as people write."""
    return float(f"{value:.{FINE if relative < 0.01 else PLAIN}g}")


def noisy(plant: SlipPlant, rng: np.random.Generator, true: Floats | None = None) -> Floats:
    """Return what is written of true values with the noise of the stated errors."""
    values = np.array([r.true for r in plant.readings]) if true is None else true
    relative = np.array([r.relative for r in plant.readings])
    read = values * (1.0 + relative * rng.standard_normal(values.size))
    return np.array([as_written(v, e) for v, e in zip(read, relative, strict=True)])


def one_slip(
    plant: SlipPlant, written: Floats, i: int, kind: str, rng: np.random.Generator
) -> Case | None:
    """Return a survey with one slip, or None if that cannot be, or would hardly show.

    Parameters
    ----------
    plant : SlipPlant
    written : ndarray
        All numbers without the slip.
    i : int
        The reading.
    kind : str
        One of `KINDS`.
    rng : numpy Generator
        Chooses the pair of digits and the container.
    """
    r, value = plant.readings[i], float(written[i])
    if kind == "neighbours":
        return _exchanged(plant, written, i)
    ways: dict[str, Callable[[], list[float]]] = {
        "x10": lambda: [_clean(10.0 * value)],
        "/10": lambda: [_clean(0.1 * value)],
        "unit": lambda: [_in_other_unit(r, value, u) for u in units_meant(r)],
        "digits": lambda: rng.permutation(digits_exchanged(value)).tolist(),
        "container": lambda: rng.permutation(_with_containers(plant, r, value)).tolist(),
    }
    possible = [v for v in ways[kind]() if _shows(r, value, v) and 0.0 < v <= r.largest]
    if not possible:
        return None
    slipped = written.copy()
    slipped[i] = possible[0]
    return Case(plant, slipped, (Wrong(kind, {i: value}),))


def _exchanged(plant: SlipPlant, written: Floats, i: int) -> Case | None:
    """Return a survey with a reading and that of the next stream exchanged."""
    r = plant.readings[i]
    later = [j for j in range(i + 1, len(written)) if plant.readings[j].quantity == r.quantity]
    if not later:
        return None
    j = later[0]
    return _both_exchanged(plant, written, i, j, LEAST)


def _both_exchanged(plant: SlipPlant, written: Floats, i: int, j: int, least: float) -> Case | None:
    r, s = plant.readings[i], plant.readings[j]
    here = r.unit.from_base(s.unit.to_base(float(written[j])))
    there = s.unit.from_base(r.unit.to_base(float(written[i])))
    fits = here <= r.largest and there <= s.largest
    shows = _shows(r, float(written[i]), here, least) and _shows(s, float(written[j]), there, least)
    if not (fits and shows and here != written[i]):
        return None
    slipped = written.copy()
    slipped[i], slipped[j] = here, there
    right = {i: float(written[i]), j: float(written[j])}
    return Case(plant, slipped, (Wrong("neighbours", right),))


def _shows(r: Reading, value: float, slipped: float, least: float = LEAST) -> bool:
    return abs(slipped - value) >= least * r.relative * value


def _clean(value: float) -> float:
    return float(f"{value:.10g}")


def units_meant(r: Reading) -> tuple[str, ...]:
    """Return units that a number may be in, in place of the one that is written."""
    other = r.stack or r.unit.dimension is Dimension.SHARE
    return () if other else _MEANT.get(r.unit.symbol, ())


def _in_other_unit(r: Reading, value: float, meant: str) -> float:
    other = parse_unit(meant, r.unit.dimension)
    return as_written(other.from_base(r.unit.to_base(value)), r.relative)


def digits_exchanged(value: float) -> list[float]:
    """Return a number with each pair of neighbouring digits changed round, the point in its place.

    Examples
    --------
    >>> digits_exchanged(13.5)
    [31.5, 15.3]
    """
    text = f"{value:.10f}".rstrip("0").rstrip(".")
    if len(text.replace(".", "").lstrip("0")) < PLAIN:  # 1.3 is written 1.30
        text = f"{value:.{PLAIN - 1 - floor(log10(value))}f}"
    first = next(i for i, c in enumerate(text) if c in "123456789")
    places = [i for i in range(first, len(text)) if text[i] != "."]
    found: list[float] = []
    for a, b in zip(places[:-1], places[1:], strict=True):
        letters = list(text)
        letters[a], letters[b] = letters[b], letters[a]
        new = float("".join(letters))
        if new not in (value, *found):
            found.append(new)
    return found


def _with_containers(plant: SlipPlant, r: Reading, value: float) -> list[float]:
    if r.unit.dimension is not Dimension.MASS or r.stack:
        return []
    return [_clean(value + r.unit.from_base(m)) for m in plant.plain.containers.values()]


def partners(plant: SlipPlant, i: int) -> list[int]:
    """Return readings that may have changed places with one.

    In the same unit: the same quantity elsewhere, or another one in the same stream.
    """
    r = plant.readings[i]
    return [
        j for j, s in enumerate(plant.readings)
        if j != i and s.unit == r.unit and s.stack == r.stack
        and (s.quantity == r.quantity or s.stream == r.stream)
    ]  # fmt: skip


def with_random_errors(
    plant: SlipPlant, rng: np.random.Generator, chances: Chances = CHANCES
) -> Case:
    """Return a survey with errors drawn from the stated rates; perhaps none.

    A number that the reader of a case would refuse is drawn again. Losses are drawn where the
    amounts of the plant are given.
    """
    lower = rate_in(plant, chances)
    case = _with_losses(plant, rng, lower * chances.loss, chances)
    written, wrong, taken = case.written, list[Wrong](), set[int]()
    for i in np.flatnonzero(rng.random(written.size) < lower * chances.measurement).tolist():
        drawn = None
        while drawn is None and i not in taken:
            drawn = _random_error(plant, written, i, rng, chances)
            if drawn is not None and taken & set(drawn.wrong[0].right):
                drawn = None
        if drawn is not None:
            written = drawn.written
            wrong += drawn.wrong
            taken |= set(drawn.wrong[0].right)
    return Case(plant, written, tuple(wrong), case.lossy)


def _random_error(
    plant: SlipPlant, written: Floats, i: int, rng: np.random.Generator, chances: Chances
) -> Case | None:
    """Return one error of any kind in a reading; None if it is one that cannot be."""
    r, value = plant.readings[i], float(written[i])
    mass = r.unit.dimension is Dimension.MASS and not r.stack
    flow = r.quantity == plant.plain.basis.quantity
    kinds = {
        "decimal": chances.decimal,
        "unit": chances.unit if units_meant(r) else 0.0,
        "digits": chances.digits,
        "container": chances.container if mass and plant.plain.containers else 0.0,
        "wet": chances.wet if flow else 0.0,
        "swapped": chances.swapped if partners(plant, i) else 0.0,
    }
    kind = str(rng.choice([*kinds, "any"], p=[*kinds.values(), 1.0 - sum(kinds.values())]))
    if kind == "swapped":
        return _both_exchanged(plant, written, i, int(rng.choice(partners(plant, i))), 0.0)
    if kind == "any":
        width = rng.choice(chances.widths, p=np.array(chances.shares) / sum(chances.shares))
        # density b^2 exp(-b^2 / 2 w^2): w times a chi variate with three degrees of freedom
        size = width * rng.chisquare(3.0) ** 0.5 * rng.choice([-1.0, 1.0])
        new = as_written(value * (1.0 + r.relative * size), r.relative)
    elif kind == "decimal":
        powers = list(chances.powers)
        shares = np.array(list(chances.powers.values()))
        new = _clean(value / 10.0 ** float(rng.choice(powers, p=shares / shares.sum())))
    elif kind == "unit":
        new = _in_other_unit(r, value, str(rng.choice(units_meant(r))))
    elif kind == "wet":
        new = as_written(value / (1.0 - rng.uniform(*chances.moisture)), r.relative)
    else:
        exchanged = kind == "digits"
        found = digits_exchanged(value) if exchanged else _with_containers(plant, r, value)
        new = float(rng.choice(found)) if found else value
    if new == value or not 0.0 < new <= r.largest:
        return None
    slipped = written.copy()
    slipped[i] = new
    return Case(plant, slipped, (Wrong(kind, {i: value}),))


def _with_losses(plant: SlipPlant, rng: np.random.Generator, rate: float, chances: Chances) -> Case:
    """Return a survey without slips of a plant that may lose something at its nodes."""
    names = [node.name for node in plant.circuit.nodes]
    if not len(plant.amounts):
        return Case(plant, noisy(plant, rng))
    A, amounts = plant.circuit.incidence(), plant.amounts
    lost = np.zeros((len(names), amounts.shape[1]))
    lossy = rng.random(len(names)) < rate
    for node in np.flatnonzero(lossy).tolist():
        share = chances.loss_width * rng.chisquare(3.0) ** 0.5 * rng.choice([-1.0, 1.0])
        lost[node] = share * (np.maximum(A[node], 0.0) @ amounts)
    # the nearest amounts, as shares of what they were, that balance with the losses
    new = np.empty_like(amounts)
    for k in range(amounts.shape[1]):
        size = amounts[:, k]
        new[:, k] = size + size * (np.linalg.pinv(A * size) @ (lost[:, k] - A @ size))
    if not (new > 0.0).all():
        return Case(plant, noisy(plant, rng))
    number = {s: j for j, s in enumerate(plant.circuit.stream_names)}
    analytes = {a.name: k for k, a in enumerate(plant.plain.analytes)}
    true = []
    for r in plant.readings:
        row = new[number[r.stream]]
        of = analytes.get(r.quantity)
        true.append(r.unit.from_base(float(row[0] if of is None else row[of + 1] / row[0])))
    found = frozenset(n for n, is_lossy in zip(names, lossy, strict=True) if is_lossy)
    return Case(plant, noisy(plant, rng, np.array(true)), (), found)
