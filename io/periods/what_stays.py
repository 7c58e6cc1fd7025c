"""Errors that stay from survey to survey, said of a period before any single number is accused."""

from __future__ import annotations

from collections.abc import Iterator

from oretally.io.campaign_views import bias_sentence
from oretally.recon.periods import Period

__all__ = ["stays_sentences"]

_COMMAND = "oretally campaign FILE bias"


def stays_sentences(found: Period) -> Iterator[str]:
    """Yield what stays in the surveys of the period, if their numbers do not agree."""
    if found.persistent is None:
        if found.suspects:
            yield f"First see whether an error stays from survey to survey: {_COMMAND}."
        return
    for bias in found.persistent.biases:
        yield (f"First see what stays from survey to survey ({_COMMAND}). "
               f"{bias_sentence(found.persistent, bias)}")  # fmt: skip
