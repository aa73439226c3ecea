"""Under-voltage that the board reports: seconds of it, and when they are forgotten.

A supply at its limit is low and good by turns, because the kernel tells only whether there was a
dip since it last asked. So dips add up until the supply has been good for a while without one.
"""

from __future__ import annotations

from dataclasses import dataclass

from esterward.safety import limits


@dataclass(slots=True)
class SupplyState:
    """low_s: seconds of under-voltage not yet forgotten; good_s: since the last of them."""

    low_s: float = 0.0
    good_s: float = 0.0

    @property
    def good(self) -> bool:
        return self.low_s == 0.0

    @property
    def recovers(self) -> bool:
        """There was not so much of it that heat must go off."""
        return self.low_s <= limits.SUPPLY_LOW_S


def count(state: SupplyState, low: bool | None, dt_s: float) -> None:
    """Add one tick of dt_s seconds. low None: a board that has no such sensor.

    What is neither None nor False counts as low.
    """
    if low is not None and low is not False:
        # What is new to a tick began at most a tick before it.
        state.low_s += dt_s if state.low_s > 0.0 else min(dt_s, limits.TICK_S)
        state.good_s = 0.0
    elif state.low_s != 0.0:
        state.good_s += dt_s
        if state.good_s >= limits.SUPPLY_GOOD_S:
            state.low_s = state.good_s = 0.0
