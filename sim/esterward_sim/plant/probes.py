"""One DS18B20 in a thermowell: first-order lag, 0.0625 K steps, and ways to lie.

Lag: greased thermowell 20..60 s (from memory). Steps and the power-on value 85.0 degC: DS18B20
data sheet (12 bit). Range -55..125 degC: same.
"""

from __future__ import annotations

from math import exp, floor, nan
from random import Random
from sys import maxsize

from esterward_sim.plant.faults import Faults

STEP_C = 0.0625
# In a row, of a healthy probe: with a fourth it is silent for over 4 s, which is a fault (bursts).
MOST_LOST = 3
AIR_LAG_S = 67.0  # a 6 mm sensor in still air: t50 46.8 s (a sensor maker's table)


class WellProbe:
    """value() is what the sensor would report now; well_c is what it truly feels."""

    def __init__(self, name: str, lag_s: float, offset_k: float, start_c: float,
                 faults: Faults) -> None:
        self._faults = faults
        self._prefix = f"probe_{name}_"
        self.lag_s, self.offset_k = lag_s, offset_k
        self.well_c = start_c
        self._drift_k = 0.0
        self._stuck_c: float | None = None
        self._lost = 0  # in a row

    def step(self, dt_s: float, oil_c: float, room_c: float) -> None:
        """Let the sensor follow what surrounds it for dt_s seconds."""
        if not self._faults:
            self._drift_k, self._stuck_c = 0.0, None
            self.well_c = oil_c + (self.well_c - oil_c) * exp(-dt_s / self.lag_s)
            return
        get, prefix = self._faults.get, self._prefix
        target_c, lag_s = oil_c, self.lag_s
        if prefix + "out_of_well" in self._faults:
            target_c, lag_s = room_c, AIR_LAG_S
        else:
            lag_s *= get(prefix + "loose") or 1.0
        self.well_c = target_c + (self.well_c - target_c) * exp(-dt_s / lag_s)
        drift = get(prefix + "drift")
        self._drift_k = 0.0 if drift is None else self._drift_k + drift * dt_s / 3600.0
        if prefix + "stuck" not in self._faults:
            self._stuck_c = None
        elif self._stuck_c is None:
            self._stuck_c = self.well_c

    def value(self, jitter_k: float, lost_share: float, rng: Random) -> float | None:
        """degC in steps of 0.0625 K, None when there is no value. Ask once a conversion."""
        c = self.well_c + self.offset_k
        most_lost = MOST_LOST
        if self._faults:
            get, prefix = self._faults.get, self._prefix
            bursts = get(prefix + "bursts")
            if bursts is not None:
                lost_share, most_lost = max(lost_share, bursts), maxsize
            if prefix + "lost" in self._faults:
                return None
            if prefix + "nan" in self._faults:
                return nan
            if prefix + "zero" in self._faults:
                return -STEP_C
            if prefix + "power_on" in self._faults:
                return 85.0
            far_c = get(prefix + "far")
            if far_c is not None:
                return far_c
            if self._stuck_c is not None:
                c = self._stuck_c + self.offset_k
            c += self._drift_k + (get(prefix + "offset") or 0.0)
        if lost_share and rng.random() < lost_share and self._lost < most_lost:
            self._lost += 1
            return None
        self._lost = 0
        if jitter_k:
            c += rng.gauss(0.0, jitter_k)
        return min(125.0, max(-55.0, floor(c / STEP_C + 0.5) * STEP_C))
