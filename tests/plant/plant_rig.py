"""A reactor, a batch and a way to let time pass, for the plant's tests."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from esterward.values.batch import Batch
from esterward.values.reactor import Reactor
from esterward_sim.plant import Lines, Plant

REACTOR = Reactor(vessel_l=200.0, element_w=3000.0, altitude_m=1120.0, loss_w_per_k=8.0)
FULL = Reactor(vessel_l=200.0, element_w=3000.0, element_switch="ssr", altitude_m=1120.0,
               barometer=True, rig_level="full",
               fitted=("lid_closed", "vent_proof", "vapour_low", "sump_dry", "drain_closed",
                       "cutout2_closed"))
BATCH = Batch(oil_volume_l=120.0, titration_readings_ml=(2.9, 3.1, 3.0), catalyst_purity=0.9)
CATALYST_G = 120.0 * (3.0 + 7.0 / 0.9)


def plant_with_oil(at_c: float = 20.0, litres: float = 120.0, reactor: Reactor = REACTOR,
                   batch: Batch = BATCH, seed: int = 1, **parameters: Any) -> Plant:
    """A plant with its oil in, vessel and oil at at_c."""
    plant = Plant(reactor, batch, seed, **parameters)
    thermal = plant.thermal
    thermal.element_c = thermal.wall_c = thermal.upper_c = thermal.lower_c = at_c
    plant.probe_a.well_c = plant.probe_b.well_c = at_c
    plant.vessel._started_j = thermal.stored_j()
    plant.pour_oil(litres, at_c, 0.0)
    go(plant, 1.0, beating=False)
    return plant


def go(plant: Plant, seconds: float, until: Callable[[Plant], bool] | None = None,
       beating: bool = True, **levels: bool) -> float:
    """Step in guard cycles with these lines; gives the seconds that passed."""
    levels.setdefault("enable", beating)
    was = plant.electrical.lines.beat
    pair = (Lines(beat=was is not beating, **levels), Lines(beat=was, **levels))
    for i in range(round(seconds * 4)):
        plant.step(0.25, pair[i & 1])
        if until is not None and until(plant):
            return (i + 1) / 4
    return seconds
