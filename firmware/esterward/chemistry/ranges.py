"""One refusal for every number that is missing, not finite or outside its range of validity."""

from __future__ import annotations


def within(what: str, value: float | None, low: float, high: float, unit: str) -> float:
    """The value as a float; ValueError with one sentence for None, NaN, infinity, out of range."""
    if (
        isinstance(value, bool)
        or not isinstance(value, (int, float))
        or not low <= value <= high  # false for NaN too
    ):
        of = f" {unit}" if unit else ""
        raise ValueError(f"{what} must be a number from {low:g} to {high:g}{of}, not {value}")
    return float(value)


def known(what: str, word: str, words: tuple[str, ...]) -> str:
    """The word; ValueError with one sentence when it is not one of the words."""
    if word not in words:
        raise ValueError(f"{what} must be {' or '.join(words)}, not {word!r}")
    return word
