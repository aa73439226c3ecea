"""The vessel's books: what flows in and out, its heat capacity, and every joule that came along.

Amounts change here by pouring and draining; reaction, vapour and separation change them too,
and weigh() books what that did to the stored heat at the present temperature, so that the
energy balance closes whatever happens to the contents.
"""

from __future__ import annotations

from esterward.values.batch import Batch
from esterward_sim.plant import dose
from esterward_sim.plant.contents import (
    CP_METHANOL,
    CP_OIL_0,
    CP_OIL_1,
    CP_WATER,
    FAT_LATENT_J_PER_KG,
    FAT_SPAN_K,
    KG_BASE,
    KG_FFA,
    KG_METHANOL,
    KG_TG,
    OIL_SLOPE,
    Contents,
    methanol_density,
)
from esterward_sim.plant.parameters import Parameters
from esterward_sim.plant.separation import Separation
from esterward_sim.plant.thermal import Thermal


class Vessel:
    """Contents with their heat. booked_j: net heat that came with liquids and changes, J."""

    def __init__(self, contents: Contents, thermal: Thermal, separation: Separation, batch: Batch,
                 p: Parameters, true_titration_ml: float) -> None:
        self.contents, self.thermal, self.separation = contents, thermal, separation
        self._purity = batch.catalyst_purity
        self._water_share = p.oil_water_mg_per_kg * 1e-6
        self._free_water_share = p.oil_free_water_share
        active = batch.catalyst_purity if batch.titrant == "same stock" else 1.0
        grams_per_l = true_titration_ml * batch.titrant_g_per_l * active / batch.titration_sample_ml
        # free acid that the titration would find, mol per litre of oil at 20 degC
        self._acid_mol_per_l = grams_per_l / 1000.0 / KG_BASE[batch.catalyst_kind]
        self._c0 = self._c1 = self._fat_kg = 0.0
        self._started_j = thermal.stored_j()
        self.booked_j = 0.0
        self.glycerol_drained_l = self.water_drained_l = self.fuel_drained_l = 0.0

    def capacity(self, t_c: float) -> float:
        """Heat capacity of the liquid at t_c, J/K, melting included."""
        capacity = self._c0 + self._c1 * t_c
        melts_c = self.contents.fat_melts_c
        if melts_c is not None and abs(t_c - melts_c) < 0.5 * FAT_SPAN_K:
            capacity += self._fat_kg * FAT_LATENT_J_PER_KG / FAT_SPAN_K
        return capacity

    def liquid_j(self, t_c: float) -> float:
        """Heat in the liquid above 0 degC as last weighed."""
        return ((self._c0 + 0.5 * self._c1 * t_c) * t_c
                + self.contents.melting_j(self._fat_kg, t_c))

    def weigh(self) -> None:
        """Take the heat capacity of what is there now; book the change."""
        oil_c = self.thermal.oil_c
        before_j = self.liquid_j(oil_c)
        self._take_terms()
        self.booked_j += self.liquid_j(oil_c) - before_j

    def _take_terms(self) -> None:
        self._c0, self._c1 = self.contents.heat_terms()
        self._fat_kg = self.contents.oil_kg

    def _settle_at(self, heat_j: float) -> None:
        """Bring the liquid to exactly this heat (mixing by the thermal part is linear)."""
        for _ in range(3):
            oil_c = self.thermal.oil_c
            capacity = self.capacity(oil_c)
            if capacity < 1.0:
                return
            self.thermal.warm(heat_j - self.liquid_j(oil_c), capacity)

    def energy_error_j(self) -> float:
        """Stored minus what came and went since the start; near 0."""
        t = self.thermal
        stored_j = t.stored_j() - self._started_j + self.liquid_j(t.oil_c)
        return stored_j - (t.element_j + t.pump_j - t.lost_j - t.vapour_j + self.booked_j)

    def let_in(self, kind: str, litres: float, grams: float, at_c: float, mixed: bool) -> None:
        """Liquid of at_c joins (litres of oil at at_c, of methanol at 20 degC, of water = kg)."""
        c, oil_c = self.contents, self.thermal.oil_c
        before, before_j = self.capacity(oil_c), self.liquid_j(oil_c)
        heat_j = 0.0
        if kind == dose.OIL:
            kg = litres * (c.oil_density_20 - OIL_SLOPE * (at_c - 20.0)) / 1000.0
            acid = self._acid_mol_per_l * kg / c.oil_density_20 * 1000.0
            c.ffa += acid
            c.tg += max(0.0, kg - acid * KG_FFA) / KG_TG
            water_kg = kg * self._water_share
            c.water_kg += water_kg
            free_kg = litres * self._free_water_share
            c.suspended_water_kg += free_kg
            j_per_k = kg * CP_OIL_0 + (water_kg + free_kg) * CP_WATER
            heat_j = 0.5 * kg * CP_OIL_1 * at_c * at_c + c.melting_j(kg, at_c)
        elif kind == dose.METHOXIDE:
            kg = litres * methanol_density(20.0) / 1000.0
            pure_kg = grams / 1000.0 * self._purity
            wet_kg = grams / 1000.0 - pure_kg
            c.methanol += kg / KG_METHANOL
            c.base += pure_kg / c.base_kg_per_mol
            c.water_kg += wet_kg
            j_per_k = kg * CP_METHANOL + pure_kg * CP_OIL_0 + wet_kg * CP_WATER
        else:
            c.free_water_kg += litres
            self.separation.washed_l += litres
            j_per_k = litres * CP_WATER
        heat_j += j_per_k * at_c
        self.thermal.pour(before, j_per_k, at_c, mixed)
        self.booked_j += heat_j
        self._take_terms()
        self._settle_at(before_j + heat_j)

    def let_out(self, litres: float, water_only: bool) -> float:
        """Drain at the bottom: glycerol layer, then water, then fuel. Gives litres of water."""
        c, separation, thermal = self.contents, self.separation, self.thermal
        oil_c = thermal.oil_c
        before, before_j = self.capacity(oil_c), self.liquid_j(oil_c)
        c0, c1, oil_kg = self._c0, self._c1, self._fat_kg
        if before <= 0.0:
            return 0.0
        if not water_only:
            layer_l = separation.layer_l(c, oil_c)
            if layer_l > 0.0 and litres > 0.0:
                out_l = min(litres, layer_l)
                separation.drain_layer(out_l / layer_l, c)
                self.glycerol_drained_l += out_l
                litres -= out_l
        water_out_l = 0.0
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
        self._take_terms()
        out_c = thermal.drain(before, max(0.0, before - self.capacity(oil_c)))
        heat_j = ((c0 - self._c0 + 0.5 * (c1 - self._c1) * out_c) * out_c
                  + c.melting_j(oil_kg - self._fat_kg, out_c))
        self.booked_j -= heat_j
        self._settle_at(before_j - heat_j)
        return water_out_l

    def run_over(self, litres: float) -> None:
        """This much leaves over the rim: the light phase, and water only when there is no other."""
        c, separation, oil_c = self.contents, self.separation, self.thermal.oil_c
        water_l = separation.water_l(c, oil_c)
        light_l = c.volume_l(oil_c) - water_l
        if light_l > 0.0:
            c.take_fuel(min(1.0, litres / light_l))
        left_l = litres - light_l
        if left_l > 0.0 and water_l > 0.0:
            separation.remove_water(min(1.0, left_l / water_l), c)
        self.weigh()  # what left took its heat along
