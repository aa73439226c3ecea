"""What comes too late now and then: seconds of it, how they are forgotten, and when it is told.

One gap is nothing; a probe or a controller that leaves one every few seconds is in the way for
hours without ever being lost. So seconds too late add up, and seconds in time take away a part of
that only. Told from limits.GAPS_TOLD_S until nothing of it is left, so that no alarm flickers.
"""

from __future__ import annotations

from dataclasses import dataclass

from esterward.safety import limits


@dataclass(slots=True)
class Gaps:
    """late_s: seconds too late not yet forgotten; told: they reached what is told, and are not
    all forgotten since."""

    late_s: float = 0.0
    told: bool = False

    @property
    def none(self) -> bool:
        """Nothing of it is left."""
        return self.late_s == 0.0


def count(state: Gaps, in_time: bool | None, dt_s: float) -> None:
    """Add one tick of dt_s seconds. in_time None: nobody knows, and nothing is counted."""
    if in_time is None:
        return
    late_s = state.late_s + (-dt_s * limits.GAPS_FORGOTTEN if in_time
                             else min(limits.GAP_MOST_S, dt_s))
    if late_s <= 0.0:
        state.late_s, state.told = 0.0, False
    elif late_s < limits.GAPS_TOLD_S:
        state.late_s = late_s
    else:  # or not a number
        state.late_s, state.told = limits.GAPS_TOLD_S, True


def reads_in_time(age_s: float | None) -> bool | None:
    """Whether a probe's last believed conversion, age_s old, is no gap.

    None: there never was one, or it is as good as lost, which has a row of its own.
    """
    if age_s is None or age_s > limits.PROBE_AGE_LATCH_S:
        return None
    return age_s <= limits.PROBE_GAP_S
