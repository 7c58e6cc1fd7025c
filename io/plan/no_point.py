"""Why there is no balanced point to plan from, in words."""

from __future__ import annotations

from collections.abc import Sequence

from oretally.flowsheet import Fault, InputError, NotBalanceable
from oretally.recon.plan import MOST_VALUES, NoPlanPoint

__all__ = ["named_values", "no_point"]

_SHOWN = 5  # names in a message


def no_point(error: NoPlanPoint) -> InputError | NotBalanceable:
    """Return the error that the user sees, with what to do about it."""
    if error.status:
        return NotBalanceable(
            f"There is no balance of these values to plan from: {error.status}.",
            "Of what is measured 'oretally balance' says what is in the way and what would help;\n"
            "correct or add what you expect in expected.csv.",
        )
    faults = []
    if error.n_values:
        faults.append(
            Fault(f"The circuit has {error.n_values} values; a plan takes no more than "
                  f"{MOST_VALUES}.", "Plan for a part of it, or for fewer analytes.")
        )  # fmt: skip
    if error.unknown:
        faults.append(
            Fault(f"Nothing tells {named_values(error.unknown)}, and a plan needs a value to start "
                  "from.",
                  f"Write what you expect{_of(error.would_tell)} into expected.csv: columns as in "
                  "measurements.csv.")
        )  # fmt: skip
    if error.stopped:
        faults.append(
            Fault(f"In the balance {named_values(error.stopped)} is 0: a stream that stands still "
                  "has no grades, and what moves it again cannot be foreseen.",
                  "Give values of the test as it will run, in expected.csv or in the "
                  "measurements.")
        )  # fmt: skip
    if error.held:
        faults.append(
            Fault(f"The balance holds {named_values(error.held)} at a bound (0, or the richest "
                  "possible): there the errors of answers do not follow those of measurements in "
                  "proportion.",
                  "Mend the measurement that drives it there, or give expected values.")
        )  # fmt: skip
    return InputError(faults)


def _of(names: Sequence[tuple[str, str]]) -> str:
    """Return of what values alone, from which the balances have the others."""
    return f" of {named_values(names)} (the balances give the others)" if names else ""


def named_values(names: Sequence[tuple[str, str]]) -> str:
    """Return values by name, the first few."""
    more = len(names) - _SHOWN
    told = ", ".join(f"{quantity} of '{stream}'" for stream, quantity in names[:_SHOWN])
    return told + (f" and {more} more" if more > 0 else "")
