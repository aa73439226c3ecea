"""Molar masses and the properties of the liquids, each with its source and range.

Curves are our own fits to the values of the source; the largest misfit is given. Molar
masses in g/mol are from IUPAC atomic weights. Oil differs from oil: a density is good to
0.5 %, a heat capacity to 4 %.
"""

from __future__ import annotations

from math import exp
from typing import Final

from esterward.chemistry.ranges import known, within
from esterward.values.batch import CATALYSTS

KOH: Final = 56.1056
NAOH: Final = 39.9971
METHANOL: Final = 32.0419
WATER: Final = 18.0153
GLYCEROL: Final = 92.0938
TRIOLEIN: Final = 885.434
POTASSIUM_OLEATE: Final = 320.552
SODIUM_OLEATE: Final = 304.443
POTASSIUM: Final = 39.0983
SODIUM: Final = 22.9898

BASE_G_PER_MOL: Final = {"KOH": KOH, "NaOH": NAOH}
SOAP_G_PER_MOL: Final = {"KOH": POTASSIUM_OLEATE, "NaOH": SODIUM_OLEATE}
METAL_G_PER_MOL: Final = {"KOH": POTASSIUM, "NaOH": SODIUM}

OIL_KG_PER_L: Final = 0.918        # at 20 degC; soy 0.919, low-erucic rapeseed 0.916 (Lund)
OIL_SLOPE_KG_PER_L_K: Final = -0.00064145  # Esteban et al. 2012, Biomass Bioenergy 42:164

# Heat of solution in water at 25 degC and infinite dilution, kJ/mol (CRC Handbook). No value
# for methanol was found; these are upper bounds for it.
SOLUTION_KJ_PER_MOL: Final = {"KOH": 57.6, "NaOH": 44.5}
BASE_KJ_PER_KG_K: Final = 1.18     # KOH(s) 65 J/mol/K; from memory, and it hardly counts


def base_g_per_mol(kind: str) -> float:
    """Molar mass of "KOH" or "NaOH"."""
    return BASE_G_PER_MOL[known("catalyst kind", kind, CATALYSTS)]


def as_other_base_g(mass_g: float, kind: str) -> float:
    """The mass of the other base (NaOH for KOH and the reverse) with as many moles, 0..1e6 g."""
    mass = within("base mass", mass_g, 0.0, 1e6, "g")
    other = NAOH if known("catalyst kind", kind, CATALYSTS) == "KOH" else KOH
    return mass * other / base_g_per_mol(kind)


def oil_density_kg_per_l(oil_c: float, at_20c_kg_per_l: float = OIL_KG_PER_L) -> float:
    """Density of oil at 0..140 degC from its density at 20 degC (slope: Esteban et al. 2012)."""
    c = within("oil temperature", oil_c, -20.0, 140.0, "degC")
    at_20 = within("oil density", at_20c_kg_per_l, 0.85, 0.98, "kg/L")
    return at_20 + OIL_SLOPE_KG_PER_L_K * (c - 20.0)


def oil_volume_l(cold_l: float, cold_c: float, warm_c: float) -> float:
    """What cold_l litres measured at cold_c become at warm_c; 0..1e4 L, -20..140 degC."""
    litres = within("oil volume", cold_l, 0.0, 1e4, "L")
    return litres * oil_density_kg_per_l(cold_c) / oil_density_kg_per_l(warm_c)


def oil_heat_kj_per_kg_k(oil_c: float) -> float:
    """Heat capacity of oil at -20..140 degC, +-4 %.

    A line through 2.005 at 20 and 2.065 at 55 degC (Zabransky's triolein and the fat of Choi &
    Okos 1986 lie within 0.02 of it).
    """
    return 1.971 + 0.0017143 * within("oil temperature", oil_c, -20.0, 140.0, "degC")


def methanol_density_kg_per_l(methanol_c: float) -> float:
    """Density of methanol at -10..65 degC; fit to de Reuck & Craven 1993 within 0.0002."""
    c = within("methanol temperature", methanol_c, -10.0, 65.0, "degC")
    return 0.8097 - 9.25e-4 * c - 4.0e-7 * c * c


def methanol_heat_kj_per_kg_k(methanol_c: float) -> float:
    """Heat capacity of methanol at -10..65 degC; fit to de Reuck & Craven 1993 within 0.003."""
    c = within("methanol temperature", methanol_c, -10.0, 65.0, "degC")
    return 2.401 + 4.63e-3 * c + 3.03e-5 * c * c


def ester_density_kg_per_l(ester_c: float) -> float:
    """Density of methyl oleate at 0..70 degC; fit to Huber et al. 2009 within 0.0002.

    Esters of soy are 0.007 heavier, of low-erucic rapeseed 0.005.
    """
    c = within("ester temperature", ester_c, 0.0, 70.0, "degC")
    return 0.8887 - 7.51e-4 * c + 4.0e-7 * c * c


def ester_viscosity_mpa_s(ester_c: float) -> float:
    """Viscosity of methyl oleate at 10..65 degC, +-10 %.

    Arrhenius through 6.45 at 20 and 2.88 at 55 degC (REFPROP fit run in the library thermo).
    """
    c = within("ester temperature", ester_c, 10.0, 65.0, "degC")
    return 2.88 * exp(2216.0 * (1.0 / (c + 273.15) - 1.0 / 328.15))


def glycerol_density_kg_per_l(glycerol_c: float) -> float:
    """Density of pure glycerol at 0..100 degC (Cheng 2008, Ind. Eng. Chem. Res. 47:3285)."""
    return 1.277 - 6.54e-4 * within("glycerol temperature", glycerol_c, 0.0, 100.0, "degC")


def water_vapour_kpa(water_c: float) -> float:
    """Vapour pressure of water at 0..100 degC, within 0.2 % (Buck 1981, constants of 1996)."""
    c = within("water temperature", water_c, 0.0, 100.0, "degC")
    return 0.61121 * exp((18.678 - c / 234.5) * c / (257.14 + c))
