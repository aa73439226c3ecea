"""Everything about the plant that reactor.toml and batch.toml do not say.

Defaults are a plausible home reactor: a steel drum with an immersed element and a circulation
pump. Where a figure has no source it says so; a trial varies them.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from math import isfinite
from typing import Any

from esterward.chemistry.energy import oil_kj_per_k
from esterward.values.reactor import Reactor


@dataclass(frozen=True, slots=True)
class Parameters:
    """Plain numbers, units in the names. None means: derived from the reactor (see plant.py).

    Thermal: element_j_per_k 0.7 J/K per watt (a 3 kW element has about 2 kJ/K, from memory);
    element_rise_k is the element's surface above stirred oil at full power (from memory, about
    1 W/cm2), still_factor how much worse still oil takes the heat; lag_a_s, lag_b_s greased
    thermowells (20..60 s, from memory); pump_w the pump's heat that ends in the liquid.
    Electrical: contactor delays (from memory, 20 ms class). Chemistry: see reaction.py.
    """

    # vessel and heat
    element_j_per_k: float | None = None
    element_rise_k: float = 40.0
    still_factor: float = 0.55
    vessel_kg: float | None = None
    wall_w_per_k: float | None = None
    pump_w: float | None = None
    mains: float = 1.0
    room_c: float | None = None
    room_swing_k: float = 0.0
    weather_kpa: float = 0.0
    # probes
    lag_a_s: float = 25.0
    lag_b_s: float = 30.0
    offset_a_k: float = 0.0
    offset_b_k: float = 0.0
    jitter_k: float = 0.0
    lost_share: float = 0.0
    # switches; shares are of the vessel's volume
    float_share: float = 0.20
    element_share: float = 0.15
    suction_share: float = 0.03
    cutout_c: float = 130.0
    cutout2_c: float | None = None
    k1_delay_s: float = 0.02
    k2_delay_s: float = 0.02
    mixer_proof_s: float = 1.0
    # the oil
    titration_ml: float | None = None
    oil_water_mg_per_kg: float = 700.0
    oil_free_water_share: float = 0.0
    fat_melts_c: float | None = None
    # the reaction
    kinetics: str = "darnoko-cheryan"
    mixing_limited: bool = True
    glycerol_separates: bool = True
    soap_forms: bool = True
    reaction_j_per_mol: float = 0.0
    # washing and drying
    wash_water_c: float = 30.0
    tap_ph: float = 7.4
    air_humidity: float = 0.60
    air_l_per_min: float = 60.0
    spray_l_per_min: float = 60.0
    # steps of the slow physics
    slow_s: float = 1.0


# Least time constant of the element when the measured run-on leaves it hardly any.
ELEMENT_LEAST_S = 5.0
USUAL_PROBE_LAG_S = 25.0
STEEL_J_PER_KG_K = 490.0
ELEMENT_J_PER_K_W = 0.7


def measured(reactor: Reactor) -> dict[str, float]:
    """Parameters that [measured] of reactor.toml implies; empty when nothing was measured.

    The probe's share of the run-on, when it was not measured, is taken as USUAL_PROBE_LAG_S,
    half of the run-on at most. Heat beyond that of oil and element is given to the wall.
    """
    told: dict[str, float] = {}
    element_j_per_k = ELEMENT_J_PER_K_W * reactor.element_w
    run_on_s, lag_s = reactor.measured_run_on_s, reactor.measured_probe_lag_s
    if run_on_s is not None and lag_s is None:
        lag_s = min(USUAL_PROBE_LAG_S, 0.5 * run_on_s)
    if lag_s is not None:
        told["lag_a_s"] = lag_s
    if run_on_s is not None and lag_s is not None:
        element_s = max(ELEMENT_LEAST_S, run_on_s - lag_s)
        told["element_rise_k"] = element_s / ELEMENT_J_PER_K_W
    if reactor.measured_heat_kj_per_k is not None and reactor.measured_oil_l is not None:
        beside = 1000.0 * (reactor.measured_heat_kj_per_k - oil_kj_per_k(reactor.measured_oil_l))
        told["vessel_kg"] = max(0.0, beside - element_j_per_k) / STEEL_J_PER_KG_K
    return told


def read_parameters(given: dict[str, Any], reactor: Reactor | None = None) -> Parameters:
    """From keyword arguments, else as measured; ValueError for unknown names and wrong values."""
    known = {f.name: f.default for f in fields(Parameters)}
    unknown = sorted(set(given) - set(known))
    if unknown:
        raise ValueError(f"plant: no parameter {', '.join(unknown)}; known: "
                         f"{', '.join(sorted(known))}")
    wrong = [f"{name} = {value!r}" for name, value in given.items()
             if not _fits(known[name], value)]
    if wrong:
        raise ValueError(f"plant: {', '.join(wrong)}: write a number without quotes, never nan or "
                         "inf; only kinetics is a text, and what is true or false stays so")
    return Parameters(**{**(measured(reactor) if reactor is not None else {}), **given})


def _fits(default: Any, value: Any) -> bool:
    """Whether a parameter with this default can hold this value."""
    if isinstance(default, bool | str):
        return isinstance(value, type(default))
    return value is default or (
        isinstance(value, int | float) and not isinstance(value, bool) and isfinite(value))
