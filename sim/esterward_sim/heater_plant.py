"""Small random vessels for the heater trials, independent of the rehearsal's plant.

Element, oil and thermowell as three linear lags, advanced exactly a second at a time, so the
closed forms hold to rounding; the reading is a 12-bit conversion that ended just before.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log, pi
from random import Random

STEP_S = 1.0
CONVERSION_S = 0.75
QUANTUM_K = 0.0625
OIL_J_PER_L_K = 0.918 * 2030.0  # 918 kg/m3 (Esteban 2012) x 2.03 kJ/kg/K (triolein, Zabransky)

Vector = tuple[float, float, float, float]


@dataclass(frozen=True, slots=True)
class Vessel:
    """The truth. power_w is what the mains really gives; lags in s; loss_w_per_k to room_c."""

    volume_l: float
    power_w: float
    rated_w: float
    element_lag_s: float
    element_excess_k: float
    probe_lag_s: float
    loss_w_per_k: float
    wall_share: float
    room_c: float
    start_c: float

    @property
    def heat_capacity_j_k(self) -> float:
        """Oil and wall together."""
        return self.volume_l * OIL_J_PER_L_K * (1.0 + self.wall_share)

    @property
    def rate_k_s(self) -> float:
        """Oil's rise at full power without loss."""
        return self.power_w / self.heat_capacity_j_k


def random_vessel(seed: int) -> Vessel:
    """One vessel of the range the law must serve; the same seed gives the same vessel."""
    dice = Random(seed)
    volume_l = exp(dice.uniform(log(20.0), log(400.0)))
    rated_w = min(9000.0, max(750.0, volume_l * dice.uniform(12.0, 45.0)))
    mains = dice.uniform(0.9, 1.1)  # of the voltage; power goes with its square
    diameter_m = (volume_l / 1000.0 * 4.0 / (1.5 * pi)) ** (1.0 / 3.0)
    surface_m2 = 2.0 * pi * diameter_m**2  # a cylinder half as high again as wide
    room_c = dice.uniform(-5.0, 35.0)
    return Vessel(
        volume_l=volume_l,
        power_w=rated_w * mains**2,
        rated_w=rated_w,
        element_lag_s=dice.uniform(20.0, 90.0),
        element_excess_k=dice.uniform(20.0, 80.0),
        probe_lag_s=dice.uniform(8.0, 60.0),
        loss_w_per_k=surface_m2 * dice.uniform(1.5, 8.0),  # W/m2K: lagged to bare
        wall_share=dice.uniform(0.02, 0.10),
        room_c=room_c,
        start_c=room_c,
    )


class Plant:
    """A vessel in motion. step(on) is one second; true_c the oil, reading() the probe's word."""

    __slots__ = ("_a", "_b", "element_c", "oil_c", "probe_c", "seen_c", "vessel")

    def __init__(self, vessel: Vessel, start_c: float | None = None) -> None:
        self.vessel = vessel
        self.oil_c = self.element_c = self.probe_c = self.seen_c = (
            vessel.start_c if start_c is None else start_c)
        self.retune(vessel)

    def retune(self, vessel: Vessel) -> None:
        """Go on with another vessel's figures: mains changed, oil added."""
        self.vessel = vessel
        capacity = vessel.heat_capacity_j_k
        coupling = vessel.rated_w / vessel.element_excess_k
        element_j_k = coupling * vessel.element_lag_s
        loss = vessel.loss_w_per_k
        rates = (
            (-coupling / element_j_k, coupling / element_j_k, 0.0, 0.0),
            (coupling / capacity, -(coupling + loss) / capacity, 0.0,
             loss * vessel.room_c / capacity),
            (0.0, 1.0 / vessel.probe_lag_s, -1.0 / vessel.probe_lag_s, 0.0),
            (0.0, 0.0, 0.0, 0.0),
        )
        on = [list(row) for row in rates]
        on[0][3] += vessel.power_w / element_j_k
        off = [list(row) for row in rates]
        self._a = {state: _exponential(m, STEP_S)[:3] for state, m in ((True, on), (False, off))}
        self._b = {state: _exponential(m, STEP_S - CONVERSION_S)[2]
                   for state, m in ((True, on), (False, off))}

    def step(self, on: bool) -> None:
        """One second with the element on or off."""
        e, t, p = self.element_c, self.oil_c, self.probe_c
        seen = self._b[on]
        self.seen_c = seen[0] * e + seen[1] * t + seen[2] * p + seen[3]
        a, b, c = self._a[on]
        self.element_c = a[0] * e + a[1] * t + a[3]
        self.oil_c = b[0] * e + b[1] * t + b[3]
        self.probe_c = c[0] * e + c[1] * t + c[2] * p + c[3]

    def reading(self, jitter_k: float = 0.0) -> float:
        """The conversion that ended last, in steps of 0.0625 K."""
        return round((self.seen_c + jitter_k) / QUANTUM_K) * QUANTUM_K


def _exponential(rates: list[list[float]], time_s: float) -> list[Vector]:
    """exp(rates * time_s) by scaling and squaring of the Taylor series."""
    n, halvings = 4, 8
    scale = time_s / 2**halvings
    a = [[x * scale for x in row] for row in rates]
    result = [[float(i == j) for j in range(n)] for i in range(n)]
    term = [row[:] for row in result]
    for k in range(1, 10):
        term = [[x / k for x in row] for row in _product(term, a)]
        result = [[x + y for x, y in zip(r, t, strict=True)]
                  for r, t in zip(result, term, strict=True)]
    for _ in range(halvings):
        result = _product(result, result)
    return [(row[0], row[1], row[2], row[3]) for row in result]


def _product(a: list[list[float]], b: list[list[float]]) -> list[list[float]]:
    return [[sum(a[i][k] * b[k][j] for k in range(4)) for j in range(4)] for i in range(4)]
