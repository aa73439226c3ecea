"""What is in the vessel: amounts, masses, volumes, heat capacity. No time, no rates.

Densities: vegetable oil Esteban et al. 2012 (931.0 - 0.64145 t), ester Huber et al. 2009 by
CoolProp (881.0 at 20, 855.5 at 55 degC), methanol de Reuck & Craven 1993 by CoolProp, glycerol
Cheng 2008, water by CoolProp; straight lines through them. Heat capacities: oil Zabransky
(triolein) 2.005 at 20, 2.065 at 55 degC; ester 2.15 (sources differ by 5 %); glycerol 2.37;
methanol mean of 20..55 degC, 2.62; water 4.18; kJ/kg/K. Molar masses: triolein and its steps,
closed so that mass is conserved (glycerol comes out 92.09).
"""

from __future__ import annotations

from dataclasses import dataclass

KG_METHANOL = 0.032042
KG_TG = 0.88543
KG_ESTER = 0.29649
KG_DG = KG_TG + KG_METHANOL - KG_ESTER
KG_MG = KG_DG + KG_METHANOL - KG_ESTER
KG_GLYCEROL = KG_MG + KG_METHANOL - KG_ESTER
KG_FFA = 0.28246
KG_WATER = 0.018015
KG_BASE = {"KOH": 0.0561056, "NaOH": 0.0399971}

CP_OIL_0, CP_OIL_1 = 1970.7, 1.714  # J/kg/K at 0 degC and its slope
CP_ESTER, CP_GLYCEROL, CP_METHANOL, CP_WATER = 2150.0, 2370.0, 2620.0, 4180.0
OIL_SLOPE = 0.64145  # kg/m3/K
FAT_LATENT_J_PER_KG = 60e3  # part of a used fat that is solid when set; from memory
FAT_SPAN_K = 8.0


def methanol_density(t_c: float) -> float:
    """kg/m3 (791.0 at 20, 757.7 at 55 degC)."""
    return 810.0 - 0.951 * t_c


def ester_density(t_c: float) -> float:
    """kg/m3."""
    return 895.6 - 0.7286 * t_c


def glycerol_density(t_c: float) -> float:
    """kg/m3."""
    return 1277.0 - 0.654 * t_c


def water_density(t_c: float) -> float:
    """kg/m3."""
    return 1000.5 - 0.005 * t_c * t_c


@dataclass(slots=True)
class Contents:
    """Amounts in mol, water in kg. Ester-side species first, then the water layer's.

    base is free hydroxide and methoxide together; water_kg is dissolved in oil or ester,
    suspended_water_kg is dispersed in it, free_water_kg stands at the bottom and holds the
    washed_* amounts. How the glycerol is spread is separation.py's.
    """

    oil_density_20: float = 918.0
    base_kg_per_mol: float = KG_BASE["KOH"]
    fat_melts_c: float | None = None
    tg: float = 0.0
    dg: float = 0.0
    mg: float = 0.0
    ester: float = 0.0
    ffa: float = 0.0
    glycerol: float = 0.0
    methanol: float = 0.0
    base: float = 0.0
    soap: float = 0.0
    water_kg: float = 0.0
    suspended_water_kg: float = 0.0
    free_water_kg: float = 0.0
    washed_methanol: float = 0.0
    washed_base: float = 0.0
    washed_soap: float = 0.0
    washed_glycerol: float = 0.0

    @property
    def soap_kg_per_mol(self) -> float:
        """Soap of oleic acid: acid + base - water."""
        return KG_FFA + self.base_kg_per_mol - KG_WATER

    @property
    def oil_kg(self) -> float:
        """Glycerides and free acid."""
        return self.tg * KG_TG + self.dg * KG_DG + self.mg * KG_MG + self.ffa * KG_FFA

    @property
    def ester_kg(self) -> float:
        return self.ester * KG_ESTER

    @property
    def glycerol_kg(self) -> float:
        return (self.glycerol + self.washed_glycerol) * KG_GLYCEROL

    @property
    def methanol_kg(self) -> float:
        """All free methanol, the water layer's share too."""
        return (self.methanol + self.washed_methanol) * KG_METHANOL

    @property
    def soap_kg(self) -> float:
        """All soap and base; they count as one for mass and heat."""
        return ((self.soap + self.washed_soap) * self.soap_kg_per_mol
                + (self.base + self.washed_base) * self.base_kg_per_mol)

    @property
    def all_water_kg(self) -> float:
        return self.water_kg + self.suspended_water_kg + self.free_water_kg

    @property
    def kg(self) -> float:
        """Everything in the vessel."""
        return (self.oil_kg + self.ester_kg + self.glycerol_kg + self.methanol_kg
                + self.soap_kg + self.all_water_kg)

    @property
    def fuel_kg(self) -> float:
        """The light phase: glycerides, free acid, ester."""
        return self.oil_kg + self.ester_kg

    def heat_terms(self) -> tuple[float, float]:
        """(J/K at 0 degC, its slope J/K2) of all contents, without melting."""
        oil_kg = self.oil_kg
        other = (self.ester_kg * CP_ESTER + self.glycerol_kg * CP_GLYCEROL
                 + self.methanol_kg * CP_METHANOL + self.soap_kg * CP_OIL_0
                 + self.all_water_kg * CP_WATER)
        return other + oil_kg * CP_OIL_0, oil_kg * CP_OIL_1

    def melting_j(self, oil_kg: float, t_c: float) -> float:
        """Heat that melting has taken in this much oil at t_c, J."""
        if self.fat_melts_c is None:
            return 0.0
        melted = min(1.0, max(0.0, (t_c - self.fat_melts_c) / FAT_SPAN_K + 0.5))
        return oil_kg * FAT_LATENT_J_PER_KG * melted

    def heat_j(self, t_c: float) -> float:
        """Enthalpy above 0 degC, J, melting included."""
        c0, c1 = self.heat_terms()
        return (c0 + 0.5 * c1 * t_c) * t_c + self.melting_j(self.oil_kg, t_c)

    def volume_l(self, t_c: float) -> float:
        """Litres at t_c, volumes additive."""
        oil_density = self.oil_density_20 - OIL_SLOPE * (t_c - 20.0)
        return 1000.0 * (
            (self.oil_kg + self.soap_kg) / oil_density
            + self.ester_kg / ester_density(t_c)
            + self.glycerol_kg / glycerol_density(t_c)
            + self.methanol_kg / methanol_density(t_c)
            + self.all_water_kg / water_density(t_c)
        )

    def fuel_l(self) -> float:
        """Litres at 20 degC of the light phase without methanol."""
        return 1000.0 * (self.oil_kg / self.oil_density_20 + self.ester_kg / ester_density(20.0))

    def take_fuel(self, share: float) -> None:
        """Remove this share (0..1) of the light phase with what is dissolved in it."""
        keep = 1.0 - share
        for name in ("tg", "dg", "mg", "ester", "ffa", "methanol", "base", "soap", "water_kg",
                     "suspended_water_kg"):
            setattr(self, name, getattr(self, name) * keep)
