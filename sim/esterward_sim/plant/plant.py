"""The whole plant: wires in, readings out, and a person's hands.

step() runs the contacts every call and the slow physics once a second of plant time. What the
parts do is in their own files; this one carries amounts between them and keeps the books. It
knows no controller, no wall clock, and its chance comes from its own seeded generator.
"""

from __future__ import annotations

import copy
from math import ceil, pi, sin
from random import Random
from statistics import fmean
from typing import Any

from esterward.values.batch import Batch
from esterward.values.reactor import Reactor
from esterward.values.readings import Inputs
from esterward_sim.plant import dose
from esterward_sim.plant.contents import (
    CP_METHANOL,
    CP_OIL_0,
    CP_WATER,
    FAT_LATENT_J_PER_KG,
    FAT_SPAN_K,
    KG_BASE,
    KG_FFA,
    KG_METHANOL,
    KG_TG,
    Contents,
    methanol_density,
)
from esterward_sim.plant.electrical import Electrical
from esterward_sim.plant.faults import Faults
from esterward_sim.plant.lines import Lines
from esterward_sim.plant.parameters import read_parameters
from esterward_sim.plant.probes import WellProbe
from esterward_sim.plant.reaction import Reaction
from esterward_sim.plant.separation import Separation
from esterward_sim.plant.thermal import Thermal
from esterward_sim.plant.vapour import Vapour, methanol_boils_c, standard_pressure_kpa

LATER_S = 10.0  # layers, washing, drying, weighing
WEATHER_S = 8 * 3600.0
CLEAR_TG_SHARE = 0.03  # of the fuel's mass; below it 3 mL in 27 mL of methanol looks clear (a)


class Plant:
    """One reactor with what is in it. Litres, degC, seconds, kPa.

    Parameters by keyword: see parameters.Parameters. Faults: plant.faults.start(name), .end(name)
    with the names of faults.ROWS. The vessel starts empty, all at the room's temperature.
    """

    def __init__(self, reactor: Reactor, batch: Batch, seed: int = 1, **parameters: Any) -> None:
        if not (reactor.vessel_l > 0.0 and reactor.element_w > 0.0 and reactor.loss_w_per_k > 0.0):
            raise ValueError("plant: the reactor needs vessel_l, element_w and loss_w_per_k "
                             "above 0")
        p = read_parameters(parameters)
        self.reactor, self.batch, self.p = reactor, batch, p
        self.rng = Random(seed)
        self.faults = Faults()
        self.time_s = 0.0
        self.room_c = reactor.room_c if p.room_c is None else p.room_c
        self.weather_kpa = p.weather_kpa
        vessel_l = reactor.vessel_l
        wall_w_per_k = p.wall_w_per_k
        if wall_w_per_k is None:  # about 60 W/m2/K inside a drum; far above the loss in any case
            wall_w_per_k = max(15.0 * reactor.loss_w_per_k, 0.6 * vessel_l)
        element_j_per_k = p.element_j_per_k
        self.thermal = Thermal(
            reactor.element_w,
            0.7 * reactor.element_w if element_j_per_k is None else element_j_per_k,
            p.element_rise_k, p.still_factor,
            0.15 * vessel_l if p.vessel_kg is None else p.vessel_kg,
            wall_w_per_k, reactor.loss_w_per_k, self._room_now(),
        )
        self._pump_w = 0.4 * vessel_l if p.pump_w is None else p.pump_w
        self.contents = Contents(
            oil_density_20=batch.oil_density_kg_per_l * 1000.0,
            base_kg_per_mol=KG_BASE[batch.catalyst_kind], fat_melts_c=p.fat_melts_c,
        )
        self.electrical = Electrical(reactor, p, self.faults)
        start_c = self.thermal.upper_c
        self.probe_a = WellProbe("a", p.lag_a_s, p.offset_a_k, start_c, self.faults)
        self.probe_b = WellProbe("b", p.lag_b_s, p.offset_b_k, start_c, self.faults)
        self.reaction = Reaction(p.kinetics, p.mixing_limited, p.glycerol_separates, p.soap_forms)
        self.vapour = Vapour()
        diameter_m = (4.0 * vessel_l / 1000.0 / (1.5 * pi)) ** (1.0 / 3.0)
        self.separation = Separation(0.001 / (0.25 * pi * diameter_m * diameter_m))
        self.streams: list[dose.Stream] = []
        self.glycerol_drained_l = 0.0
        self.water_drained_l = 0.0
        self.fuel_drained_l = 0.0
        self.spilled_l = 0.0
        self.spray_head: bool | None = None
        self._level_l = 0.0
        self._volume_at_c = -300.0
        self._changed = True
        self._since_s = 0.0
        self._heat_s = self._mix_s = self._air_s = 0.0
        self._later_s = 0.0
        self._weather_fault_s = 0.0
        self._c0 = self._c1 = self._fat_kg = 0.0
        self._float_l = p.float_share * vessel_l
        self._element_l = p.element_share * vessel_l
        self._suction_l = p.suction_share * vessel_l
        self._cutout2_c = p.cutout2_c
        readings = [ml - batch.titration_blank_ml for ml in batch.titration_readings_ml]
        self.true_titration_ml = (
            p.titration_ml if p.titration_ml is not None else fmean(readings) if readings else 3.0
        )
        self._barometer_kpa = self.pressure_kpa
        self._started_j = self.thermal.stored_j()
        self._booked_j = 0.0

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
        self._heat_s += electrical.power * dt_s
        if electrical.mixer_on:
            self._mix_s += dt_s
        if electrical.air_on:
            self._air_s += dt_s
        self._since_s += dt_s
        if self._since_s >= self.p.slow_s - 1e-9:
            self._slow(self._since_s)
            self._since_s = 0.0

    def _slow(self, dt_s: float) -> None:
        electrical, thermal = self.electrical, self.thermal
        room_c = self._room_now()
        element_j = self._heat_s * self.reactor.element_w
        mixed = self._mix_s > 0.5 * dt_s and electrical.can_flow
        pump_j = self._mix_s * self._pump_w if mixed else 0.0
        self._heat_s = self._mix_s = 0.0
        if self.streams or "drain_open" in self.faults:
            self._flow(dt_s, mixed)
        oil_c = thermal.oil_c
        if self._changed:
            self._weigh()
        capacity = self._capacity(oil_c)
        thermal.step(dt_s, element_j, pump_j, mixed, self._level_l >= self._element_l, capacity,
                     room_c)
        c = self.contents
        if c.base > 0.0 and (mixed or self.reaction.dispersed >= 0.01):
            self._react(dt_s, mixed, capacity)
        if c.methanol > 0.0 or self.vapour.headspace > 1e-6 or oil_c > 90.0:
            self._vaporise(dt_s, mixed, capacity)
        self._later_s += dt_s
        if self._later_s >= LATER_S:
            self._later(self._later_s, mixed, room_c)
            self._later_s = 0.0
        oil_c = thermal.oil_c
        if self._changed or abs(oil_c - self._volume_at_c) > 0.5:
            self._measure(oil_c)
        if "probes_swapped" in self.faults:
            a_c, b_c = thermal.lower_c, thermal.upper_c
        else:
            a_c, b_c = thermal.upper_c, thermal.lower_c
        self.probe_a.step(dt_s, a_c, room_c)
        self.probe_b.step(dt_s, b_c, room_c)

    def _react(self, dt_s: float, mixed: bool, capacity: float) -> None:
        gone_mol = self.reaction.step(dt_s, self.contents, self.thermal.oil_c, mixed)
        if gone_mol and self.p.reaction_j_per_mol:
            joules = gone_mol * self.p.reaction_j_per_mol
            self.thermal.warm(joules, capacity)
            self._booked_j += joules

    def _vaporise(self, dt_s: float, mixed: bool, capacity: float) -> None:
        thermal, vapour, electrical = self.thermal, self.vapour, self.electrical
        was_foam = vapour.foam_l
        joules = vapour.step(
            dt_s, self.contents, thermal.oil_c, thermal.element_c, self._level_l,
            max(1.0, self.reactor.vessel_l - self._level_l), capacity, self.pressure_kpa, mixed,
            electrical.lid_stands_open, electrical.vent_turns,
        )
        if joules:
            thermal.warm(-joules, capacity)
            thermal.vapour_j += joules
            self._changed = True
        elif was_foam > 0.01:
            self._changed = True
        limit = 10.0
        low = max(vapour.detector_percent, self.faults.get("vapour_high") or 0.0) < limit
        if low is not electrical.vapour_low:
            electrical.vapour_low = low
            electrical.refresh()

    def _later(self, dt_s: float, mixed: bool, room_c: float) -> None:
        """The slow things: layers, washing, drying, weather, cut-outs."""
        c, separation = self.contents, self.separation
        oil_c = self.thermal.oil_c
        if c.glycerol > 0.0:
            if mixed:
                separation.mixing(dt_s, c)
            else:
                separation.settle(dt_s, c, oil_c, self._level_l)
        if c.free_water_kg > 0.0 or c.suspended_water_kg > 0.0:
            misting = any(s.kind == dose.WATER for s in self.streams)
            separation.wash(dt_s, c, oil_c, mixed, misting)
        if c.water_kg > 0.0:
            separation.shed_excess(dt_s, c, oil_c)
        air_l_per_min = self._air_s / dt_s * self.p.air_l_per_min
        if mixed and self._spraying():
            air_l_per_min += self.p.spray_l_per_min
        self._air_s = 0.0
        if air_l_per_min:
            joules = separation.dry(dt_s, c, oil_c, air_l_per_min, room_c, self.p.air_humidity)
            if joules:
                self.thermal.warm(-joules, self._capacity(oil_c))
                self.thermal.vapour_j += joules
        self._changed = True
        if "weather" in self.faults:
            self._weather_fault_s += dt_s
        else:
            self._weather_fault_s = 0.0
        if "barometer_stuck" not in self.faults:
            self._barometer_kpa = self.pressure_kpa

    def _spraying(self) -> bool:
        """The pump's return goes to the spray head: told, or once the washing is drained."""
        if self.spray_head is not None:
            return self.spray_head
        c = self.contents
        return self.separation.washed_l > 0.0 and c.free_water_kg < 0.01 * c.fuel_kg

    # ------------------------------------------------------------------ amounts

    def _capacity(self, t_c: float) -> float:
        capacity = self._c0 + self._c1 * t_c
        melts_c = self.contents.fat_melts_c
        if melts_c is not None and abs(t_c - melts_c) < 0.5 * FAT_SPAN_K:
            capacity += self._fat_kg * FAT_LATENT_J_PER_KG / FAT_SPAN_K
        return capacity

    def _liquid_j(self, t_c: float) -> float:
        joules = (self._c0 + 0.5 * self._c1 * t_c) * t_c
        melts_c = self.contents.fat_melts_c
        if melts_c is not None:
            melted = (t_c - melts_c) / FAT_SPAN_K + 0.5
            joules += self._fat_kg * FAT_LATENT_J_PER_KG * min(1.0, max(0.0, melted))
        return joules

    def _weigh(self) -> None:
        """Heat capacity of what is there now; the change at this temperature is booked."""
        oil_c = self.thermal.oil_c
        before_j = self._liquid_j(oil_c)
        self._c0, self._c1 = self.contents.heat_terms()
        self._fat_kg = self.contents.oil_kg
        self._booked_j += self._liquid_j(oil_c) - before_j

    def _measure(self, oil_c: float) -> None:
        """Level and what hangs on it."""
        self._weigh()
        self._changed = False
        self._volume_at_c = oil_c
        level_l = self.contents.volume_l(oil_c) + self.vapour.foam_l
        over_l = level_l - self.reactor.vessel_l
        if over_l > 0.0:
            self.spilled_l += over_l
            self.vapour.foam_l = max(0.0, self.vapour.foam_l - over_l)
            left_over_l = self.contents.volume_l(oil_c) - self.reactor.vessel_l
            if left_over_l > 0.0 and self.contents.fuel_kg > 0.0:
                self.contents.take_fuel(min(0.5, left_over_l / self.contents.volume_l(oil_c)))
                self._changed = True
            level_l = self.reactor.vessel_l
        self._level_l = level_l
        electrical, melts_c = self.electrical, self.contents.fat_melts_c
        covered = level_l >= self._float_l
        can_flow = level_l >= self._suction_l and (melts_c is None or oil_c > melts_c)
        tripped = electrical.cutout_tripped or max(
            self.thermal.upper_c, self.thermal.wall_c
        ) >= self.p.cutout_c
        second_c = self._cutout2_c
        if second_c is None:
            second_c = methanol_boils_c(self.pressure_kpa) - 2.0
        second = self.thermal.upper_c >= second_c
        electrical.can_flow = can_flow
        if (covered, tripped, second) != (electrical.covered, electrical.cutout_tripped,
                                          electrical.cutout2_tripped):
            electrical.covered, electrical.cutout_tripped = covered, tripped
            electrical.cutout2_tripped = second
            electrical.refresh()

    def _flow(self, dt_s: float, mixed: bool) -> None:
        """Let every stream run for dt_s seconds."""
        if "drain_open" in self.faults:
            self._let_out(0.2 * dt_s, False)
        for stream in self.streams:
            litres, grams = stream.take(dt_s)
            if stream.kind == dose.DRAIN:
                self._let_out(litres, False)
            elif stream.kind == dose.DRAIN_WATER:
                if self._let_out(litres, True) <= 0.0:
                    stream.left_l = 0.0
            elif litres > 0.0 or grams > 0.0:
                self._let_in(stream.kind, litres, grams, stream.at_c, mixed)
        self.streams = [s for s in self.streams if s.left_l > 1e-9]
        self._changed = True

    def _let_in(self, kind: str, litres: float, grams: float, at_c: float, mixed: bool) -> None:
        c, oil_c = self.contents, self.thermal.oil_c
        before = self._capacity(oil_c)
        if kind == dose.OIL:
            kg = litres * (c.oil_density_20 - 0.64145 * (at_c - 20.0)) / 1000.0
            acid = self._acid_mol_per_l() * kg / c.oil_density_20 * 1000.0
            c.ffa += acid
            c.tg += max(0.0, kg - acid * KG_FFA) / KG_TG
            water_kg = kg * self.p.oil_water_mg_per_kg * 1e-6
            c.water_kg += water_kg
            free_kg = litres * self.p.oil_free_water_share
            c.suspended_water_kg += free_kg
            joules_per_k = (kg * (CP_OIL_0 + 1.714 * 0.5 * (at_c + oil_c))
                            + (water_kg + free_kg) * CP_WATER)
        elif kind == dose.METHOXIDE:
            kg = litres * methanol_density(20.0) / 1000.0
            pure_kg = grams / 1000.0 * self.batch.catalyst_purity
            wet_kg = grams / 1000.0 - pure_kg
            c.methanol += kg / KG_METHANOL
            c.base += pure_kg / c.base_kg_per_mol
            c.water_kg += wet_kg
            joules_per_k = kg * CP_METHANOL + pure_kg * CP_OIL_0 + wet_kg * CP_WATER
        else:
            kg = litres
            c.free_water_kg += kg
            self.separation.washed_l += litres
            joules_per_k = kg * CP_WATER
        self.thermal.pour(before, joules_per_k, at_c, mixed)
        self._booked_j += joules_per_k * (at_c - oil_c)
        self._weigh()

    def _let_out(self, litres: float, water_only: bool) -> float:
        """Drain at the bottom: glycerol layer, then water, then fuel. Gives litres of water."""
        c, separation, thermal = self.contents, self.separation, self.thermal
        oil_c = thermal.oil_c
        before = self._capacity(oil_c)
        if before <= 0.0:
            return 0.0
        water_out_l = 0.0
        if not water_only:
            layer_l = separation.layer_l(c, oil_c)
            if layer_l > 0.0 and litres > 0.0:
                out_l = min(litres, layer_l)
                separation.drain_layer(out_l / layer_l, c)
                self.glycerol_drained_l += out_l
                litres -= out_l
        water_l = separation.water_l(c, oil_c)
        if water_l > 0.0 and litres > 0.0:
            water_out_l = min(litres, water_l)
            separation.drain_water(water_out_l / water_l, c)
            self.water_drained_l += water_out_l
            litres -= water_out_l
        if not water_only and litres > 1e-9:
            fuel_l = c.volume_l(oil_c)
            if fuel_l > 0.0:
                out_l = min(litres, fuel_l)
                c.take_fuel(out_l / fuel_l)
                self.fuel_drained_l += out_l
        self._weigh()
        out = max(0.0, before - self._capacity(oil_c))
        out_c = thermal.drain(before, out)
        self._booked_j -= out * (out_c - oil_c)
        return water_out_l

    def _acid_mol_per_l(self) -> float:
        """Free acid of the oil that the titration would find."""
        b = self.batch
        active = b.catalyst_purity if b.titrant == "same stock" else 1.0
        grams_per_l = self.true_titration_ml * b.titrant_g_per_l * active / b.titration_sample_ml
        return grams_per_l / 1000.0 / KG_BASE[b.catalyst_kind]

    def energy_error_j(self) -> float:
        """Stored minus what came and went since the start; near 0."""
        t = self.thermal
        stored = t.stored_j() - self._started_j + self._liquid_j(t.oil_c)
        return stored - (t.element_j + t.pump_j - t.lost_j - t.vapour_j + self._booked_j)

    # ------------------------------------------------------------------ what the wires read

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
        return round(self._barometer_kpa, 2)

    # ------------------------------------------------------------------ the truth

    @property
    def pressure_kpa(self) -> float:
        """True air pressure here and now."""
        kpa = standard_pressure_kpa(self.reactor.altitude_m or 0.0) + self.weather_kpa
        swing = self.faults.get("weather")
        if swing is not None:
            kpa += swing * min(1.0, self._weather_fault_s / WEATHER_S)
        return kpa

    @property
    def boiling_c(self) -> float:
        """True boiling point of pure methanol here and now."""
        return methanol_boils_c(self.pressure_kpa)

    @property
    def oil_c(self) -> float:
        """True bulk temperature."""
        return self.thermal.oil_c

    @property
    def element_c(self) -> float:
        """Surface of the element."""
        return self.thermal.element_c

    @property
    def oil_l(self) -> float:
        """Oil and ester in the vessel, litres at 20 degC."""
        return self.contents.fuel_l()

    @property
    def methanol_l(self) -> float:
        """Free methanol in the vessel, all layers, litres at 20 degC."""
        return self.contents.methanol_kg / methanol_density(20.0) * 1000.0

    @property
    def level_l(self) -> float:
        """What the level stands at, foam included, litres."""
        return self._level_l

    @property
    def boiled_off_l(self) -> float:
        """Methanol lost by boiling, litres at 20 degC."""
        return self.vapour.boiled_off_l

    @property
    def element_on(self) -> bool:
        """Current really flows through the element."""
        return self.electrical.power > 0.0

    @property
    def mixer_on(self) -> bool:
        """The pump really turns."""
        return self.electrical.mixer_on

    @property
    def k1_closed(self) -> bool:
        return self.electrical.k1_closed

    @property
    def k2_closed(self) -> bool:
        return self.electrical.k2_closed

    def _room_now(self) -> float:
        room_c = self.faults.get("room")
        if room_c is not None:
            return room_c
        swing_k = self.p.room_swing_k
        if not swing_k:
            return self.room_c
        return self.room_c + swing_k * sin(2.0 * pi * self.time_s / 86400.0)

    # ------------------------------------------------------------------ hands

    def _hand(self, name: str, value: bool) -> None:
        if getattr(self.electrical, name) is not bool(value):
            setattr(self.electrical, name, bool(value))
            self.electrical.refresh()

    @property
    def green(self) -> bool:
        """The green button is down."""
        return self.electrical.green

    @green.setter
    def green(self, value: bool) -> None:
        self._hand("green", value)

    @property
    def black(self) -> bool:
        """The black button is down."""
        return self.electrical.black

    @black.setter
    def black(self, value: bool) -> None:
        self._hand("black", value)

    @property
    def blue(self) -> bool:
        """The blue button is down."""
        return self.electrical.blue

    @blue.setter
    def blue(self, value: bool) -> None:
        self._hand("blue", value)

    @property
    def estop_pressed(self) -> bool:
        """The emergency stop is down; it stays down until released."""
        return self.electrical.estop_pressed

    @estop_pressed.setter
    def estop_pressed(self, value: bool) -> None:
        self._hand("estop_pressed", value)

    @property
    def lid_open(self) -> bool:
        """The lid stands open."""
        return self.electrical.lid_open

    @lid_open.setter
    def lid_open(self, value: bool) -> None:
        self._hand("lid_open", value)

    @property
    def float_lifted(self) -> bool:
        """A hand lifts the float: the level contact closes."""
        return self.electrical.float_lifted

    @float_lifted.setter
    def float_lifted(self, value: bool) -> None:
        self._hand("float_lifted", value)

    @property
    def drain_valve_open(self) -> bool:
        """The drain valve's switch sees it open (drain() opens it by itself)."""
        return self.electrical.drain_open

    @drain_valve_open.setter
    def drain_valve_open(self, value: bool) -> None:
        self._hand("drain_open", value)

    @property
    def methanol_key(self) -> bool:
        """The second cut-out's key stands at methanol: it is then in K2's coil."""
        return self.electrical.methanol_key

    @methanol_key.setter
    def methanol_key(self, value: bool) -> None:
        self._hand("methanol_key", value)

    def reset_cutout(self) -> None:
        """Press the cut-out's own reset; it holds only when cool (10 K below)."""
        if max(self.thermal.upper_c, self.thermal.wall_c) < self.p.cutout_c - 10.0:
            self.electrical.cutout_tripped = False
            self.electrical.refresh()

    def pour_oil(self, litres: float, at_c: float, over_s: float) -> None:
        """Let oil in: litres measured at at_c, over over_s seconds of step()."""
        self.streams.append(dose.stream(dose.OIL, litres, over_s, at_c))

    def pour_methoxide(self, methanol_l: float, catalyst_g: float, at_c: float,
                       over_s: float) -> None:
        """Let methoxide in; methanol_l is measured at 20 degC, catalyst_g as weighed."""
        self.streams.append(dose.stream(dose.METHOXIDE, methanol_l, over_s, at_c, catalyst_g))

    def add_wash_water(self, litres: float, over_s: float) -> None:
        """Mist or run wash water in."""
        self.streams.append(dose.stream(dose.WATER, litres, over_s, self.p.wash_water_c))

    def drain(self, litres: float, over_s: float) -> None:
        """Let this much out at the bottom: glycerol layer first, then water, then fuel."""
        self.streams.append(dose.stream(dose.DRAIN, litres, over_s, 20.0))

    def drain_water(self) -> None:
        """Open the drain until the water is out (0.1 L/s) and look at it."""
        self.streams.append(dose.stream(dose.DRAIN_WATER, 1e4, 1e5, 20.0))

    def stop_pouring(self) -> None:
        """Close every valve; what has not flowed stays in the can."""
        self.streams = []

    @property
    def pouring(self) -> bool:
        """Something still flows, in or out."""
        return bool(self.streams)

    def methoxide_c(self, methanol_l: float, catalyst_g: float, start_c: float,
                    after_s: float) -> float:
        """How warm a can of methoxide is after_s seconds after the last grain dissolved."""
        return dose.methoxide_c(self.batch.catalyst_kind, self.batch.catalyst_purity, catalyst_g,
                                methanol_l, start_c, self._room_now(), after_s)

    # ------------------------------------------------------------------ what a person observes

    def titration_ml(self) -> float:
        """One titration reading of the oil, mL, to 0.05 mL; scatter of 0.08 mL (one sigma)."""
        ml = self.true_titration_ml + self.batch.titration_blank_ml + self.rng.gauss(0.0, 0.08)
        return max(0.0, round(ml * 20.0) / 20.0)

    @property
    def triglyceride_share(self) -> float:
        """Unreacted triglyceride, mass share of the fuel."""
        kg = self.contents.fuel_kg
        return self.contents.tg * KG_TG / kg if kg > 0.0 else 1.0

    @property
    def ester_share(self) -> float:
        """Ester, mass share of the fuel."""
        kg = self.contents.fuel_kg
        return self.contents.ester_kg / kg if kg > 0.0 else 0.0

    def conversion_check(self) -> bool:
        """3 mL in 27 mL of methanol stays clear. Coarse: it sees triglyceride only."""
        return self.triglyceride_share < CLEAR_TG_SHARE

    @property
    def unreacted_ml(self) -> float:
        """Layer at the bottom of the tube of 3 mL, 0 when clear."""
        return 0.0 if self.conversion_check() else round(3.0 * self.triglyceride_share, 2)

    @property
    def glycerol_l(self) -> float:
        """Glycerol layer standing at the bottom now; drained so far is glycerol_drained_l."""
        return self.separation.layer_l(self.contents, self.thermal.oil_c)

    @property
    def water_l(self) -> float:
        """Water standing at the bottom now."""
        return self.separation.water_l(self.contents, self.thermal.oil_c)

    def water_is_clear(self) -> bool:
        """The wash water drained last was clear; False before any was drained."""
        return self.separation.water_is_clear()

    def wash_ph(self) -> float:
        """pH of the wash water drained last, to 0.1; the tap's own before any was drained."""
        ph = self.separation.last_wash_ph
        return round(max(self.p.tap_ph, ph), 1) if ph is not None else self.p.tap_ph

    def soap_ppm(self) -> float:
        """Soap in the fuel by titration, mg/kg, within 5 % (one sigma)."""
        return round(self.separation.soap_ppm(self.contents, self.rng))

    def water_mg_per_kg(self) -> float:
        """Water in the fuel, dissolved and suspended."""
        c = self.contents
        return (c.water_kg + c.suspended_water_kg) / c.fuel_kg * 1e6 if c.fuel_kg > 0.0 else 0.0

    # ------------------------------------------------------------------ copies

    def copy(self) -> Plant:
        """Another plant in the same state; from here both go the same way."""
        other = object.__new__(Plant)
        other.restore(self)
        return other

    def __deepcopy__(self, memo: dict[int, Any]) -> Plant:
        return self.copy()

    def restore(self, other: Plant) -> None:
        """Take over the whole state of another plant."""
        shared = {id(x): x for x in (other.reactor, other.batch, other.p)}
        self.__dict__.update(copy.deepcopy(other.__dict__, dict(shared)))
