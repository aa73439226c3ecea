"""One vessel heated by one law, and the best that an on-off element could do with it."""

from __future__ import annotations

from dataclasses import dataclass
from random import Random

from esterward_sim.heater_laws import Law
from esterward_sim.heater_plant import Plant, Vessel

SETPOINT_C = 55.0
CEILING_C = 58.0
ARRIVED_K = 0.5
HOUR_S = 3600


@dataclass(frozen=True, slots=True)
class Bound:
    """Full power, one switch-off, coast to exactly the setpoint: found by bisection.

    reach_s: setpoint - 0.5 K reached; off_s: switched off; peak_s: setpoint reached.
    """

    reach_s: float
    off_s: float
    peak_s: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """One run. K for overshoot and band (second hour after arriving), the rest as named."""

    seed: int
    overshoot_k: float
    time_over_bound: float
    band_k: float
    switchings_per_h: float
    energy_over_ideal: float


@dataclass(frozen=True, slots=True)
class Disturbance:
    """What happens to the readings: share lost, and normal jitter of this standard deviation."""

    lost_share: float = 0.0
    jitter_k: float = 0.0


QUIET = Disturbance()
NOISY = Disturbance(0.02, 0.03)


def bang_bang(vessel: Vessel, setpoint_c: float = SETPOINT_C) -> Bound:
    """The bound on the true vessel. ValueError when full power cannot reach the setpoint."""
    plant = Plant(vessel)
    states = [(plant.element_c, plant.oil_c, plant.probe_c)]
    while plant.oil_c < setpoint_c:
        before_c = plant.oil_c
        plant.step(True)
        states.append((plant.element_c, plant.oil_c, plant.probe_c))
        if len(states) > 100 and plant.oil_c <= before_c:
            raise ValueError(f"full power never reaches {setpoint_c} degC in {vessel}")
    low, high = 0, len(states) - 1
    while high - low > 1:
        middle = (low + high) // 2
        if _coast(vessel, states, middle, setpoint_c)[0] > setpoint_c:
            high = middle
        else:
            low = middle
    # Between two whole seconds the peak is linear in the moment of switching off.
    peak_low, reach_low, at_low = _coast(vessel, states, low, setpoint_c)
    peak_high, reach_high, at_high = _coast(vessel, states, high, setpoint_c)
    share = (setpoint_c - peak_low) / (peak_high - peak_low)
    return Bound(reach_low + share * (reach_high - reach_low), low + share,
                 at_low + share * (at_high - at_low))


def _coast(vessel: Vessel, states: list[tuple[float, float, float]], off_s: int,
           setpoint_c: float) -> tuple[float, float, float]:
    """Peak in degC, time of arriving (at setpoint - 0.5 K) and of the peak, off from off_s on."""
    level_c = setpoint_c - ARRIVED_K
    plant = Plant(vessel)
    plant.element_c, plant.oil_c, plant.probe_c = states[off_s]
    reach_s = float("inf")
    if plant.oil_c >= level_c:
        i = next(i for i, state in enumerate(states) if state[1] >= level_c)
        reach_s = i - (states[i][1] - level_c) / (states[i][1] - states[i - 1][1])
    second = off_s
    while True:
        before_c = plant.oil_c
        plant.step(False)
        second += 1
        if plant.oil_c <= before_c:
            return before_c, reach_s, second - 1.0
        if before_c < level_c <= plant.oil_c:
            reach_s = second - (plant.oil_c - level_c) / (plant.oil_c - before_c)


def heat(
    law: Law, vessel: Vessel, bound: Bound, seed: int, disturbance: Disturbance = QUIET,
    trace: list[tuple[float, bool]] | None = None, setpoint_c: float = SETPOINT_C,
) -> Outcome:
    """Heat from cold and hold for two hours after arriving (or give up at five times the bound).

    trace, when given, takes the true oil temperature and the element's state of each second.
    """
    plant, dice = Plant(vessel), Random(seed * 7919 + 1)
    level_c = setpoint_c - ARRIVED_K
    lost, jitter_k = disturbance.lost_share, disturbance.jitter_k
    reach_s, end_s, second_hour_s = 0.0, int(5.0 * bound.reach_s), 10**9
    peak_c, low_c, high_c = plant.oil_c, float("inf"), float("-inf")
    on, on_s, switchings, second = False, 0, 0, 0
    while second < end_s:
        reading: float | None = plant.reading(dice.gauss(0.0, jitter_k) if jitter_k else 0.0)
        if lost and dice.random() < lost:
            reading = None
        asked = law.update(float(second), reading)
        if asked != on and second >= second_hour_s:
            switchings += 1
        on = asked
        on_s += on
        before_c = plant.oil_c
        plant.step(on)
        second += 1
        oil_c = plant.oil_c
        if oil_c > peak_c:
            peak_c = oil_c
        if not reach_s and oil_c >= level_c:
            reach_s = second - (oil_c - level_c) / (oil_c - before_c)
            second_hour_s, end_s = second + HOUR_S, second + 2 * HOUR_S
        if second >= second_hour_s:
            low_c, high_c = min(low_c, oil_c), max(high_c, oil_c)
        if trace is not None:
            trace.append((oil_c, on))
    loss_w = vessel.loss_w_per_k * (setpoint_c - vessel.room_c)
    ideal_j = vessel.power_w * bound.off_s + loss_w * (second - bound.peak_s)
    return Outcome(
        seed, peak_c - setpoint_c, reach_s / bound.reach_s if reach_s else float("inf"),
        high_c - low_c if high_c > low_c else float("inf"), float(switchings),
        vessel.power_w * on_s / ideal_j)
