"""Heat in a vessel as a few numbers, and the least-squares fit of them to a recorded heat-up.

    q'     = (power on - q) / element_s                    the element hands its heat over late
    oil'   = (q + pump mixed - to wall) / capacity of the oil
    wall'  = (to wall - outside (wall - room)) / its own    in series they are the loss
    probe' = (oil - probe) / lag                           a first-order well, one for each probe

The sixth part of the oil, where probe B is, follows the rest with a time of mixing of its own.

Power is the plate's, so capacity and loss are "per plate watt": with mains 5 % high both come
out 10 % low, and times still come out right. The heat capacity of oil rises with temperature as
in chemistry.substances. What a record of a heat-up says little about (wall, pump, room) has a
guess with a standard deviation (PRIORS, from memory of home vessels); that doubt is in the
intervals. Covariance: s2 (J'J)^-1 at the solution, widened by (1 + r) / (1 - r) for residuals
of which neighbours agree with correlation r (first-order autoregression; any textbook).

The element's lag and probe A's stand in series: exchanged, they give the same reading, so a
heat-up tells their sum (run-on) and hardly the share of each. The interval of the probe's lag
covers both roles unless the lag was measured by itself (pull the probe from ice water into warm
water: 63 % of the step).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log, sqrt
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from esterward.chemistry.energy import oil_kj_per_k
from esterward.chemistry.substances import oil_heat_kj_per_kg_k
from esterward_sim.fit.window import NotEnough, Window, stirred

Array = NDArray[np.float64]

STEP_S: Final = 4.0
REFERENCE_C: Final = 37.0
CP_SLOPE_PER_K: Final = (
    oil_heat_kj_per_kg_k(38.0) - oil_heat_kj_per_kg_k(36.0)) / 2.0 / oil_heat_kj_per_kg_k(37.0)
READING_SD_K: Final = 0.0625 / sqrt(12.0)
MOST_RESIDUAL_K: Final = 0.15
NORMAL_95: Final = 1.96
FLOOR: Final = 0.2  # least scatter believed, as variance over that of one reading's step
MODEL_SD: Final = 0.005  # share that no fit is believed beyond: the form of the model itself
TOLD_SD: Final = 0.05  # of a probe's lag that was measured by itself, as a share
ELEMENT_J_PER_K_W: Final = 0.7  # the element's own heat capacity for each watt, from memory
NEAR_SHARE: Final = 0.85        # of the oil, where element and probe A are; the rest follows

NAMES: Final = ("capacity", "loss", "element", "lag_a", "lag_b", "mix", "wall_share", "wall_s",
                "pump", "room", "start", "offset_b")
(CAPACITY, LOSS, ELEMENT, LAG_A, LAG_B, MIX, SHARE, WALL, PUMP, ROOM, START,
 OFFSET) = range(len(NAMES))
SCALE: Final = np.array([0.1, 5.0] + [1.0] * (len(NAMES) - 2))
DELTA: Final = np.array([1e-6, 1e-4, 1e-4, 1e-4, 1e-4, 1e-4, 1e-3, 1e-3, 0.01, 1e-3, 1e-4, 1e-4])
LOWEST: Final = np.array([log(1e4), -50.0, *[log(2.0)] * 3, log(2.5), log(0.01), log(30.0), -1e4,
                          -60.0, -60.0, -10.0])
HIGHEST: Final = np.array([log(1e7), 500.0, *[log(300.0)] * 3, log(90.0), log(0.5), log(900.0),
                           1e4, 90.0, 130.0, 10.0])


@dataclass(frozen=True, slots=True)
class Estimate:
    """A value with its standard error; low and high are the 95 % interval."""

    value: float
    error: float
    low: float
    high: float

    @property
    def half_share(self) -> float:
        """Half the interval over the value."""
        return (self.high - self.low) / 2.0 / self.value if self.value > 0.0 else float("inf")


@dataclass(frozen=True, slots=True)
class Fit:
    """Heat capacity J/K at 37 degC with this fill, loss W/K, lags s; rate K/s at full power.

    run_on_s: how late the reading follows the element, element and probe A together; rate times
    it is what the reading still climbs after full power is switched off.
    """

    oil_l: float
    capacity_j_per_k: Estimate
    loss_w_per_k: Estimate
    run_on_s: Estimate
    probe_lag_s: Estimate
    rate_k_s: float
    residual_k: float


@dataclass(slots=True)
class _Data:
    """The window on a grid of STEP_S: shares of each step, and where the readings lie."""

    on: Array
    mixed: Array
    times: Array
    seen: Array
    split: int            # readings before this index are probe A's
    power_w: float
    first_a: float
    first_b: float
    centre: Array         # of the priors
    spread: Array         # their standard deviation; infinite for none


def _shares(spans: list[tuple[float, float]], steps: int) -> Array:
    out = np.zeros(steps)
    for since, to in spans:
        low, high = int(since / STEP_S), min(steps - 1, int(to / STEP_S))
        for i in range(low, high + 1):
            covered = min(to, (i + 1) * STEP_S) - max(since, i * STEP_S)
            out[i] += max(0.0, covered) / STEP_S
    return out


def _means(readings: list[tuple[float, float]], spans: list[tuple[float, float]],
           end_s: float) -> list[tuple[float, float]]:
    """Readings in the spans, as means of a step each: (mean time, mean degC)."""
    bins: dict[int, list[tuple[float, float]]] = {}
    for at, c in readings:
        if 0.0 <= at <= end_s and any(since <= at <= to for since, to in spans):
            bins.setdefault(int(at / STEP_S), []).append((at, c))
    return [(sum(at for at, _ in some) / len(some), sum(c for _, c in some) / len(some))
            for _, some in sorted(bins.items())]


def _data(window: Window, power_w: float, oil_l: float, room_c: float,
          probe_lag_s: float | None) -> _Data:
    spans = stirred(window)
    steps = int(window.end_s / STEP_S)
    end_s = steps * STEP_S
    a, b = (_means(r, spans, end_s) for r in (window.a, window.b))
    if not a:
        raise NotEnough("probe A gave no reading while the pump was running")
    first_a = window.a[0][1]
    first_b = window.b[0][1] if window.b else first_a
    inf = float("inf")
    centre = np.array([log(1100.0 * oil_kj_per_k(oil_l)), 8.0, log(40.0), log(28.0), log(28.0),
                       log(8.0), log(0.06), log(120.0), 0.3 * oil_l, room_c, first_a, 0.0])
    spread = np.array([inf, inf, 0.7, 0.7, 0.7, 0.7, 0.6, 0.5, 0.3 * oil_l, 1.0, 0.3, 1.0])
    if probe_lag_s is not None:
        centre[LAG_A], spread[LAG_A] = log(probe_lag_s), TOLD_SD
    return _Data(_shares(window.element, steps), _shares(window.mixer, steps),
                 np.array([at for at, _ in a + b]), np.array([c for _, c in a + b]), len(a),
                 power_w, first_a, first_b, centre, spread)


def _simulate(p: Array, data: _Data) -> Array:
    """Readings expected at data.times; p has one column for each set of numbers."""
    total, element_s, wall_s = np.exp(p[CAPACITY]), np.exp(p[ELEMENT]), np.exp(p[WALL])
    liquid = total / (1.0 + np.exp(p[SHARE]))
    metal = total - liquid
    wall_w = metal / wall_s
    element_j_per_k = ELEMENT_J_PER_K_W * data.power_w
    near, far = NEAR_SHARE * (liquid - element_j_per_k), (1.0 - NEAR_SHARE) * liquid
    across = far / np.exp(p[MIX]) * NEAR_SHARE
    give = -np.expm1(-STEP_S / element_s)
    keep = give * element_s / STEP_S  # mean of what decays over a step
    show_a, show_b = (-np.expm1(-STEP_S / np.exp(p[i])) for i in (LAG_A, LAG_B))
    pump, room = p[PUMP], p[ROOM]
    outside = p[LOSS] / np.maximum(0.1, 1.0 - p[LOSS] / wall_w)
    oil, away, wall = p[START].copy(), p[START].copy(), p[START].copy()
    q, speed = np.zeros_like(oil), np.zeros_like(oil)
    a, b = np.full_like(oil, data.first_a), data.first_b - p[OFFSET]
    steps = len(data.on)
    out_a, out_b = np.empty((steps + 1, oil.size)), np.empty((steps + 1, oil.size))
    out_a[0], out_b[0] = a, b
    for i in range(steps):
        full = data.power_w * data.on[i] - element_j_per_k * speed
        inflow = full + (q - full) * keep + pump * data.mixed[i]
        q = q + (full - q) * give
        warmth = 1.0 + CP_SLOPE_PER_K * (oil - REFERENCE_C)
        to_wall, to_away = wall_w * (oil - wall), across * (oil - away)
        half = oil + 0.5 * STEP_S * (inflow - to_wall - to_away) / (near * warmth)
        half_away = away + 0.5 * STEP_S * to_away / (far * warmth)
        half_wall = wall + 0.5 * STEP_S * (to_wall - outside * (wall - room)) / metal
        to_wall, to_away = wall_w * (half - half_wall), across * (half - half_away)
        speed = (inflow - to_wall - to_away) / (near * warmth)
        oil = oil + STEP_S * speed
        away = away + STEP_S * to_away / (far * warmth)
        wall = wall + STEP_S * (to_wall - outside * (half_wall - room)) / metal
        a = a + (half - a) * show_a
        b = b + (half_away - b) * show_b
        out_a[i + 1], out_b[i + 1] = a, b
    grid = np.arange(steps + 1) * STEP_S
    shown = np.empty((data.times.size, oil.size))
    of_a, of_b = data.times[: data.split], data.times[data.split:]
    for k in range(oil.size):
        shown[: data.split, k] = np.interp(of_a, grid, out_a[:, k])
        shown[data.split:, k] = np.interp(of_b, grid, out_b[:, k]) + p[OFFSET, k]
    return shown


def _residuals(p: Array, data: _Data) -> Array:
    """Readings, then priors, in standard deviations; one column a set."""
    own = (_simulate(p, data) - data.seen[:, None]) / READING_SD_K
    bound = np.isfinite(data.spread)
    prior = (p[bound] - data.centre[bound, None]) / data.spread[bound, None]
    return np.vstack([own, prior])


def _solve(start: Array, data: _Data) -> Any:
    """Residuals and their slopes come from one run of the model, so both are kept."""
    last: dict[str, Array] = {}

    def both(x: Array) -> dict[str, Array]:
        if not last or not np.array_equal(last["x"], x):
            r = _residuals(x[:, None] + np.hstack([np.zeros((x.size, 1)), np.diag(DELTA)]), data)
            last.update(x=x.copy(), r=r[:, 0], j=(r[:, 1:] - r[:, :1]) / DELTA)
        return last

    return least_squares(lambda x: both(x)["r"], start, jac=lambda x: both(x)["j"], method="trf",
                         max_nfev=30, ftol=1e-5, xtol=1e-5, bounds=(LOWEST, HIGHEST),
                         x_scale=np.where(np.isfinite(data.spread), data.spread, SCALE))


def fit(window: Window, *, element_w: float, oil_l: float, room_c: float,
        probe_lag_s: float | None = None) -> Fit:
    """The vessel behind a window; NotEnough when one vessel cannot explain it.

    probe_lag_s: probe A's lag when it was measured by itself, good to about 10 %.
    """
    data = _data(window, element_w, oil_l, room_c, probe_lag_s)
    best = _solve(data.centre, data)
    count = data.times.size
    residual = best.fun[:count]
    scale = float(residual @ residual) / max(1, count - len(NAMES))
    residual_k = sqrt(scale) * READING_SD_K
    if residual_k > MOST_RESIDUAL_K:
        raise NotEnough(f"no single vessel explains it (the readings differ by {residual_k:.2f} K "
                        "from the best fit): was oil added, the lid opened, water boiling, or fat "
                        "melting meanwhile?")
    rows = np.array(best.jac)
    rows[:count] /= sqrt(max(FLOOR, scale) * max(
        _widening(residual[: data.split]), _widening(residual[data.split:])))
    covariance = np.linalg.pinv(rows.T @ rows)
    x = best.x
    total_s, lag_s = exp(x[ELEMENT]) + exp(x[LAG_A]), exp(x[LAG_A])
    slope = np.zeros(len(NAMES))
    slope[ELEMENT], slope[LAG_A] = exp(x[ELEMENT]), lag_s
    lag = _of_log(x, covariance, LAG_A)
    if probe_lag_s is None:
        other = _of_log(x, covariance, ELEMENT)
        lag = Estimate(lag.value, max(lag.error, other.error), min(lag.low, other.low),
                       min(total_s, max(lag.high, other.high)))
    capacity = _of_log(x, covariance, CAPACITY)
    return Fit(
        oil_l, capacity, _plain(float(x[LOSS]), sqrt(max(0.0, covariance[LOSS, LOSS]))),
        _plain(total_s, sqrt(max(0.0, float(slope @ covariance @ slope)))), lag,
        element_w / capacity.value, residual_k)


def _widening(residual: Array) -> float:
    """How many times the variance of a mean grows because neighbours agree."""
    if residual.size <= 10:
        return 1.0
    r = float(residual[1:] @ residual[:-1]) / max(1e-12, float(residual @ residual))
    r = min(0.98, max(0.0, r))
    return (1.0 + r) / (1.0 - r)


def _of_log(x: Array, covariance: Array, index: int) -> Estimate:
    error = sqrt(max(0.0, float(covariance[index, index])) + MODEL_SD**2)
    value = exp(x[index])
    return Estimate(value, value * error, value * exp(-NORMAL_95 * error),
                    value * exp(min(50.0, NORMAL_95 * error)))


def _plain(value: float, error: float) -> Estimate:
    error = sqrt(error**2 + (MODEL_SD * value) ** 2)
    return Estimate(value, error, value - NORMAL_95 * error, value + NORMAL_95 * error)
