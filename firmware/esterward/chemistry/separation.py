"""Settling, washing and drying: how long, how much water, and why clear is not dry."""

from __future__ import annotations

from itertools import pairwise
from typing import Final

from esterward.chemistry import substances
from esterward.chemistry.ranges import within

GRAVITY_M_PER_S2: Final = 9.80665
GLYCEROL_LAYER_KG_PER_L: Final = 1.05  # rich in methanol; 1.05..1.13 (estimate, one study)
LAYER_DROP_UM: Final = 100.0           # drops of this size make the layer one can see
HAZE_DROP_UM: Final = 20.0             # 8 to 10 h over 0.5 m clears these

# Water that methyl ester can hold (He et al., 1,000..1,700 mg/kg from 4 to 35 degC).
SATURATION_20C_MG_PER_KG: Final = 1355.0
SATURATION_SLOPE_MG_PER_KG_K: Final = 22.2
DRY_ENOUGH_MG_PER_KG: Final = 500.0    # EN 14214


def fall_mm_per_s(
    drop_um: float, drop_kg_per_l: float, liquid_kg_per_l: float, viscosity_mpa_s: float
) -> float:
    """How fast a drop of 1..200 um sinks (Stokes); negative when it is lighter and rises.

    Density 0.5..2 kg/L, viscosity 0.2..200 mPa.s. At 200 um in thin ester Stokes is 2 % fast;
    larger drops are refused.
    """
    metres = within("drop size", drop_um, 1.0, 200.0, "um") * 1e-6
    heavier = 1000.0 * (within("drop density", drop_kg_per_l, 0.5, 2.0, "kg/L")
                        - within("liquid density", liquid_kg_per_l, 0.5, 2.0, "kg/L"))
    pa_s = within("viscosity", viscosity_mpa_s, 0.2, 200.0, "mPa.s") / 1000.0
    return 1000.0 * GRAVITY_M_PER_S2 * heavier * metres * metres / (18.0 * pa_s)


def settle_h(drop_um: float, depth_m: float, ester_c: float) -> float:
    """Hours until glycerol drops of a size have sunk 0.01..3 m through ester at 10..65 degC.

    Pure ester, so on the slow side: methanol makes it thinner. Very methanol-rich layers may
    even lie the other way round (Csernica & Hsu 2011, Ind. Eng. Chem. Res. 50:1012).
    """
    speed = fall_mm_per_s(
        drop_um, GLYCEROL_LAYER_KG_PER_L, substances.ester_density_kg_per_l(ester_c),
        substances.ester_viscosity_mpa_s(ester_c))
    return within("depth", depth_m, 0.01, 3.0, "m") * 1000.0 / speed / 3600.0


def wash_water_l(ester_l: float, shares: tuple[float, ...]) -> tuple[float, ...]:
    """Water for each wash, from shares of 0..3 of the ester's volume of 0.01..1e4 L."""
    litres = within("ester volume", ester_l, 0.01, 1e4, "L")
    return tuple(litres * within("wash share", share, 0.0, 3.0, "") for share in shares)


def saturation_mg_per_kg(ester_c: float) -> float:
    """Water in ester that is just clear at 0..65 degC; beyond 4..35 degC extrapolated."""
    c = within("ester temperature", ester_c, 0.0, 65.0, "degC")
    return SATURATION_20C_MG_PER_KG + SATURATION_SLOPE_MG_PER_KG_K * (c - 20.0)


def equilibrium_mg_per_kg(ester_c: float, air_c: float, humidity: float) -> float:
    """The driest that ester gets with air of 0..65 degC and a relative humidity of 0..1.

    The air warms to the ester, so its humidity falls; the ester holds that share of saturation.
    """
    share = within("humidity", humidity, 0.0, 1.0, "") * substances.water_vapour_kpa(
        within("air temperature", air_c, 0.0, 65.0, "degC"))
    return saturation_mg_per_kg(ester_c) * share / substances.water_vapour_kpa(ester_c)


def humidity_for(water_mg_per_kg: float, ester_c: float) -> float:
    """Humidity of air as warm as the ester that leaves 0..5,000 mg/kg; above 1 any air does."""
    water = within("water in ester", water_mg_per_kg, 0.0, 5000.0, "mg/kg")
    return water / saturation_mg_per_kg(ester_c)


def water_to_remove_g(ester_kg: float, from_mg_per_kg: float, to_mg_per_kg: float) -> float:
    """Water that drying takes out of 0.01..1e4 kg of ester, g; 0 when it is drier already."""
    mass = within("ester mass", ester_kg, 0.01, 1e4, "kg")
    wet = within("water before", from_mg_per_kg, 0.0, 1e5, "mg/kg")
    dry = within("water after", to_mg_per_kg, 0.0, 1e5, "mg/kg")
    return mass * max(0.0, wet - dry) / 1000.0


def dipstick_mm(litres: float, rows: tuple[tuple[float, float], ...]) -> float:
    """The mark on the stick for a volume, between the rows (mm, litres); never beyond them."""
    if len(rows) < 2:
        raise ValueError("a dipstick table needs at least two rows")
    pairs = list(pairwise(rows))
    if not all(a[0] < b[0] and a[1] < b[1] for a, b in pairs):
        raise ValueError("a dipstick table must rise in both columns")
    value = within("volume", litres, rows[0][1], rows[-1][1], "L")
    (mm0, l0), (mm1, l1) = next(pair for pair in pairs if value <= pair[1][1])
    return mm0 + (mm1 - mm0) * (value - l0) / (l1 - l0)
