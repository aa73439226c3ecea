"""Oil that stood unmixed while it should react: how long is too long, and what is said of it."""

from __future__ import annotations

from typing import Final

MIXING_STEPS: Final = ("mix.run", "check.ask")
# [practice] what stood longer half mixed has parted, and its credit may not tell
UNMIXED_S: Final = 30 * 60.0


def longer_s(one_s: float | None, other_s: float | None) -> float | None:
    """The longer of two stands, in seconds; None, whose length nobody knows, is the longest."""
    return None if one_s is None or other_s is None else max(one_s, other_s)


def doubt(stood_s: float | None) -> str:
    """What is said of oil that stood unmixed so many seconds; "" where that is no matter."""
    if stood_s is not None and stood_s <= UNMIXED_S:
        return ""
    stood = "for how long nobody knows" if stood_s is None else f"for {stood_s / 60.0:.0f} min"
    return f"it stood unmixed {stood}: the reaction is doubtful, trust only the check"
