"""Heat in the plant, checked against closed forms, energy and an independent integration."""

from dataclasses import replace
from itertools import pairwise
from math import exp

import pytest

from esterward_sim.plant.faults import Faults
from esterward_sim.plant.parameters import Parameters
from esterward_sim.plant.probes import WellProbe
from esterward_sim.plant.thermal import Thermal
from libraries import solve_ivp
from plant.plant_rig import BATCH, REACTOR, go, plant_with_oil


def oil_j_per_k(t_c: float, poured_c: float) -> float:
    """120 L of oil measured at poured_c (Esteban et al. 2012: 0.64145 kg/m3/K).

    cp 2.005 at 20, 2.065 at 55 degC: Zabransky (triolein), via thermo 0.6.1.
    """
    kg = 0.120 * (918.0 - 0.64145 * (poured_c - 20.0))
    return kg * (2005.0 + 60.0 * (t_c - 20.0) / 35.0)


@pytest.mark.parametrize("lag_s", [8.0, 25.0, 60.0])
def test_a_step_in_the_oil_reaches_the_probe_as_a_first_order_lag(lag_s: float) -> None:
    probe = WellProbe("a", lag_s, 0.0, 20.0, Faults())
    for second in range(1, 200):
        probe.step(1.0, 60.0, 20.0)
        assert probe.well_c == pytest.approx(60.0 - 40.0 * exp(-second / lag_s), abs=1e-9)


def test_on_a_ramp_the_probe_lags_by_rate_times_time_constant() -> None:
    # facts section 8: 0.64 K/min x 60 s = 0.64 K (first order, closed form)
    probe = WellProbe("a", 60.0, 0.0, 20.0, Faults())
    oil_c = 20.0
    for _ in range(1200):
        oil_c += 0.64 / 60.0
        probe.step(1.0, oil_c, 20.0)
    assert oil_c - probe.well_c == pytest.approx(0.64, abs=0.01)


def test_readings_come_in_sixteenths_of_a_degree() -> None:
    # DS18B20 data sheet: 12 bit, 0.0625 K
    plant = plant_with_oil(40.0)
    seen = set()
    for _ in range(100):
        go(plant, 60)
        for c in (plant.probe_a_c(), plant.probe_b_c()):
            assert c is not None and (c * 16.0).is_integer()
            seen.add(c)
    assert len(seen) > 5
    assert min(high - low for low, high in pairwise(sorted(seen))) == 0.0625  # and no coarser


@pytest.mark.parametrize("loss", [3.0, 8.0, 20.0])
def test_a_stirred_vessel_cools_as_an_independent_integration_says(loss: float) -> None:
    reactor = replace(REACTOR, loss_w_per_k=loss)
    plant = plant_with_oil(55.0, reactor=reactor, pump_w=0.0)
    wall_j_per_k = 0.15 * 200.0 * 490.0
    element_j_per_k = 2100.0
    inside = max(15.0 * loss, 120.0)
    outside = 1.0 / (1.0 / loss - 1.0 / inside)

    def slope(_: float, y: list[float]) -> list[float]:
        oil, wall = y
        to_wall = inside * (oil - wall)
        return [-to_wall / (oil_j_per_k(oil, 55.0) + element_j_per_k),
                (to_wall - outside * (wall - 20.0)) / wall_j_per_k]

    hours = 10
    sun = solve_ivp(slope, (0, hours * 3600), [55.0, 55.0], rtol=1e-8,
                    t_eval=[h * 3600.0 for h in range(1, hours + 1)])
    for hour in range(hours):
        go(plant, 3600, mixer=True)
        assert plant.oil_c == pytest.approx(sun.y[0][hour], abs=0.1)


def test_loss_in_the_steady_state_is_the_reactors_loss_per_kelvin() -> None:
    plant = plant_with_oil(50.0)
    thermal = plant.thermal
    # held at 50 degC the wall finds its place; then watts out = 8 W/K x 30 K
    for _ in range(5000):
        thermal.upper_c = thermal.lower_c = 50.0
        thermal.step(1.0, 0.0, 0.0, True, True, 200e3, 20.0)
    before = thermal.lost_j
    thermal.upper_c = thermal.lower_c = 50.0
    thermal.step(1.0, 0.0, 0.0, True, True, 200e3, 20.0)
    assert thermal.lost_j - before == pytest.approx(8.0 * 30.0, rel=1e-3)


def test_heating_up_follows_an_independent_integration_and_takes_under_an_hour() -> None:
    plant = plant_with_oil(20.0, pump_w=0.0)
    wall_j_per_k, inside, outside = 14700.0, 120.0, 1.0 / (1.0 / 8.0 - 1.0 / 120.0)

    def slope(_: float, y: list[float]) -> list[float]:
        element, oil, wall = y
        given = 75.0 * (element - oil)  # 3 kW at 40 K
        to_wall = inside * (oil - wall)
        return [(3000.0 - given) / 2100.0, (given - to_wall) / oil_j_per_k(oil, 20.0),
                (to_wall - outside * (wall - 20.0)) / wall_j_per_k]

    times = [600.0 * n for n in range(1, 6)]
    sun = solve_ivp(slope, (0, 3000), [20.0, 20.0, 20.0], rtol=1e-8, t_eval=times)
    for n, _ in enumerate(times):
        go(plant, 600, k1=True, mixer=True)
        assert plant.oil_c == pytest.approx(sun.y[1][n], abs=0.1)
        assert plant.element_c == pytest.approx(sun.y[0][n], abs=0.5)
    # facts section 9: 100 L 20 -> 55 degC at 3 kW without losses 36 min, so 120 L 43 min
    again = plant_with_oil(20.0)
    seconds = go(again, 7200, until=lambda p: p.oil_c >= 55.0, k1=True, mixer=True)
    assert 43.0 < seconds / 60.0 < 52.0


def test_what_goes_in_is_what_is_stored_and_lost() -> None:
    plant = plant_with_oil(20.0)
    thermal = plant.thermal
    start_j = thermal.stored_j() + plant.contents.heat_j(20.0)
    go(plant, 3000, k1=True, mixer=True)
    go(plant, 3000)
    go(plant, 1000, k1=True)
    thermal_j = thermal.stored_j() + plant.contents.heat_j(plant.oil_c)
    put_in = thermal.element_j + thermal.pump_j
    assert thermal.element_j == pytest.approx(4000.0 * 3000.0, rel=1e-3)
    assert thermal_j - start_j == pytest.approx(put_in - thermal.lost_j, abs=1e-3 * put_in)


def test_halving_the_slow_step_moves_the_peak_by_less_than_a_twentieth_of_a_kelvin() -> None:
    peaks = []
    for slow_s in (1.0, 0.5):
        plant = plant_with_oil(45.0, litres=60.0, slow_s=slow_s)
        go(plant, 3600, until=lambda p: (p.probe_a_c() or 0.0) >= 55.0, k1=True, mixer=True)
        peak = 0.0
        for _ in range(300):
            go(plant, 1, mixer=True)
            peak = max(peak, plant.oil_c)
        peaks.append(peak)
    assert abs(peaks[0] - peaks[1]) < 0.05
    assert peaks[0] > 55.2  # heat left in the element and the lag make it run on


def test_mains_ten_percent_off_change_the_power_by_the_square() -> None:
    for mains in (0.9, 1.0, 1.1):
        plant = plant_with_oil(20.0, mains=mains)
        go(plant, 600, k1=True, mixer=True)
        assert plant.thermal.element_j == pytest.approx(600 * 3000.0 * mains**2, rel=2e-3)


def test_still_oil_makes_the_element_hotter_and_leaves_the_bottom_cold() -> None:
    still, stirred = plant_with_oil(20.0), plant_with_oil(20.0)
    go(still, 1200, k1=True)
    go(stirred, 1200, k1=True, mixer=True)
    assert still.element_c - still.thermal.upper_c > 1.5 * (stirred.element_c - stirred.oil_c)
    apart = still.thermal.upper_c - still.thermal.lower_c
    assert apart > 5.0
    assert stirred.thermal.upper_c - stirred.thermal.lower_c < 0.5
    mean = still.oil_c
    go(still, 60, mixer=True)
    assert still.thermal.upper_c - still.thermal.lower_c < 0.05
    assert still.oil_c == pytest.approx(mean, abs=0.6)  # the element's own heat joins


def test_warm_oil_below_rises_by_itself() -> None:
    thermal = Thermal(REACTOR, Parameters(), 20.0)
    thermal.upper_c, thermal.lower_c = 30.0, 40.0
    for _ in range(180):
        thermal.step(1.0, 0.0, 0.0, False, True, 200e3, 20.0)
    assert abs(thermal.upper_c - thermal.lower_c) < 0.1


def test_a_bare_element_gains_more_than_a_kelvin_a_second_and_the_probe_does_not_see_it() -> None:
    # hazards section 0: bare 3 kW element, about 2 kJ/K, about 2 K per second
    plant = plant_with_oil(30.0, litres=20.0)
    plant.float_lifted = True  # defeats the level contact
    before = plant.element_c
    go(plant, 60, k1=True)
    assert 1.0 < (plant.element_c - before) / 60.0 < 2.0
    assert plant.probe_a_c() == pytest.approx(30.0, abs=0.2)


def test_set_fat_blocks_the_pump_until_it_has_melted_and_melting_takes_heat() -> None:
    fat, oil = plant_with_oil(20.0, fat_melts_c=35.0), plant_with_oil(20.0)
    for plant in (fat, oil):
        go(plant, 10, mixer=True)
    assert not fat.inputs().mixer_proof and oil.inputs().mixer_proof
    seconds = {}
    for name, plant in (("fat", fat), ("oil", oil)):
        plant.thermal.upper_c = plant.thermal.lower_c = 28.0
        start = plant.thermal.element_j
        go(plant, 7200, until=lambda p: p.oil_c >= 45.0, k1=True, mixer=True)
        seconds[name] = (plant.thermal.element_j - start) / 3000.0
    assert fat.inputs().mixer_proof
    # 60 kJ/kg x 110 kg at 3 kW is 36 min more
    assert 30.0 < (seconds["fat"] - seconds["oil"]) / 60.0 < 42.0


def test_oil_declared_set_is_soft_fat_unless_told_otherwise() -> None:
    # A rehearsal of the person's own file then has the hours of melting in it.
    declared = replace(BATCH, oil_set=True)
    assert not plant_with_oil(27.0, batch=declared).flows
    assert plant_with_oil(29.0, batch=declared).flows
    assert plant_with_oil(27.0, batch=declared, fat_melts_c=20.0).flows


def test_a_wet_oil_stays_near_the_boiling_point_of_water_and_foams_until_it_is_dry() -> None:
    # water boils at 96.2 degC at 88.6 kPa (1,120 m, ISO 2533; IAPWS-95)
    plant = plant_with_oil(90.0, litres=60.0, oil_free_water_share=0.02)
    quiet_l = plant.level_l
    go(plant, 600, k1=True, mixer=True)
    assert plant.oil_c == pytest.approx(96.2, abs=1.5)
    assert plant.level_l > quiet_l + 5.0
    go(plant, 600, k1=True, mixer=True)
    assert plant.oil_c == pytest.approx(96.5, abs=1.5)
    minutes = go(plant, 7200, until=lambda p: p.oil_c > 105.0, k1=True, mixer=True) / 60.0
    assert 2.0 < minutes < 60.0
    assert plant.vapour.boiled_water_kg == pytest.approx(1.2, abs=0.1)
    assert abs(plant.energy_error_j()) < 1e-3 * plant.thermal.element_j


def test_room_that_swings_over_the_day_is_followed_by_a_full_vessel_slowly() -> None:
    plant = plant_with_oil(20.0, room_swing_k=8.0)
    temps = []
    for _ in range(24):
        go(plant, 3600, beating=False)
        temps.append(plant.oil_c)
    assert 0.5 < max(temps) - min(temps) < 12.0
    assert temps.index(max(temps)) > 6  # later than the room's own maximum at 6 h
