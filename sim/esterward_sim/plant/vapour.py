"""Methanol and water as vapour: boiling points, boil-off, headspace, detector. Air pressure.

Methanol vapour pressure: Ambrose & Sprake 1970 (as listed by the NIST WebBook), kept apart from
the firmware's own so that a slip there shows here. Water: Buck 1981 (from memory; 0.2 % of
IAPWS-95 between 0 and 100 degC). Standard atmosphere: ISO 2533. Flammable range 6..36 vol%:
IEC 60079-20-1. Above 5 vol% of free methanol in the liquid its activity is taken as 1 (the
pure-methanol bound); below, proportional (1.8 wt% then bubbles near 90 degC; UNIFAC gives 94).
"""

from __future__ import annotations

from math import exp, log, log10

from esterward_sim.plant.contents import KG_METHANOL, Contents, methanol_density

LOWER_LIMIT, UPPER_LIMIT = 0.06, 0.36
LATENT_METHANOL_J_PER_MOL = 35.8e3  # 50..65 degC, CoolProp 1128..1101 kJ/kg
LATENT_WATER_J_PER_KG = 2.30e6
FULL_ACTIVITY_SHARE = 0.05
BOIL_S = 15.0        # time constant of flashing down to the boiling point; estimate
FOAM_L_PER_W = 0.004  # foam on boiling wet oil, estimate
R_GAS = 8.314
FAN_L_PER_MIN, LID_L_PER_MIN = 200.0, 50.0  # fresh air through the headspace; estimates
LN10 = log(10.0)


def standard_pressure_kpa(altitude_m: float) -> float:
    """ISO 2533, troposphere; altitude above the sea, not geopotential."""
    geopotential_m = 6356766.0 * altitude_m / (6356766.0 + altitude_m)
    pressure: float = 101.325 * (1.0 - 2.25577e-5 * geopotential_m) ** 5.25588
    return pressure


def methanol_pressure_kpa(t_c: float) -> float:
    """Saturation pressure of pure methanol."""
    return 100.0 * exp(LN10 * (5.20409 - 1581.341 / (t_c + 273.15 - 33.50)))


def methanol_boils_c(kpa: float) -> float:
    """Its inverse."""
    return 1581.341 / (5.20409 - log10(kpa / 100.0)) + 33.50 - 273.15


def water_pressure_kpa(t_c: float) -> float:
    """Saturation pressure of water."""
    return 0.61121 * exp((18.678 - t_c / 234.5) * (t_c / (257.14 + t_c)))


def water_boils_c(kpa: float) -> float:
    """Its inverse between 60 and 120 degC."""
    low_c, high_c = 60.0, 120.0
    for _ in range(30):
        middle_c = 0.5 * (low_c + high_c)
        if water_pressure_kpa(middle_c) < kpa:
            low_c = middle_c
        else:
            high_c = middle_c
    return 0.5 * (low_c + high_c)


class Vapour:
    """headspace is the methanol share of the gas above the liquid, 0..1.

    local_boiling_s, flammable_s: how long methanol boiled at the element's surface, and how long
    the headspace was within the flammable range.
    """

    def __init__(self) -> None:
        self.headspace = 0.0
        self._kpa = self._water_c = -1.0
        self.boiled_off_mol = 0.0
        self.boiled_water_kg = 0.0
        self.foam_l = 0.0
        self.boiling = False
        self.local_boiling = False
        self.local_boiling_s = self.flammable_s = 0.0
        self.detector_percent = 0.0

    @property
    def boiled_off_l(self) -> float:
        """Methanol that left by boiling, litres at 20 degC."""
        return self.boiled_off_mol * KG_METHANOL / methanol_density(20.0) * 1000.0

    @property
    def flammable(self) -> bool:
        """The gas above the liquid is within the flammable range."""
        return LOWER_LIMIT <= self.headspace <= UPPER_LIMIT

    def activity(self, c: Contents, litres: float) -> float:
        """Of methanol over the liquid, 0..1."""
        if c.methanol <= 0.0 or litres <= 0.0:
            return 0.0
        share = c.methanol * KG_METHANOL / 0.79 / litres
        return min(1.0, share / FULL_ACTIVITY_SHARE)

    def step(self, dt_s: float, c: Contents, oil_c: float, element_c: float, litres: float,
             headspace_l: float, capacity_j_per_k: float, kpa: float, mixed: bool, open_: bool,
             swept_l_per_min: float) -> float:
        """Boil, evaporate, dilute for dt_s seconds; gives the heat taken from the liquid, J.

        swept_l_per_min is the fresh air that goes through the headspace.
        """
        joules = 0.0
        self.boiling = self.local_boiling = False
        self.foam_l *= exp(-dt_s / 30.0)
        target = 0.0
        activity = self.activity(c, litres)
        if activity > 1e-6:
            partial_kpa = activity * methanol_pressure_kpa(oil_c)
            target = min(1.0, partial_kpa / kpa)
            self.local_boiling = methanol_boils_c(kpa / activity) < element_c
            if self.local_boiling:
                self.local_boiling_s += dt_s
            if partial_kpa > kpa:
                self.boiling = True
                over_k = oil_c - methanol_boils_c(kpa / activity)
                joules = over_k * capacity_j_per_k * (1.0 - exp(-dt_s / BOIL_S))
                gone = min(c.methanol, joules / LATENT_METHANOL_J_PER_MOL)
                joules = gone * LATENT_METHANOL_J_PER_MOL
                c.methanol -= gone
                self.boiled_off_mol += gone
        water_kg = c.water_kg + c.suspended_water_kg + c.free_water_kg
        if oil_c > 90.0 and water_kg > 1e-6:
            joules += self._boil_water(dt_s, c, oil_c, capacity_j_per_k, kpa)
        time_s = 60.0 if mixed else 600.0
        self.headspace += (target - self.headspace) * (1.0 - exp(-dt_s / time_s))
        if swept_l_per_min:
            swept_l = swept_l_per_min / 60.0 * dt_s
            keep = exp(-swept_l / max(5.0, headspace_l))
            before = self.headspace
            self.headspace *= keep
            gone = (before - self.headspace) * headspace_l * kpa / (R_GAS * (oil_c + 273.15))
            gone = min(gone, c.methanol)
            c.methanol -= gone
            joules += gone * LATENT_METHANOL_J_PER_MOL
        if self.flammable:
            self.flammable_s += dt_s
        # a sixth of what stands under an open lid reaches the detector, unless a fan draws it off
        escapes = 0.15 if open_ and swept_l_per_min < FAN_L_PER_MIN else 0.0
        outside = self.headspace * escapes / LOWER_LIMIT * 100.0
        self.detector_percent += (outside - self.detector_percent) * (1.0 - exp(-dt_s / 10.0))
        return joules

    def _boil_water(self, dt_s: float, c: Contents, oil_c: float, capacity_j_per_k: float,
                    kpa: float) -> float:
        """Free and suspended water boil at the boiling point; dissolved water with its share."""
        if kpa != self._kpa:
            self._kpa, self._water_c = kpa, water_boils_c(kpa)
        over_k = oil_c - self._water_c
        if over_k <= 0.0:
            return 0.0
        loose_kg = c.suspended_water_kg + c.free_water_kg
        dry_kg = 0.0002 * c.fuel_kg
        bound_kg = max(0.0, c.water_kg - dry_kg) * (1.0 - exp(-dt_s / 600.0))
        joules = over_k * capacity_j_per_k * (1.0 - exp(-dt_s / BOIL_S))
        gone_kg = min(loose_kg + bound_kg, joules / LATENT_WATER_J_PER_KG)
        from_loose = min(loose_kg, gone_kg)
        if loose_kg > 0.0:
            keep = 1.0 - from_loose / loose_kg
            c.suspended_water_kg *= keep
            c.free_water_kg *= keep
        c.water_kg -= gone_kg - from_loose
        self.boiled_water_kg += gone_kg
        joules = gone_kg * LATENT_WATER_J_PER_KG
        self.foam_l += joules * FOAM_L_PER_W / 30.0 * (1.0 if from_loose > 0.0 else 0.2)
        return joules
