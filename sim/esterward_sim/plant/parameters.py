"""Everything about the plant that reactor.toml and batch.toml do not say.

Defaults are a plausible home reactor: a steel drum with an immersed element and a circulation
pump. Where a figure has no source it says so; a trial varies them.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any


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


def read_parameters(given: dict[str, Any]) -> Parameters:
    """Parameters from keyword arguments; ValueError in one sentence for an unknown name."""
    known = {f.name for f in fields(Parameters)}
    unknown = sorted(set(given) - known)
    if unknown:
        raise ValueError(f"plant: no parameter {', '.join(unknown)}; known: "
                         f"{', '.join(sorted(known))}")
    return Parameters(**given)
