"""How often numbers are badly wrong, before looking at them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

from oretally.flowsheet.read_only import freeze

__all__ = ["ErrorRates"]


@dataclass(frozen=True, slots=True)
class ErrorRates:
    """How often a number is badly wrong, before looking at it, and by how much.

    Attributes
    ----------
    measurement, loss : float
        Share of measurements with a gross error; of nodes that lose or gain material unseen.
    by_quantity : mapping of str to float
        Rates of single quantities, in place of ``measurement``; taken as they are.
    by_source : mapping of str to float
        Rates of all numbers that a source of error has a part in (a laboratory, a balance), in
        place of those of their quantities; taken as they are.
    expected : float
        Gross errors expected in one survey at most: in a large one ``measurement`` and ``loss``
        are lowered to that.
    widths, shares : tuple of float
        w of the sizes' density, in stated errors: the likeliest size is 1.4 w; and how the rate is
        shared among them. The default means scales and assays off by 8 stated errors or so, some
        by ten times that, and some by a slip of unit, which may be a thousand.
    loss_width : float
        The same for a loss, as a share of what passes the node.
    """

    measurement: float = 0.03
    loss: float = 0.005
    by_quantity: Mapping[str, float] = field(default_factory=dict)
    by_source: Mapping[str, float] = field(default_factory=dict)
    expected: float = 2.0
    widths: tuple[float, ...] = (6.0, 60.0, 1000.0)
    shares: tuple[float, ...] = (0.75, 0.15, 0.10)
    loss_width: float = 0.05

    def __post_init__(self) -> None:
        freeze(self, "by_quantity", "by_source")
        every = (self.measurement, self.loss, *self.by_quantity.values(),
                 *self.by_source.values())  # fmt: skip
        if not all(0.0 <= rate < 1.0 for rate in every):
            raise ValueError("rates of gross errors are at least 0 and below 1")
        if len(self.widths) != len(self.shares) or min(*self.widths, self.loss_width) <= 0.0:
            raise ValueError("widths are above 0, one for each share")

    def of(self, quantity: str, sources: Sequence[str]) -> float:
        """Return the rate of a number: that of its source, else of its quantity, else of any.

        Parameters
        ----------
        quantity : str
        sources : sequence of str
            What has a part in its error; if several of them have a rate, the largest holds.

        Examples
        --------
        >>> rates = ErrorRates(0.02, by_quantity={"Sn": 0.05}, by_source={"lab": 0.1, "xrf": 0.01})
        >>> [rates.of("Sn", s) for s in (["lab", "xrf"], ["xrf"], ["splitting"])]
        [0.1, 0.01, 0.05]
        >>> rates.of("dry mass", [])
        0.02
        """
        own = [self.by_source[source] for source in sources if source in self.by_source]
        return max(own) if own else self.by_quantity.get(quantity, self.measurement)

    def in_survey(self, n_measurements: int) -> ErrorRates:
        """Return the rates for a survey of so many measurements."""
        share = min(1.0, self.expected / max(self.measurement * n_measurements, 1e-300))
        return replace(self, measurement=self.measurement * share, loss=self.loss * share)
