"""What a person would pick instead of our law: a thermostat, and simple-pid well tuned.

Each has update(now_s, oil_c) -> bool as HeaterControl has. The two PID laws are told the true
vessel, which nobody at home is: the advantage is theirs.
"""

from __future__ import annotations

from typing import Protocol

from esterward.process.heating import HeaterControl
from esterward_sim.heater_plant import CONVERSION_S, STEP_S, Vessel

WINDOW_S = 10
PID_SAMPLES = 5


class Law(Protocol):
    """On or off for the next second, from a new reading or None."""

    def update(self, now_s: float, oil_c: float | None) -> bool: ...


class Thermostat:
    """On below the setpoint by half the hysteresis, off above it by as much."""

    def __init__(self, setpoint_c: float, hysteresis_k: float = 0.5) -> None:
        self.low_c = setpoint_c - 0.5 * hysteresis_k
        self.high_c = setpoint_c + 0.5 * hysteresis_k
        self.on = False

    def update(self, now_s: float, oil_c: float | None) -> bool:
        """Between the two levels the state stays; a missing reading changes nothing."""
        if oil_c is not None:
            if oil_c <= self.low_c:
                self.on = True
            elif oil_c >= self.high_c:
                self.on = False
        return self.on


def simc_pi(gain: float, lags_s: tuple[float, ...], dead_s: float) -> tuple[float, float]:
    """Kc and tau_I in s for a chain of lags (largest first) and dead time, tightest setting.

    S. Skogestad, J. Process Control 13 (2003) 291, as on the author's page of that paper:
    Kc = tau1 / (k (tau_c + theta)), tau_I = min(tau1, 4 (tau_c + theta)), tau_c = theta. The
    half rule that makes tau1 and theta of the chain: from memory.
    """
    tau1_s = lags_s[0] + 0.5 * lags_s[1]
    theta_s = 0.5 * lags_s[1] + sum(lags_s[2:]) + dead_s
    return tau1_s / (gain * 2.0 * theta_s), min(tau1_s, 8.0 * theta_s)


def simc_pid(
    gain: float, lags_s: tuple[float, ...], dead_s: float,
) -> tuple[float, float, float]:
    """Kc, tau_I and tau_D in s of the cascade form: as simc_pi with tau_D = tau2 (from memory)."""
    tau1_s, tau2_s = lags_s[0], lags_s[1] + 0.5 * lags_s[2]
    theta_s = 0.5 * lags_s[2] + sum(lags_s[3:]) + dead_s
    return tau1_s / (gain * 2.0 * theta_s), min(tau1_s, 8.0 * theta_s), tau2_s


def pid_gains(vessel: Vessel, derivative: bool) -> tuple[float, float, float]:
    """Kp (1/K), Ki (1/(K s)), Kd (s/K) of simple-pid's parallel form, output 0..1."""
    gain_k = vessel.power_w / vessel.loss_w_per_k
    lags_s = (vessel.heat_capacity_j_k / vessel.loss_w_per_k,
              max(vessel.element_lag_s, vessel.probe_lag_s),
              min(vessel.element_lag_s, vessel.probe_lag_s))
    # A share given for a window, and a mean of readings, each act half their length late.
    dead_s = CONVERSION_S + 0.5 * STEP_S + 0.5 * WINDOW_S
    if not derivative:
        kc, ti_s = simc_pi(gain_k, lags_s, dead_s)
        return kc, kc / ti_s, 0.0
    kc, ti_s, td_s = simc_pid(gain_k, lags_s, dead_s + 0.5 * PID_SAMPLES)
    return kc * (1.0 + td_s / ti_s), kc / ti_s, kc * td_s  # cascade to parallel


class TunedPid:
    """simple-pid with SIMC settings, its output as a share of a 10 s window.

    With a derivative it is fed the mean of five readings every five seconds: from second to
    second one step of the probe would drive it from nothing to full power and back.
    """

    def __init__(self, vessel: Vessel, setpoint_c: float, derivative: bool) -> None:
        from simple_pid import PID  # only the two rivals need the package

        kp, ki, kd = pid_gains(vessel, derivative)
        self.pid = PID(kp, ki, kd, setpoint=setpoint_c, sample_time=None, output_limits=(0.0, 1.0))
        self.samples = PID_SAMPLES if derivative else 1
        self.readings: list[float] = []
        self.seconds = 0
        self.output = 0.0
        self.on_s = 0

    def update(self, now_s: float, oil_c: float | None) -> bool:
        """The share is taken at the start of each window."""
        if oil_c is not None:
            self.readings.append(oil_c)
        if len(self.readings) >= self.samples:
            mean_c = sum(self.readings) / len(self.readings)
            self.readings.clear()
            self.output = float(self.pid(mean_c, dt=float(self.samples)) or 0.0)
        if self.seconds % WINDOW_S == 0:
            self.on_s = round(self.output * WINDOW_S)
        on = self.seconds % WINDOW_S < self.on_s
        self.seconds += 1
        return on


OWN = "esterward"
LAWS = (OWN, "thermostat 0.5 K", "simple-pid PI", "simple-pid PID")


def make_law(name: str, vessel: Vessel, setpoint_c: float, ceiling_c: float,
             element: str) -> Law:
    """A fresh law of this name for this vessel. KeyError on an unknown name."""
    if name == OWN:
        return HeaterControl(setpoint_c, ceiling_c, element=element)
    if name == LAWS[1]:
        return Thermostat(setpoint_c)
    return TunedPid(vessel, setpoint_c, {LAWS[2]: False, LAWS[3]: True}[name])
