"""Layers: glycerol falling, water washing, ester drying.

Settling: three drop sizes fall by Stokes' law through the liquid's height; a class that started
evenly spread has settled in proportion to the distance fallen. Washing: each pool moves toward
an equal-concentration split between ester and water. Drying: air leaves with the water vapour
that the fuel's water can hold up, so fuel never gets drier than the air allows.

Sources: drop fall Stokes (facts checked against fluids.v_terminal in the tests); partition so
that 65 % of spare methanol is in the glycerol layer (estimate from Csernica & Hsu 2011); water
saturation of ester 1355 mg/kg at 20 degC, 22.2 mg/kg/K (He et al.); ester viscosity 3.0 mPa s
at 55 degC. Drop sizes, soap and base partition, emulsion and contact times: common practice's
outcome (glycerol down in an hour, clear in 8-10 h, soap out in 3-5 washes), no source.
"""

from __future__ import annotations

from math import exp, log10, sqrt
from random import Random

from esterward_sim.plant.contents import (
    KG_GLYCEROL,
    KG_METHANOL,
    Contents,
    ester_density,
    glycerol_density,
    methanol_density,
    water_density,
)
from esterward_sim.plant.vapour import LATENT_WATER_J_PER_KG, water_pressure_kpa

DROPS = ((400e-6, 0.80), (80e-6, 0.18), (35e-6, 0.02))  # m, share of the glycerol
LAYER_KG_PER_M3 = 1050.0
ENTRAIN_S = 30.0
# kg/kg in the glycerol layer over kg/kg in the ester
LAYER_METHANOL, LAYER_SOAP, LAYER_BASE, LAYER_WATER = 18.0, 55.0, 87.0, 22.0
# kg/kg in wash water over kg/kg in the ester
WASH_METHANOL, WASH_SOAP, WASH_BASE, WASH_GLYCEROL = 60.0, 12.0, 60.0, 200.0
CONTACT_STIRRED_S, CONTACT_MIST_S, CONTACT_STILL_S = 180.0, 1200.0, 10800.0
WATER_FALLS_S = 1200.0
TAP_BUFFER_MOL_PER_L = 5e-4
SOAP_ACID_CONSTANT = 1e-9  # Kw/Ka of a fatty acid, order of magnitude
CLEAR_G_PER_L = 0.5
GRAVITY = 9.81


def ester_viscosity(t_c: float) -> float:
    """Pa s; 3.0 mPa s at 55 degC, 14 kJ/mol."""
    return 3.0e-3 * exp(14000.0 / 8.314 * (1.0 / (t_c + 273.15) - 1.0 / 328.15))


def fall_speed(drop_m: float, heavier_kg_per_m3: float, viscosity: float) -> float:
    """Stokes' law, m/s."""
    return heavier_kg_per_m3 * GRAVITY * drop_m * drop_m / (18.0 * viscosity)


def saturation_mg_per_kg(t_c: float) -> float:
    """Water that methyl ester can dissolve."""
    return max(300.0, 1355.0 + 22.2 * (t_c - 20.0))


def equilibrium_mg_per_kg(fuel_c: float, air_c: float, humidity: float) -> float:
    """Water left in fuel that meets this air for ever."""
    over = humidity * water_pressure_kpa(air_c) / water_pressure_kpa(fuel_c)
    return saturation_mg_per_kg(fuel_c) * min(1.0, over)


def _in_layer(layer_kg: float, partition: float, fuel_kg: float) -> float:
    """Share of a pool that is in the layer."""
    weight = partition * layer_kg
    return weight / (weight + fuel_kg) if weight > 0.0 else 0.0


class Separation:
    """settled_mol: glycerol that stands as a layer; washed_l: water ever added; dried_kg: water
    that air took; last_wash_*: what the person saw of the water drained last."""

    def __init__(self, height_per_l: float) -> None:
        self.height_per_l = height_per_l
        self._spread = [0.0, 0.0, 0.0]
        self._fallen_m = [0.0, 0.0, 0.0]
        self.settled_mol = 0.0
        self.last_wash_soap_g_per_l: float | None = None
        self.last_wash_ph: float | None = None
        self.washed_l = 0.0
        self.dried_kg = 0.0

    # glycerol

    def mixing(self, dt_s: float, c: Contents) -> None:
        """The pump tears the layer up again."""
        self.settled_mol *= exp(-dt_s / ENTRAIN_S)
        loose = max(0.0, c.glycerol - self.settled_mol)
        for i, (_, share) in enumerate(DROPS):
            self._spread[i] = share * loose
            self._fallen_m[i] = 0.0

    def settle(self, dt_s: float, c: Contents, t_c: float, litres: float) -> None:
        """Drops fall for dt_s seconds."""
        if c.glycerol <= 0.0:
            self.settled_mol = 0.0
            return
        height_m = max(0.02, self.height_per_l * litres)
        fuel_kg = c.fuel_kg
        soap_share = c.soap_kg / fuel_kg if fuel_kg > 0.1 else 0.0
        oil_share = c.oil_kg / fuel_kg if fuel_kg > 0.1 else 0.0
        small = 1.0 / (1.0 + (soap_share / 0.06) ** 2)
        viscosity = ester_viscosity(t_c) * exp(1.9 * oil_share)
        heavier = LAYER_KG_PER_M3 - ester_density(t_c)
        loose = 0.0
        for i, (drop_m, _) in enumerate(DROPS):
            self._fallen_m[i] += dt_s * fall_speed(drop_m * small, heavier, viscosity)
            loose += self._spread[i] * max(0.0, 1.0 - self._fallen_m[i] / height_m)
        self.settled_mol = max(0.0, c.glycerol - loose)

    def layer_shares(self, c: Contents) -> tuple[float, float, float, float]:
        """Share of methanol, soap, base and water that is in the settled layer."""
        layer_kg, fuel_kg = self.settled_mol * KG_GLYCEROL, max(1e-6, c.fuel_kg)
        return (
            _in_layer(layer_kg, LAYER_METHANOL, fuel_kg), _in_layer(layer_kg, LAYER_SOAP, fuel_kg),
            _in_layer(layer_kg, LAYER_BASE, fuel_kg), _in_layer(layer_kg, LAYER_WATER, fuel_kg),
        )

    def layer_l(self, c: Contents, t_c: float) -> float:
        """Litres of the glycerol layer, with what is dissolved in it."""
        if self.settled_mol <= 0.0:
            return 0.0
        methanol, soap, base, water = self.layer_shares(c)
        return 1000.0 * (
            self.settled_mol * KG_GLYCEROL / glycerol_density(t_c)
            + methanol * c.methanol * KG_METHANOL / methanol_density(t_c)
            + (soap * c.soap * c.soap_kg_per_mol + base * c.base * c.base_kg_per_mol) / 1000.0
            + water * c.water_kg / water_density(t_c)
        )

    def drain_layer(self, part: float, c: Contents) -> None:
        """Remove this part (0..1, small) of the glycerol layer."""
        methanol, soap, base, water = self.layer_shares(c)
        gone = self.settled_mol * part
        self.settled_mol -= gone
        c.glycerol = max(0.0, c.glycerol - gone)
        c.methanol -= methanol * part * c.methanol
        c.soap -= soap * part * c.soap
        c.base -= base * part * c.base
        c.water_kg -= water * part * c.water_kg

    # water

    def water_l(self, c: Contents, t_c: float) -> float:
        """Litres of water standing at the bottom (above a glycerol layer, if any)."""
        return 1000.0 * (
            c.free_water_kg / water_density(t_c)
            + c.washed_methanol * KG_METHANOL / methanol_density(t_c)
            + c.washed_glycerol * KG_GLYCEROL / glycerol_density(t_c)
        )

    def wash(self, dt_s: float, c: Contents, t_c: float, mixed: bool, misting: bool,
             slower: float = 1.0) -> None:
        """Water and ester exchange methanol, soap, base, glycerol and water.

        slower: an emulsion lets its water fall this many times slower.
        """
        fuel_kg = c.fuel_kg
        if fuel_kg <= 0.01:
            return
        if c.suspended_water_kg > 0.0 and not mixed:
            soap_ppm = c.soap * c.soap_kg_per_mol / fuel_kg * 1e6
            fall = 1.0 - exp(-dt_s / (WATER_FALLS_S * slower * (1.0 + soap_ppm / 1000.0)))
            fallen_kg = c.suspended_water_kg * fall
            c.suspended_water_kg -= fallen_kg
            c.free_water_kg += fallen_kg
        water_kg = c.free_water_kg + c.suspended_water_kg
        if water_kg <= 0.0:
            return
        time_s = (CONTACT_STIRRED_S if mixed else CONTACT_MIST_S if misting
                  else CONTACT_STILL_S)
        part = 1.0 - exp(-dt_s / time_s)
        saturated_kg = saturation_mg_per_kg(t_c) * 1e-6 * fuel_kg
        if c.water_kg < saturated_kg:
            taken_kg = min(water_kg, (saturated_kg - c.water_kg) * part)
            keep = 1.0 - taken_kg / water_kg
            c.free_water_kg *= keep
            c.suspended_water_kg *= keep
            c.water_kg += taken_kg
        if c.free_water_kg <= 0.0:
            return
        if mixed:
            soap_ppm = c.soap * c.soap_kg_per_mol / fuel_kg * 1e6
            want_kg = fuel_kg * (0.003 + 0.03 * min(1.0, soap_ppm / 4000.0))
            if slower > 1.0:
                want_kg = 0.8 * water_kg  # torn into drops, nearly all of it
            more_kg = min(c.free_water_kg * 0.9,
                          max(0.0, want_kg - c.suspended_water_kg) * part)
            c.free_water_kg -= more_kg
            c.suspended_water_kg += more_kg
        ratio = water_kg / fuel_kg
        for name, partition in (("methanol", WASH_METHANOL), ("soap", WASH_SOAP),
                                ("base", WASH_BASE), ("glycerol", WASH_GLYCEROL)):
            there, here = f"washed_{name}", getattr(c, name)
            washed = getattr(c, there)
            if here + washed <= 0.0:
                continue
            weight = partition * ratio
            moved = ((here + washed) * weight / (weight + 1.0) - washed) * part
            setattr(c, name, here - moved)
            setattr(c, there, washed + moved)
        self.settled_mol = min(self.settled_mol, c.glycerol)

    def shed_excess(self, dt_s: float, c: Contents, t_c: float) -> None:
        """Water beyond saturation (cooling) clouds out."""
        over_kg = c.water_kg - saturation_mg_per_kg(t_c) * 1e-6 * c.fuel_kg
        if over_kg > 0.0 and c.methanol * KG_METHANOL < 0.005 * c.fuel_kg:
            moved_kg = over_kg * (1.0 - exp(-dt_s / 600.0))
            c.water_kg -= moved_kg
            c.suspended_water_kg += moved_kg

    def drain_water(self, part: float, c: Contents) -> None:
        """Remove this part (0..1) of the bottom water and note what it looked like."""
        litres = self.water_l(c, 20.0)
        if litres > 0.1:
            self.last_wash_soap_g_per_l = c.washed_soap * c.soap_kg_per_mol * 1000.0 / litres
            self.last_wash_ph = self.water_ph(c, litres)
        self.remove_water(part, c)

    @staticmethod
    def remove_water(part: float, c: Contents) -> None:
        """This part (0..1) of the bottom water is gone."""
        keep = 1.0 - part
        c.free_water_kg *= keep
        c.washed_methanol *= keep
        c.washed_soap *= keep
        c.washed_base *= keep
        c.washed_glycerol *= keep

    @staticmethod
    def water_ph(c: Contents, litres: float) -> float:
        """pH that base and soap give this water, above the tap's own; 14 at most."""
        base = max(0.0, c.washed_base / litres - TAP_BUFFER_MOL_PER_L)
        soap = sqrt(SOAP_ACID_CONSTANT * max(0.0, c.washed_soap / litres - TAP_BUFFER_MOL_PER_L))
        return 14.0 + log10(base + soap) if base + soap > 1e-13 else 0.0

    # drying

    def dry(self, dt_s: float, c: Contents, fuel_c: float, air_l_per_min: float, air_c: float,
            humidity: float) -> float:
        """Air takes water along for dt_s seconds; gives the heat that takes, J."""
        fuel_kg = c.fuel_kg
        if fuel_kg <= 0.0 or air_l_per_min <= 0.0:
            return 0.0
        now = (c.water_kg + c.suspended_water_kg) / fuel_kg * 1e6
        least = equilibrium_mg_per_kg(fuel_c, air_c, humidity)
        if now <= least:
            return 0.0
        saturated = saturation_mg_per_kg(fuel_c)
        out_kpa = min(1.0, now / saturated) * water_pressure_kpa(fuel_c)
        in_kpa = humidity * water_pressure_kpa(air_c)
        litres = air_l_per_min * dt_s / 60.0
        # ideal gas: kPa * L = J; leaving at the fuel's temperature
        gone_kg = (out_kpa - in_kpa) * litres / (8.314 * (fuel_c + 273.15)) * 0.018015
        gone_kg = max(0.0, min(gone_kg, 0.5 * (now - least) * 1e-6 * fuel_kg))
        loose_kg = min(c.suspended_water_kg, gone_kg)
        c.suspended_water_kg -= loose_kg
        c.water_kg -= gone_kg - loose_kg
        self.dried_kg += gone_kg
        return gone_kg * LATENT_WATER_J_PER_KG

    # what a person sees

    def water_is_clear(self) -> bool:
        """The water drained last was clear (no more than a trace of soap in it)."""
        soap = self.last_wash_soap_g_per_l
        return soap is not None and soap <= CLEAR_G_PER_L

    def soap_ppm(self, c: Contents, rng: Random) -> float:
        """Soap by titration of the fuel, mg/kg; within 5 % (one sigma)."""
        if c.fuel_kg <= 0.0:
            return 0.0
        true = c.soap * c.soap_kg_per_mol / c.fuel_kg * 1e6
        return max(0.0, true * (1.0 + rng.gauss(0.0, 0.05)))
