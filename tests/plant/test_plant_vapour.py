"""Vapour against CoolProp and the published flammable range; boil-off and the detector."""

import pytest

from esterward_sim.plant import vapour
from esterward_sim.plant.vapour import (
    LOWER_LIMIT,
    UPPER_LIMIT,
    methanol_boils_c,
    methanol_pressure_kpa,
    standard_pressure_kpa,
    water_boils_c,
    water_pressure_kpa,
)
from libraries import props_si
from plant.plant_rig import FULL, go, plant_with_oil


@pytest.mark.parametrize("t_c", [0.0, 10.0, 20.0, 40.0, 55.0, 62.8, 64.5, 75.0])
def test_methanol_vapour_pressure_is_within_one_percent_of_coolprop(t_c: float) -> None:
    reference = props_si("P", "T", t_c + 273.15, "Q", 0, "Methanol") / 1000.0
    assert methanol_pressure_kpa(t_c) == pytest.approx(reference, rel=0.01)


@pytest.mark.parametrize("t_c", [5.0, 20.0, 55.0, 90.0, 100.0])
def test_water_vapour_pressure_is_within_half_a_percent_of_coolprop(t_c: float) -> None:
    reference = props_si("P", "T", t_c + 273.15, "Q", 0, "Water") / 1000.0
    assert water_pressure_kpa(t_c) == pytest.approx(reference, rel=0.005)
    assert water_boils_c(101.325) == pytest.approx(99.97, abs=0.1)


@pytest.mark.parametrize(("altitude_m", "kpa", "boils_c"), [
    (0, 101.325, 64.55), (500, 95.461, 63.04), (1000, 89.876, 61.53), (1500, 84.560, 60.02),
    (2000, 79.501, 58.51), (3000, 70.121, 55.47), (4000, 61.660, 52.43),
])
def test_methanol_boils_where_the_standard_atmosphere_says(
    altitude_m: int, kpa: float, boils_c: float
) -> None:
    # ISO 2533 pressures by fluids 1.3.1; boiling points Ambrose & Sprake 1970 (facts section 1)
    assert standard_pressure_kpa(altitude_m) == pytest.approx(kpa, rel=3e-4)
    assert methanol_boils_c(standard_pressure_kpa(altitude_m)) == pytest.approx(boils_c, abs=0.03)
    assert methanol_pressure_kpa(methanol_boils_c(kpa)) == pytest.approx(kpa, rel=1e-9)


@pytest.mark.parametrize(("t_c", "flammable"), [
    (5.5, False), (8.0, True), (20.0, True), (39.8, True), (41.5, False), (55.0, False),
])
def test_the_headspace_is_flammable_between_7_and_41_degrees(t_c: float, flammable: bool) -> None:
    # 6..36 vol% (IEC 60079-20-1) at 101.325 kPa: 6.7..40.6 degC, +/- 0.4 K
    plant = plant_with_oil(t_c, room_c=t_c, weather_kpa=101.325 - standard_pressure_kpa(1120.0))
    plant.pour_methoxide(24.0, 0.0, t_c, 1.0)
    go(plant, 1500, mixer=True, until=lambda p: abs(p.oil_c - t_c) > 0.3)
    assert plant.vapour.flammable is flammable


def test_the_flammable_range_ends_where_the_facts_say() -> None:
    ends = []
    for limit in (LOWER_LIMIT, UPPER_LIMIT):
        ends.append(methanol_boils_c(limit * 101.325))
    assert ends == pytest.approx([6.7, 40.6], abs=0.4)


def test_the_headspace_fills_to_vapour_pressure_over_local_pressure() -> None:
    plant = plant_with_oil(30.0, room_c=30.0)  # 1,120 m, 88.6 kPa
    plant.pour_methoxide(24.0, 0.0, 30.0, 1.0)
    go(plant, 900, mixer=True)
    share = props_si("P", "T", plant.oil_c + 273.15, "Q", 0, "Methanol") / 88.57e3
    assert plant.vapour.headspace == pytest.approx(share, rel=0.02)


def test_a_hot_headspace_passes_back_into_the_flammable_range_overnight() -> None:
    plant = plant_with_oil(50.0)
    plant.pour_methoxide(24.0, 0.0, 30.0, 60.0)
    go(plant, 1800)
    assert plant.vapour.headspace > UPPER_LIMIT
    rich_s = plant.vapour.flammable_s  # while it filled
    assert rich_s < 1800.0
    since_s = 12 * 3600.0 - go(plant, 12 * 3600, beating=False,
                               until=lambda p: p.vapour.flammable)
    assert plant.vapour.flammable and since_s > 0.0
    go(plant, since_s, beating=False)
    assert plant.vapour.flammable_s == pytest.approx(rich_s + since_s, abs=2.0)


def test_heating_past_the_boiling_point_boils_methanol_off_and_holds_the_temperature() -> None:
    plant = plant_with_oil(55.0)
    plant.pour_methoxide(24.0, 0.0, 50.0, 10.0)
    go(plant, 30)
    boils_c = plant.boiling_c
    assert boils_c == pytest.approx(61.2, abs=0.2)  # 1,120 m
    go(plant, 1800, k1=True, mixer=True)
    assert plant.vapour.boiling
    assert plant.oil_c == pytest.approx(boils_c, abs=0.5)
    lost_l = plant.boiled_off_l
    assert plant.methanol_l + lost_l == pytest.approx(24.0, abs=0.01)
    # all of 3 kW less what the room takes evaporates: 35.8 kJ/mol, 40.5 mL/mol
    go(plant, 600, k1=True, mixer=True)
    expected_l = (3000.0 + 80.0 - 8.0 * (boils_c - 20.0)) * 600.0 / 35.8e3 * 0.0405
    assert plant.boiled_off_l - lost_l == pytest.approx(expected_l, rel=0.03)


def test_the_element_boils_methanol_at_its_surface_long_before_the_bulk_does() -> None:
    plant = plant_with_oil(45.0)
    plant.pour_methoxide(24.0, 0.0, 45.0, 10.0)
    go(plant, 120, k1=True, mixer=True)
    assert plant.vapour.local_boiling and not plant.vapour.boiling
    assert plant.element_c > plant.boiling_c > plant.oil_c
    assert 60.0 < plant.vapour.local_boiling_s < 120.0  # the element warms up first
    go(plant, 300, mixer=True)
    assert plant.vapour.local_boiling_s < 180.0  # and cools in oil that stays below


def test_little_methanol_in_ester_bubbles_far_above_its_own_boiling_point() -> None:
    # facts section 10: 1.8 wt% in ester bubbles near 94 degC (UNIFAC, rough)
    plant = plant_with_oil(60.0, weather_kpa=101.325 - standard_pressure_kpa(1120.0))
    plant.pour_methoxide(2.3, 0.0, 60.0, 1.0)
    go(plant, 10)
    activity = plant.vapour.activity(plant.contents, plant.level_l)
    assert 84.0 < methanol_boils_c(plant.pressure_kpa / activity) < 98.0


def test_opening_the_lid_over_warm_methanol_trips_the_detector_and_closing_ends_it() -> None:
    plant = plant_with_oil(48.0, reactor=FULL)
    plant.pour_methoxide(24.0, 0.0, 40.0, 10.0)
    go(plant, 900, mixer=True)
    assert plant.inputs().vapour_low
    plant.lid_open = True
    go(plant, 60)
    assert plant.inputs().vapour_low is False and plant.inputs().lid_closed is False
    plant.lid_open = False
    go(plant, 120)
    assert plant.inputs().vapour_low


def test_the_vent_fan_thins_the_headspace() -> None:
    plant = plant_with_oil(48.0, reactor=FULL)
    plant.pour_methoxide(24.0, 0.0, 40.0, 10.0)
    go(plant, 1800)
    rich = plant.vapour.headspace
    go(plant, 300, vent=True)
    assert plant.inputs().vent_proof
    assert plant.vapour.headspace < 0.8 * rich


def test_a_falling_barometer_lowers_the_boiling_point() -> None:
    plant = plant_with_oil(20.0, reactor=FULL)
    before_c, shown = plant.boiling_c, plant.barometer_kpa()
    plant.faults.start("weather", -5.0)
    go(plant, 8 * 3600 + 60, beating=False)
    # facts section 1: 0.252 K/kPa near 1 atm, a little more up here
    assert before_c - plant.boiling_c == pytest.approx(1.36, abs=0.1)
    assert shown is not None and plant.barometer_kpa() == pytest.approx(shown - 5.0, abs=0.01)


def test_limits_of_the_flammable_range_are_the_lowest_published() -> None:
    assert (vapour.LOWER_LIMIT, vapour.UPPER_LIMIT) == (0.06, 0.36)  # IEC 60079-20-1
