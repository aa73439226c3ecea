"""Which probe readings are believed.

A conversion is refused when it is missing, not finite, outside the range, or a step no oil
makes; the last good one then ages, and its age is what the interlocks look at. A reading at
exactly 85.0 degC is also the sensor's power-on value; the driver already gives that as "no
value", so a single one is bridged like any missing reading.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf

from esterward.safety import limits
from esterward.values.readings import ProbeReading


@dataclass(slots=True)
class ProbeJudge:
    """Memory for one probe. good_c is the last believed value, good_at_s when it was taken."""

    good_c: float | None = None
    good_at_s: float | None = None
    newest_at_s: float | None = None
    doubted_c: float | None = None
    doubts: int = 0
    why: str = "no reading yet"
    same_since_s: float | None = None  # good_c repeats and is compared; None: not yet
    other_low_c: float = 0.0           # of the other probe, since then
    other_high_c: float = 0.0
    stuck: bool = False


def judge(state: ProbeJudge, reading: ProbeReading, now_s: float) -> bool:
    """Take one reading in; True when it is a new and believed conversion."""
    at_s, c = reading.at_s, reading.c
    if state.newest_at_s is not None and not at_s > state.newest_at_s:
        return False
    if not at_s <= now_s + 0.1:  # a stamp from the future or NaN is no reading
        state.why = "its time stamp is not of this moment"
        return False
    if at_s > -inf:  # else it never came, and a state that holds this would not be read again
        state.newest_at_s = at_s
    if c is None:
        state.why = reading.why or "no value"
        return False
    if not limits.PROBE_LOW_C <= c <= limits.PROBE_HIGH_C:
        state.why = f"{c:g} degC is outside {limits.PROBE_LOW_C:g}..{limits.PROBE_HIGH_C:g}"
        return False
    if state.good_c is not None and not abs(c - state.good_c) <= limits.PROBE_STEP_K:
        if state.doubted_c is not None and abs(c - state.doubted_c) <= limits.PROBE_STEP_K:
            state.doubts += 1
        else:
            state.doubts = 1
        state.doubted_c = c
        if state.doubts < limits.PROBE_CONFIRM:
            state.why = f"a step from {state.good_c:g} to {c:g} degC is not oil"
            return False
    if c != state.good_c:  # it moves; mixed or not, or its latch could never be reset
        state.same_since_s, state.stuck = None, False
    state.good_c, state.good_at_s, state.why = c, at_s, ""
    state.doubted_c, state.doubts = None, 0
    return True


def age_s(state: ProbeJudge, now_s: float) -> float | None:
    """Seconds since the last believed conversion; None when there never was one."""
    return None if state.good_at_s is None else now_s - state.good_at_s


def fresh(judge: ProbeJudge, now_s: float) -> bool:
    """Whether heat may stand on this probe's last believed conversion now."""
    return (judge.good_at_s is not None
            and 0.0 <= now_s - judge.good_at_s + 0.1 <= limits.PROBE_AGE_OFF_S + 0.1)


def watch_stuck(state: ProbeJudge, other_c: float | None, now_s: float) -> None:
    """Notice a value that repeats to the last bit for a minute while the other probe moved.

    One frozen code is no proof by itself: quiet oil may honestly repeat one step of 0.0625 K,
    and a jump of the other one is the other one's doubt.
    """
    if state.good_c is None or other_c is None:
        return
    if state.same_since_s is None:
        state.same_since_s = now_s
        state.other_low_c = state.other_high_c = other_c
        return
    state.other_low_c = min(state.other_low_c, other_c)
    state.other_high_c = max(state.other_high_c, other_c)
    state.stuck = (now_s - state.same_since_s >= limits.PROBE_STUCK_S
                   and state.other_high_c - state.other_low_c >= limits.PROBE_STUCK_K)
