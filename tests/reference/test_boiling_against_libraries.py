"""Boiling point and standard atmosphere beside independent libraries.

CoolProp 8.0.0 (de Reuck & Craven 1993), chemicals 1.5.2 (VDI Heat Atlas in PPDS form, and the
Wagner set of McGarry 1983), fluids 1.3.1 and ambiance 1.3.1 (U.S. Standard Atmosphere 1976).
"""

from __future__ import annotations

import warnings
from collections.abc import Callable

import pytest

from esterward.chemistry import boiling
from libraries import props_si

METHANOL_CAS = "67-56-1"
ALTITUDES_M = [-100.0, *(250.0 * step for step in range(17))]


def by_coolprop(pascal: float) -> float:
    """Boiling point in degC."""
    return props_si("T", "P", pascal, "Q", 0, "Methanol") - 273.15


def by_correlation(vapour_pa: Callable[[float], float]) -> Callable[[float], float]:
    """Turn p(T) into T(p) by halving 0..100 degC."""

    def boils_c(pascal: float) -> float:
        low, high = 273.15, 373.15
        for _ in range(60):
            middle = (low + high) / 2.0
            low, high = (middle, high) if vapour_pa(middle) < pascal else (low, middle)
        return low - 273.15

    return boils_c


def vdi(kelvin: float) -> float:
    """PPDS form of the VDI Heat Atlas, pinned."""
    from chemicals import vapor_pressure
    row = vapor_pressure.Psat_data_VDI_PPDS_3.loc[METHANOL_CAS]
    return float(vapor_pressure.Wagner(
        kelvin, float(row["Tc"]), float(row["Pc"]), *(float(row[k]) for k in "ABCD")))


def mcgarry(kelvin: float) -> float:
    """Wagner set of McGarry 1983, pinned."""
    from chemicals import vapor_pressure
    row = vapor_pressure.Psat_data_WagnerMcGarry.loc[METHANOL_CAS]
    return float(vapor_pressure.Wagner_original(
        kelvin, float(row["Tc"]), float(row["Pc"]), *(float(row[k]) for k in "ABCD")))


LIBRARIES = {"CoolProp": by_coolprop, "VDI": by_correlation(vdi),
             "McGarry": by_correlation(mcgarry)}


@pytest.mark.parametrize("name", LIBRARIES)
@pytest.mark.parametrize("altitude_m", ALTITUDES_M)
def test_the_boiling_point_is_within_0_15_k(name: str, altitude_m: float) -> None:
    kpa = boiling.standard_pressure_kpa(altitude_m)
    assert boiling.boiling_point_c(kpa) == pytest.approx(LIBRARIES[name](1000.0 * kpa), abs=0.15)


@pytest.mark.parametrize("name", LIBRARIES)
@pytest.mark.parametrize("altitude_m", ALTITUDES_M)
def test_every_limit_keeps_its_margin_by_every_library(name: str, altitude_m: float) -> None:
    here = boiling.limits(altitude_m)
    boils_c = LIBRARIES[name](1000.0 * here.p_eff_kpa)
    # Ours is the highest of the sources, by 0.08 K; the margin must swallow that.
    assert here.setpoint_max_c <= boils_c - 4.9
    assert here.alarm_c <= boils_c - 3.9
    assert here.trip_c <= boils_c - 2.9
    assert here.guard_trip_c <= boils_c - 1.9


@pytest.mark.parametrize("altitude_m", [-400.0, *ALTITUDES_M, 5000.0])
def test_the_standard_atmosphere_is_that_of_two_libraries(altitude_m: float) -> None:
    import ambiance
    import fluids
    ours = boiling.standard_pressure_kpa(altitude_m)
    assert ours == pytest.approx(fluids.ATMOSPHERE_1976(altitude_m).P / 1000.0, abs=0.005)
    assert ours == pytest.approx(
        float(ambiance.Atmosphere(altitude_m).pressure[0]) / 1000.0, abs=0.005)


def test_a_geopotential_table_would_differ_by_more() -> None:
    # The altitude of a map is geometric; mixing the two up is 0.013 kPa at 3,000 m.
    geopotential_as_if_geometric = 101.325 * (1.0 - 0.0065 * 3000.0 / 288.15) ** 5.255877
    assert abs(boiling.standard_pressure_kpa(3000.0) - geopotential_as_if_geometric) > 0.010


def test_one_named_method_of_thermo_is_wrong_on_the_unsafe_side_and_ours_is_not_it() -> None:
    from thermo import VaporPressure
    # ANTOINE_WEBBOOK carries only the constants for 353 to 512 K and is extrapolated here.
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)  # thermo leaves its data file open
        trap = VaporPressure(CASRN=METHANOL_CAS)
    method = "ANTOINE_WEBBOOK"
    wrong_c = by_correlation(lambda kelvin: float(trap.calculate(kelvin, method)))(101325.0)
    assert wrong_c == pytest.approx(66.31, abs=0.02)
    ours_c = boiling.boiling_point_c(101.325)
    assert wrong_c - ours_c > 1.7
    assert ours_c == pytest.approx(by_coolprop(101325.0), abs=0.15)
    # With that method the controller's trip would stand where methanol boils less 1.2 K.
    assert wrong_c - boiling.TRIP_MARGIN_K > ours_c - 1.3


def test_coolprop_agrees_on_the_vapour_pressure_too() -> None:
    for c in range(5, 80, 5):
        assert boiling.vapour_pressure_kpa(c) == pytest.approx(
            props_si("P", "T", c + 273.15, "Q", 0, "Methanol") / 1000.0, rel=0.006)
