"""What can be seen of the plant: the truth for a test, and what a person observes.

Observations are as coarse as the real ones: a titre has scatter, the conversion check sees
triglyceride only, clear water does not mean dry fuel.
"""

from __future__ import annotations

from random import Random

from esterward.values.batch import Batch
from esterward.values.reactor import Reactor
from esterward_sim.plant.contents import KG_TG, Contents, methanol_density
from esterward_sim.plant.electrical import Electrical
from esterward_sim.plant.parameters import Parameters
from esterward_sim.plant.separation import Separation
from esterward_sim.plant.thermal import Thermal
from esterward_sim.plant.vapour import Vapour, methanol_boils_c
from esterward_sim.plant.vessel import Vessel

CLEAR_TG_SHARE = 0.03  # of the fuel's mass; no source: the tube is coarse, see facts in the docs


class Observations:
    """Read-only; nothing here changes the plant (a titration draws from its chance)."""

    reactor: Reactor
    batch: Batch
    p: Parameters
    rng: Random
    contents: Contents
    thermal: Thermal
    electrical: Electrical
    separation: Separation
    vapour: Vapour
    vessel: Vessel
    true_titration_ml: float
    level_l: float

    @property
    def pressure_kpa(self) -> float:
        """True air pressure here and now."""
        raise NotImplementedError

    @property
    def boiling_c(self) -> float:
        """True boiling point of pure methanol here and now."""
        return methanol_boils_c(self.pressure_kpa)

    @property
    def oil_c(self) -> float:
        """True bulk temperature."""
        return self.thermal.oil_c

    @property
    def flows(self) -> bool:
        """Whether the pump would move what is there: enough of it, and not set."""
        return self.electrical.can_flow

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

    @property
    def glycerol_drained_l(self) -> float:
        """Glycerol layer drained so far, litres."""
        return self.vessel.glycerol_drained_l

    @property
    def water_drained_l(self) -> float:
        """Water drained so far, litres."""
        return self.vessel.water_drained_l

    @property
    def fuel_drained_l(self) -> float:
        """Fuel lost through the drain so far, litres."""
        return self.vessel.fuel_drained_l

    def energy_error_j(self) -> float:
        """Stored heat minus what came and went since the start; near 0."""
        return self.vessel.energy_error_j()

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
