"""The limits that follow from altitude and pressure. Outside sources: tests/reference."""

from __future__ import annotations

import ast
import inspect

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from esterward.chemistry import boiling

ALTITUDES = st.floats(*boiling.ALTITUDE_RANGE_M)
PRESSURES = st.floats(*boiling.PRESSURE_RANGE_KPA)


def four(here: boiling.Limits) -> tuple[float, float, float, float]:
    return here.setpoint_max_c, here.alarm_c, here.trip_c, here.guard_trip_c


def test_without_a_barometer_3_5_kpa_are_left_for_weather() -> None:
    here = boiling.limits(1120.0)
    assert here.pressure_kpa == boiling.standard_pressure_kpa(1120.0)
    assert here.p_eff_kpa == pytest.approx(here.pressure_kpa - 3.5, abs=1e-12)
    boils_c = boiling.boiling_point_c(here.p_eff_kpa)
    assert four(here) == pytest.approx((boils_c - 5, boils_c - 4, boils_c - 3, boils_c - 2))


def test_the_boiling_point_shown_is_at_the_pressure_and_not_at_the_lower_one() -> None:
    here = boiling.limits(1120.0, 86.0)
    assert here.boiling_c == boiling.boiling_point_c(86.0)
    assert here.p_eff_kpa == 85.0


def test_a_barometer_above_the_standard_atmosphere_loosens_nothing() -> None:
    standard = boiling.standard_pressure_kpa(500.0)
    assert four(boiling.limits(500.0, standard + 3.9)) == four(boiling.limits(500.0, standard))
    assert boiling.limits(500.0, standard + 3.9).p_eff_kpa == pytest.approx(standard - 1.0)


@given(ALTITUDES, PRESSURES)
def test_a_barometer_that_cannot_be_believed_is_never_looser_than_none(
    altitude_m: float, kpa: float
) -> None:
    assume(boiling.pressure_disagrees(altitude_m, kpa))
    here, none = boiling.limits(altitude_m, kpa), boiling.limits(altitude_m)
    assert all(h <= n for h, n in zip(four(here), four(none), strict=True))
    # Not even what is only told: sea-level pressure does not make methanol boil later here.
    assert here.boiling_c <= none.boiling_c


def test_62_8_degc_caps_every_limit_below_sea_level() -> None:
    low = boiling.limits(-430.0)
    assert low.guard_trip_c == 62.8
    assert low.trip_c < 62.8


@pytest.mark.parametrize("altitude_m", [-430.0, 5000.0])
def test_both_ends_of_the_range_are_allowed(altitude_m: float) -> None:
    assert boiling.limits(altitude_m).altitude_m == altitude_m


@pytest.mark.parametrize("altitude_m", [-430.1, 5000.1])
def test_an_altitude_just_outside_is_refused_with_the_range(altitude_m: float) -> None:
    with pytest.raises(ValueError, match=r"altitude must be a number from -430 to 5000 m, not"):
        boiling.limits(altitude_m)


@pytest.mark.parametrize("kpa", [49.9, 110.1, 1013.25, 29.9])
def test_a_pressure_outside_is_refused_with_the_range(kpa: float) -> None:
    with pytest.raises(ValueError, match="pressure must be a number from 50 to 110 kPa, not"):
        boiling.boiling_point_c(kpa)
    with pytest.raises(ValueError, match="barometer reading must be a number from 50 to 110 kPa"):
        boiling.limits(0.0, kpa)


def test_sea_level_pressure_at_altitude_disagrees_and_four_kpa_is_the_line() -> None:
    standard = boiling.standard_pressure_kpa(1120.0)
    assert boiling.pressure_disagrees(1120.0, 101.3)
    assert not boiling.pressure_disagrees(1120.0, standard + 3.999)
    assert not boiling.pressure_disagrees(1120.0, standard - 3.999)
    assert boiling.pressure_disagrees(1120.0, standard + 4.001)
    assert boiling.pressure_disagrees(1120.0, standard - 4.001)


def test_the_limits_without_methanol_are_in_order() -> None:
    assert (boiling.DRY_SETPOINT_MAX_C, boiling.CLEAR_SETPOINT_MAX_C, boiling.CLEAR_ALARM_C,
            boiling.CLEAR_TRIP_C, boiling.CLEAR_GUARD_TRIP_C) == (65.0, 110.0, 112.0, 113.0, 115.0)


def test_the_file_needs_nothing_but_math_and_dataclasses() -> None:
    # The guard imports it.
    tree = ast.parse(inspect.getsource(boiling))
    names = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
    names |= {a.name for node in ast.walk(tree) if isinstance(node, ast.Import)
              for a in node.names}
    assert names == {"__future__", "dataclasses", "math"}


@given(ALTITUDES, ALTITUDES)
def test_higher_is_never_warmer(one: float, other: float) -> None:
    low, high = boiling.limits(min(one, other)), boiling.limits(max(one, other))
    assert all(h <= lo for h, lo in zip(four(high), four(low), strict=True))
    assert high.boiling_c <= low.boiling_c
    assert high.pressure_kpa <= low.pressure_kpa


@given(ALTITUDES, PRESSURES, PRESSURES)
def test_a_lower_barometer_never_loosens_a_limit(
    altitude_m: float, one: float, other: float
) -> None:
    # Above it a reading is not believed and counts as none.
    assume(max(one, other) <= boiling.standard_pressure_kpa(altitude_m) + 4.0)
    low = four(boiling.limits(altitude_m, min(one, other)))
    high = four(boiling.limits(altitude_m, max(one, other)))
    assert all(lo <= h for lo, h in zip(low, high, strict=True))


@given(ALTITUDES, st.none() | PRESSURES)
def test_the_limits_stand_in_order_below_the_boiling_point(
    altitude_m: float, barometer_kpa: float | None
) -> None:
    here = boiling.limits(altitude_m, barometer_kpa)
    setpoint, alarm, trip, guard = four(here)
    assert setpoint < alarm < trip < guard <= 62.8
    assert guard <= boiling.boiling_point_c(max(50.0, here.p_eff_kpa)) - 2.0 + 1e-9


@given(PRESSURES)
def test_boiling_point_and_vapour_pressure_are_inverse(kpa: float) -> None:
    c = boiling.boiling_point_c(kpa)
    assert boiling.vapour_pressure_kpa(c) == pytest.approx(kpa, rel=1e-9)
