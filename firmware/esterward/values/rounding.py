"""The one way a limit loses digits: downwards, since it must not grow by being shown."""

from __future__ import annotations

from math import floor


def down(value: float, digits: int = 1) -> float:
    """A finite number to so many digits, never more than it was (but for 1e-6 of a step)."""
    steps = 10.0**digits
    return floor(value * steps + 1e-6) / steps
