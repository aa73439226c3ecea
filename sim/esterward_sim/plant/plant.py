"""The whole plant: wires in, readings out, and a person's hands.

step() runs the contacts every call and the slow physics once a second of plant time (layers,
washing and drying every ten). What the parts do is in their own files; this one calls them in
order. It knows no controller, no clock, and its chance comes from its own seeded generator.
"""

from __future__ import annotations

import copy
from math import ceil, pi, sin
from random import Random
from statistics import fmean
from typing import Any

from esterward.chemistry.energy import SOFT_FAT
from esterward.values.batch import Batch
from esterward.values.reactor import Reactor
from esterward.values.readings import Inputs
from esterward_sim.plant import dose
from esterward_sim.plant.contents import KG_BASE, Contents
from esterward_sim.plant.electrical import Electrical
from esterward_sim.plant.faults import Faults
from esterward_sim.plant.hands import Hands
from esterward_sim.plant.lines import Lines
from esterward_sim.plant.parameters import read_parameters
from esterward_sim.plant.probes import WellProbe
from esterward_sim.plant.reaction import Reaction
from esterward_sim.plant.separation import Separation
from esterward_sim.plant.thermal import Thermal
from esterward_sim.plant.vapour import (
    FAN_L_PER_MIN,
    LID_L_PER_MIN,
    Vapour,
    methanol_boils_c,
    standard_pressure_kpa,
)
from esterward_sim.plant.vessel import Vessel

LATER_S = 10.0        # period of layers, washing, drying, weighing
WEATHER_S = 8 * 3600.0
DETECTOR_PERCENT = 10.0  # first alarm of a gas detector, % of the lower limit
OPEN_DRAIN_L_PER_S = 0.2


class Plant(Hands):
    """One reactor with what is in it. Litres, degC, seconds, kPa.

    Parameters by keyword: see parameters.Parameters; those of [measured] in reactor.toml hold
    unless given. Faults: plant.faults.start(name), .end(name)
    with the names of faults.ROWS. The vessel starts empty, all at the room's temperature.
    Settable: room_c, weather_kpa (off the standard atmosphere), spray_head (None: the pump
    sprays once washing water was drained), and everything in Hands.
    """

    def __init__(self, reactor: Reactor, batch: Batch, seed: int = 1, **parameters: Any) -> None:
        if not (reactor.vessel_l > 0.0 and reactor.element_w > 0.0 and reactor.loss_w_per_k > 0.0):
            raise ValueError("plant: the reactor needs vessel_l, element_w and loss_w_per_k "
                             "above 0")
        p = read_parameters(parameters, reactor)
        self.reactor, self.batch, self.p = reactor, batch, p
        self.rng = Random(seed)
        self.faults = Faults()
        self.time_s = 0.0
        self.room_c = reactor.room_c if p.room_c is None else p.room_c
        self.weather_kpa = p.weather_kpa
        self._standard_kpa = standard_pressure_kpa(reactor.altitude_m or 0.0)
        readings = [ml - batch.titration_blank_ml for ml in batch.titration_readings_ml]
        self.true_titration_ml = (
            p.titration_ml if p.titration_ml is not None else fmean(readings) if readings else 3.0
        )
        vessel_l = reactor.vessel_l
        start_c = self.room_now_c()
        self.thermal = Thermal(reactor, p, start_c)
        self._pump_w = 0.4 * vessel_l if p.pump_w is None else p.pump_w
        self.contents = Contents(
            oil_density_20=batch.oil_density_kg_per_l * 1000.0,
            base_kg_per_mol=KG_BASE[batch.catalyst_kind], fat_melts_c=p.fat_melts_c
            if p.fat_melts_c is not None or not batch.oil_set else SOFT_FAT[0],
        )
        # a drum half again as high as wide
        diameter_m = (4.0 * vessel_l / 1000.0 / (1.5 * pi)) ** (1.0 / 3.0)
        self.separation = Separation(0.001 / (0.25 * pi * diameter_m * diameter_m))
        self.vessel = Vessel(self.contents, self.thermal, self.separation, batch, p,
                             self.true_titration_ml)
        self.electrical = Electrical(reactor, p, self.faults)
        self.probe_a = WellProbe("a", p.lag_a_s, p.offset_a_k, start_c, self.faults)
        self.probe_b = WellProbe("b", p.lag_b_s, p.offset_b_k, start_c, self.faults)
        self.reaction = Reaction(p.kinetics, p.mixing_limited, p.glycerol_separates, p.soap_forms)
        self.vapour = Vapour()
        self.streams: list[dose.Stream] = []
        self.spray_head: bool | None = None
        self.level_l = 0.0
        self.spilled_l = 0.0
        self._float_l = p.float_share * vessel_l
        self._element_l = p.element_share * vessel_l
        self._suction_l = p.suction_share * vessel_l
        self._measured_c = -300.0
        self._changed = True
        self._since_s = self._later_s = 0.0
        self._heat_s = self._mix_s = self._air_s = 0.0
        self._weather_fault_s = 0.0
        self._shown_kpa = self.pressure_kpa

    # ------------------------------------------------------------------ time

    def step(self, dt_s: float, lines: Lines) -> None:
        """Go on by dt_s seconds with these levels on the wires."""
        if dt_s > self.p.slow_s:
            parts = ceil(dt_s / self.p.slow_s)
            for _ in range(parts):
                self.step(dt_s / parts, lines)
            return
        self.time_s += dt_s
        electrical = self.electrical
        electrical.step(dt_s, lines)
        if electrical.power:
            self._heat_s += electrical.power * dt_s
        if electrical.flowing:
            self._mix_s += dt_s
        if electrical.air_on:
            self._air_s += dt_s
        self._since_s += dt_s
        if self._since_s >= self.p.slow_s - 1e-9:
            self._slow(self._since_s)
            self._since_s = 0.0

    def _slow(self, dt_s: float) -> None:
        thermal, vessel, c, faults = self.thermal, self.vessel, self.contents, self.faults
        room_c = self.room_now_c()
        element_j = self._heat_s * self.reactor.element_w
        mixed = self._mix_s > 0.5 * dt_s
        pump_j = self._mix_s * self._pump_w if mixed else 0.0
        self._heat_s = self._mix_s = 0.0
        if self.streams or "drain_open" in faults:
            self._flow(dt_s, mixed)
        oil_c = thermal.oil_c
        capacity = vessel.capacity(oil_c)
        thermal.step(dt_s, element_j, pump_j, mixed, self.level_l >= self._element_l, capacity,
                     room_c)
        if c.base > 0.0 and (mixed or self.reaction.dispersed >= 0.01):
            gone_mol = self.reaction.step(dt_s, c, oil_c, mixed)
            joules = gone_mol * self.p.reaction_j_per_mol
            if joules:
                thermal.warm(joules, capacity)
                vessel.booked_j += joules
        if c.methanol > 0.0 or self.vapour.headspace > 1e-6 or oil_c > 90.0:
            self._vaporise(dt_s, mixed, capacity)
        self._later_s += dt_s
        if self._later_s >= LATER_S - 1e-9:
            self._later(self._later_s, mixed, room_c)
            self._later_s = 0.0
        oil_c = thermal.oil_c
        if self._changed or abs(oil_c - self._measured_c) > 0.5:
            self._measure(oil_c)
        swapped = bool(faults) and "probes_swapped" in faults
        self.probe_a.step(dt_s, thermal.lower_c if swapped else thermal.upper_c, room_c)
        self.probe_b.step(dt_s, thermal.upper_c if swapped else thermal.lower_c, room_c)
        if faults or self.vapour.detector_percent > 1.0 or not self.electrical.vapour_low:
            self._detect()

    def _flow(self, dt_s: float, mixed: bool) -> None:
        """Let every stream run for dt_s seconds."""
        vessel = self.vessel
        if "drain_open" in self.faults:
            vessel.let_out(OPEN_DRAIN_L_PER_S * dt_s, False)
        for stream in self.streams:
            litres, grams = stream.take(dt_s)
            if stream.kind == dose.DRAIN:
                vessel.let_out(litres, False)
            elif stream.kind == dose.DRAIN_WATER:
                if vessel.let_out(litres, True) <= 0.0:
                    stream.left_l = 0.0
            elif litres > 0.0 or grams > 0.0:
                vessel.let_in(stream.kind, litres, grams, stream.at_c, mixed)
        self.streams = [s for s in self.streams if s.left_l > 1e-9]
        draining = any(s.kind in (dose.DRAIN, dose.DRAIN_WATER) for s in self.streams)
        if draining is not self.electrical.draining:
            self.electrical.draining = draining
            self.electrical.refresh()
        self._changed = True

    def _vaporise(self, dt_s: float, mixed: bool, capacity: float) -> None:
        thermal, vapour, electrical = self.thermal, self.vapour, self.electrical
        foamed = vapour.foam_l > 0.01
        swept_l_per_min = self.p.air_l_per_min if electrical.air_on else 0.0
        if electrical.vent_turns:
            swept_l_per_min += FAN_L_PER_MIN
        if electrical.lid_stands_open:
            swept_l_per_min += LID_L_PER_MIN
        joules = vapour.step(
            dt_s, self.contents, thermal.oil_c, thermal.element_c, self.level_l,
            max(1.0, self.reactor.vessel_l - self.level_l), capacity, self.pressure_kpa, mixed,
            electrical.lid_stands_open, swept_l_per_min,
        )
        if joules:
            thermal.warm(-joules, capacity)
            thermal.vapour_j += joules
        if joules or foamed:
            self._changed = True

    def _later(self, dt_s: float, mixed: bool, room_c: float) -> None:
        """The slow things: layers, washing, drying, weather."""
        c, separation, p = self.contents, self.separation, self.p
        oil_c = self.thermal.oil_c
        if c.glycerol > 0.0:
            if mixed:
                separation.mixing(dt_s, c)
            else:
                separation.settle(dt_s, c, oil_c, self.level_l)
        if c.free_water_kg > 0.0 or c.suspended_water_kg > 0.0:
            misting = any(s.kind == dose.WATER for s in self.streams)
            separation.wash(dt_s, c, oil_c, mixed, misting, self.faults.get("emulsion") or 1.0)
        if c.water_kg > 0.0:
            separation.shed_excess(dt_s, c, oil_c)
        air_l_per_min = self._air_s / dt_s * p.air_l_per_min
        self._air_s = 0.0
        if mixed and self._spraying():
            air_l_per_min += p.spray_l_per_min
        if air_l_per_min:
            joules = separation.dry(dt_s, c, oil_c, air_l_per_min, room_c, p.air_humidity)
            if joules:
                self.thermal.warm(-joules, self.vessel.capacity(oil_c))
                self.thermal.vapour_j += joules
        if "weather" in self.faults:
            self._weather_fault_s += dt_s
        else:
            self._weather_fault_s = 0.0
        if "barometer_stuck" not in self.faults:
            self._shown_kpa = self.pressure_kpa
        self._changed = True

    def _spraying(self) -> bool:
        """The pump's return goes to the spray head: told, or once the washing is drained."""
        if self.spray_head is not None:
            return self.spray_head
        c = self.contents
        return self.separation.washed_l > 0.0 and c.free_water_kg < 0.01 * c.fuel_kg

    def _measure(self, oil_c: float) -> None:
        """Weigh, take the level, and move the switches that hang on it."""
        c, thermal, electrical = self.contents, self.thermal, self.electrical
        self.vessel.weigh()
        self._changed = False
        self._measured_c = oil_c
        liquid_l = c.volume_l(oil_c)
        level_l = liquid_l + self.vapour.foam_l
        full_l = self.reactor.vessel_l
        if level_l > full_l:
            self._spill(liquid_l, level_l - full_l)
            level_l = full_l
        self.level_l = level_l
        covered = level_l >= self._float_l
        melts_c = c.fat_melts_c
        flows = level_l >= self._suction_l and (melts_c is None or oil_c > melts_c)
        hottest_c = max(thermal.upper_c, thermal.wall_c)
        tripped = electrical.cutout_tripped or hottest_c >= self.p.cutout_c
        second_c = self.p.cutout2_c
        if second_c is None:
            second_c = methanol_boils_c(self.pressure_kpa) - 2.0
        second = thermal.upper_c >= second_c
        if (covered, flows, tripped, second) != (
            electrical.covered, electrical.can_flow, electrical.cutout_tripped,
            electrical.cutout2_tripped,
        ):
            electrical.covered, electrical.can_flow = covered, flows
            electrical.cutout_tripped, electrical.cutout2_tripped = tripped, second
            electrical.refresh()

    def _spill(self, liquid_l: float, over_l: float) -> None:
        """What is above the rim runs over into the sump."""
        self.spilled_l += over_l
        self.vapour.foam_l = max(0.0, self.vapour.foam_l - over_l)
        too_much_l = liquid_l - self.reactor.vessel_l
        if too_much_l > 0.0:
            self.vessel.run_over(too_much_l)
            self._changed = True
        self.electrical.sump_wet = self.spilled_l > 0.1
        self.electrical.refresh()

    def _detect(self) -> None:
        """The gas detector's contact."""
        percent = max(self.vapour.detector_percent, self.faults.get("vapour_high") or 0.0)
        low = percent < DETECTOR_PERCENT
        if low is not self.electrical.vapour_low:
            self.electrical.vapour_low = low
            self.electrical.refresh()

    # ------------------------------------------------------------------ what is read

    def inputs(self) -> Inputs:
        """The input lines now, not yet debounced."""
        return self.electrical.inputs(self.rng)

    def probe_a_c(self) -> float | None:
        """The controller's probe: degC in steps of 0.0625 K, None for no value."""
        return self.probe_a.value(self.p.jitter_k, self.p.lost_share, self.rng)

    def probe_b_c(self) -> float | None:
        """The guard's probe, likewise."""
        return self.probe_b.value(self.p.jitter_k, self.p.lost_share, self.rng)

    def barometer_kpa(self) -> float | None:
        """Absolute pressure in kPa to 0.01, None without a barometer or when it is lost."""
        if not self.reactor.barometer or "barometer_lost" in self.faults:
            return None
        if "barometer_sea_level" in self.faults:
            return 101.33
        return round(self._shown_kpa, 2)

    def supply_low(self) -> bool:
        """What the board's own sensor says of its supply."""
        return "supply_low" in self.faults

    @property
    def pressure_kpa(self) -> float:
        """True air pressure here and now."""
        kpa = self._standard_kpa + self.weather_kpa
        swing_kpa = self.faults.get("weather")
        if swing_kpa is not None:
            kpa += swing_kpa * min(1.0, self._weather_fault_s / WEATHER_S)
        return kpa

    def room_now_c(self) -> float:
        """Temperature of the room now: set, swinging over the day, or a fault's."""
        room_c = self.faults.get("room")
        if room_c is not None:
            return room_c
        swing_k = self.p.room_swing_k
        if not swing_k:
            return self.room_c
        return self.room_c + swing_k * sin(2.0 * pi * self.time_s / 86400.0)

    # ------------------------------------------------------------------ copies

    def copy(self) -> Plant:
        """Another plant in the same state; from here both go the same way."""
        return copy.deepcopy(self, {id(x): x for x in (self.reactor, self.batch, self.p)})
