"""What each heating row aims at, and the ceiling the heater law gets with it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from esterward.chemistry import boiling
from esterward.chemistry.boiling import Limits
from esterward.chemistry.energy import MELT_DUTY
from esterward.chemistry.sheet import Sheet
from esterward.values.batch import Batch

# Sources as in timers.py.
DEWATER_C: Final = 60.0        # [practice] warm oil lets its water drop
# Set fat conducts badly and nothing stirs it, so the element gets a tenth of the time, in pulses of
# few kelvin of its own surface; docs/explanation/set-fat.md has the sums.
MELT_PERIOD_S: Final = 60.0    # [design]
MELT_ON_S: Final = MELT_DUTY * MELT_PERIOD_S
MELT_C: Final = 49.0           # [design] a kelvin below where the safety layer ends it
MOLTEN_C: Final = 50.0         # [practice] above, no fat is left to melt
# The heater law lands within 0.3 K; what is so far above was not warmed by it.
OVER_AIM_K: Final = 2.0        # [design]
RAMP_FROM_C: Final = 95.0      # [design] above this, water under hot oil may flash: go up slowly
RAMP_K_PER_S: Final = 0.5 / 60.0  # [design]


@dataclass(slots=True)
class TargetState:
    """Memory of the target: a ratchet (down only within a step), the ramp, the last ask.

    final says whether the target is the step's own, not a point of a ramp towards it.
    over_aim: the oil passed the aim by so much that no heat can be wanted, and is not back at it.
    too_warm: the oil passed the highest setpoint and is not yet back where it may be held.
    """

    lowest_c: float | None = None
    ramp_c: float = RAMP_FROM_C
    ceiling_c: float = 0.0
    final: bool = True
    asked_on: bool = False
    over_aim: bool = False
    too_warm: bool = False

    def entered(self) -> None:
        """A new step: ratchet and ramp start anew."""
        self.lowest_c, self.ramp_c, self.final = None, RAMP_FROM_C, True
        self.asked_on = False

    def judge_aim(self, oil_c: float | None, aim_c: float) -> None:
        """Whether the oil is far above its aim; without a reading it stays as it was."""
        if oil_c is not None:
            self.over_aim = oil_c > (aim_c if self.over_aim else aim_c + OVER_AIM_K)

    def judge(self, oil_c: float | None, limits: Limits | None) -> None:
        """Whether the pump's own heat must stop too: without a reading it stays as it was."""
        if limits is None:
            self.too_warm = False
        elif oil_c is not None:
            self.too_warm = oil_c > (
                limits.aim_max_c if self.too_warm else limits.setpoint_max_c)


def melt_pulse(step_s: float, oil_c: float | None) -> bool:
    """Whether set fat gets heat at this moment of its step."""
    return oil_c is not None and oil_c <= MELT_C and step_s % MELT_PERIOD_S < MELT_ON_S


def target_c(
    heat: str, state: TargetState, sheet: Sheet, batch: Batch, limits: Limits | None,
    oil_c: float | None, dt_s: float,
) -> float | None:
    """The setpoint of now in degC, None when the row does not heat; sets state.ceiling_c.

    It follows a falling limit down and never up within a step. Before methanol goes in, the
    reaction setpoint already keeps under the methanol ceiling: the oil is about to meet it.
    """
    wanted: float | None = None
    if heat in ("setpoint", "warm_hold"):
        if limits is not None and sheet.setpoint_c is not None:
            wanted = min(sheet.setpoint_c, limits.aim_max_c)
            state.ceiling_c = limits.alarm_c
    elif heat == "dewater":
        wanted, state.ceiling_c = DEWATER_C, boiling.CLEAR_ALARM_C
    elif heat == "boil":
        return _boil_target(state, oil_c, dt_s)
    elif heat == "dry":
        wanted = min(batch.dry_c, boiling.DRY_SETPOINT_MAX_C)
        state.ceiling_c = boiling.CLEAR_ALARM_C
    if wanted is None:
        return None
    if state.lowest_c is not None and state.lowest_c < wanted:
        wanted = state.lowest_c
    state.lowest_c = wanted
    return wanted


def _boil_target(state: TargetState, oil_c: float | None, dt_s: float) -> float:
    state.ceiling_c = boiling.CLEAR_ALARM_C
    top_c = boiling.CLEAR_SETPOINT_MAX_C
    if oil_c is not None and oil_c >= RAMP_FROM_C - 1.0:
        state.ramp_c = min(top_c, state.ramp_c + RAMP_K_PER_S * dt_s)
    state.final = state.ramp_c >= top_c
    return state.ramp_c
