"""The reactor as plain numbers: what reactor.toml says, checked and converted by settings."""

from __future__ import annotations

from dataclasses import dataclass

RIG_LEVELS = ("watch", "small", "full")
SWITCHES = ("contactor", "ssr")


@dataclass(frozen=True, slots=True)
class Reactor:
    """One vessel with its element, pump and probes.

    altitude_m None means not configured: then no methanol stage is allowed. loss_w_per_k is
    the heat loss of the warm vessel to the room. fitted names the optional inputs of
    values.readings.OPTIONAL_INPUTS that are wired. setpoint_cap_c
    may only tighten the limits. show_temperature and show_volume are the units a person is
    shown. digest identifies the file for the guard.

    lagging_mm is the thickness of the lagging, 0 for bare; given, forecasts take the loss from
    it and the vessel's size instead of loss_w_per_k. diameter_m is the vessel's inner
    diameter, None for not measured. dipstick has rows (mm on the stick, litres), both rising.

    measured_*: what a recorded heat-up told, None for not measured: heat capacity of vessel and
    measured_oil_l of oil together, loss, how late a reading follows the element (run-on), and
    probe A's part of that. For forecasts and the simulator only; no limit and no check of an
    effect looks at them.
    """

    name: str = "reactor"
    altitude_m: float | None = None
    barometer: bool = False
    vessel_l: float = 0.0
    element_w: float = 0.0
    element_switch: str = "contactor"
    loss_w_per_k: float = 8.0
    room_c: float = 20.0
    rig_level: str = "small"
    fitted: tuple[str, ...] = ()
    warm_hold: bool = False
    probe_a_id: str = ""
    probe_b_id: str = ""
    probe_a_correction_k: float = 0.0
    probe_b_correction_k: float = 0.0
    probes_checked: bool = False
    setpoint_cap_c: float | None = None
    scale_resolution_g: float = 1.0
    mqtt_host: str = ""
    mqtt_port: int = 1883
    mqtt_id: str = "reactor"
    show_temperature: str = "degC"
    show_volume: str = "L"
    pins: tuple[tuple[str, int], ...] = ()
    lagging_mm: float | None = None
    diameter_m: float | None = None
    dipstick: tuple[tuple[float, float], ...] = ()
    measured_heat_kj_per_k: float | None = None
    measured_oil_l: float | None = None
    measured_loss_w_per_k: float | None = None
    measured_run_on_s: float | None = None
    measured_probe_lag_s: float | None = None
    digest: str = ""
