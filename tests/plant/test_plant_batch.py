"""A whole healthy batch, and a plant that is copied at any step."""

from copy import deepcopy

import pytest

from esterward.values.readings import Inputs
from esterward_sim.plant import Lines, Plant
from plant.plant_rig import BATCH, CATALYST_G, REACTOR, go, plant_with_oil


def day(plant: Plant) -> dict[str, float]:
    """Fill, heat, dose, mix, settle, drain, wash, dry: the way of a good batch."""
    seen: dict[str, float] = {}
    plant.pour_oil(120.0, 20.0, 600.0)
    go(plant, 700)
    start = plant.time_s
    go(plant, 7200, until=lambda p: p.oil_c >= 55.0, k1=True, mixer=True)
    seen["heat_min"] = (plant.time_s - start) / 60.0
    go(plant, 300, mixer=True)
    seen["before_dose_c"] = plant.oil_c
    can_c = plant.methoxide_c(24.0, CATALYST_G, 18.0, 3600.0)
    plant.pour_methoxide(24.0, CATALYST_G, can_c, 900.0)
    go(plant, 900, mixer=True)
    seen["after_dose_c"] = plant.oil_c
    go(plant, 90 * 60, mixer=True)
    seen["end_mix_c"], seen["clear"] = plant.oil_c, plant.conversion_check()
    go(plant, 8 * 3600, beating=False)
    plant.drain(plant.glycerol_l, 600.0)
    go(plant, 605)
    for share, stirred in ((0.10, False), (0.30, True), (0.30, True), (0.30, True)):
        plant.add_wash_water(share * plant.oil_l, 600.0)
        go(plant, 600)
        go(plant, 600, mixer=stirred)
        go(plant, 3600)
        plant.drain_water()
        go(plant, 900)
    for _ in range(120):
        go(plant, 60, k1=plant.oil_c < 55.0, mixer=True)
    seen["water"] = plant.water_mg_per_kg()
    return seen


def test_a_healthy_batch_goes_as_a_batch_goes_and_its_energy_closes() -> None:
    plant = Plant(REACTOR, BATCH)
    seen = day(plant)
    # facts section 9: 120 L at 3 kW without losses 43 min
    assert 43.0 < seen["heat_min"] < 52.0
    assert 4.5 < seen["before_dose_c"] - seen["after_dose_c"] < 7.5
    assert seen["end_mix_c"] > 45.0
    assert seen["clear"]
    assert plant.water_is_clear()
    assert seen["water"] < 500.0  # EN 14214, EN ISO 12937
    assert plant.boiled_off_l == 0.0 and plant.spilled_l == 0.0
    assert plant.oil_l == pytest.approx(123.0, abs=3.0)  # facts section 3: 1.047..1.055 L per L
    moved = plant.thermal.element_j + plant.thermal.pump_j
    assert abs(plant.energy_error_j()) < 1e-3 * moved


def state(plant: Plant) -> tuple[object, ...]:
    return (plant.time_s, plant.oil_c, plant.element_c, plant.level_l, plant.methanol_l,
            plant.ester_share, plant.glycerol_l, plant.inputs(), plant.probe_a_c(),
            plant.probe_b_c(), plant.titration_ml(), plant.soap_ppm())


def lively(seed: int) -> Plant:
    plant = plant_with_oil(50.0, seed=seed, jitter_k=0.03, lost_share=0.02)
    plant.faults.start("probe_b_drift")
    plant.pour_methoxide(24.0, CATALYST_G, 28.0, 300.0)
    return plant


def test_the_same_seed_gives_the_same_numbers_and_another_does_not() -> None:
    runs = []
    for seed in (7, 7, 8):
        plant, reads = lively(seed), []
        for _ in range(120):
            go(plant, 1, mixer=True)
            reads.append((plant.probe_a_c(), plant.probe_b_c()))
        runs.append((reads, state(plant)))
    assert runs[0] == runs[1]
    assert runs[0][0] != runs[2][0]


@pytest.mark.parametrize("at_s", [0, 1, 3.25, 40, 299.75, 700])
def test_a_copy_made_at_any_step_goes_on_identically(at_s: float) -> None:
    plant = lively(3)
    go(plant, at_s, mixer=True)
    twin = plant.copy()
    for hours in (False, True):
        for seconds in (0.25, 7.5, 600):
            go(plant, seconds, mixer=hours)
            go(twin, seconds, mixer=hours)
            assert state(plant) == state(twin)


def test_a_copied_plant_goes_the_same_way_again_and_the_original_is_not_touched() -> None:
    plant = lively(4)
    go(plant, 100, mixer=True)
    mark = plant.copy()
    go(plant, 500, mixer=True)
    plant.faults.start("k1_welded")
    plant.lid_open = True
    first_c = plant.oil_c
    plant = mark.copy()
    assert "k1_welded" not in plant.faults and not plant.lid_open
    assert mark.time_s == plant.time_s
    go(plant, 500, mixer=True)
    assert plant.oil_c == first_c
    assert mark.time_s == 101.0
    plant.faults.start("probe_a_lost")
    assert plant.probe_a_c() is None and mark.copy().probe_b_c() is not None
    assert "probe_a_lost" not in mark.faults


def test_deep_copying_what_holds_a_plant_twice_gives_one_plant() -> None:
    plant = lively(5)
    rig = deepcopy({"probe": plant, "wires": [plant]})
    assert rig["probe"] is rig["wires"][0] and rig["probe"] is not plant  # type: ignore[index]
    go(plant, 60, mixer=True)
    go(rig["probe"], 60, mixer=True)  # type: ignore[arg-type]
    assert state(plant) == state(rig["probe"])  # type: ignore[arg-type]


def test_a_long_step_is_the_same_as_many_short_ones_of_the_slow_physics() -> None:
    long, short = plant_with_oil(40.0), plant_with_oil(40.0)
    for _ in range(60):
        long.step(60.0, Lines())
        for _ in range(60):
            short.step(1.0, Lines())
    assert long.oil_c == pytest.approx(short.oil_c, abs=1e-9)
    assert long.time_s == pytest.approx(short.time_s)


def test_a_new_plant_is_empty_at_room_temperature_and_safe() -> None:
    plant = Plant(REACTOR, BATCH)
    assert plant.inputs() == Inputs(estop_closed=True, cutout_closed=True, k1_open=True,
                                    k2_open=True)
    assert plant.oil_c == 20.0 and plant.level_l == 0.0 and plant.oil_l == 0.0
    assert plant.probe_a_c() == 20.0 and plant.barometer_kpa() is None
    assert not plant.conversion_check()


def test_half_the_declared_oil_warms_twice_as_fast() -> None:
    full, half = plant_with_oil(20.0), plant_with_oil(20.0, litres=60.0)
    for plant in (full, half):
        go(plant, 900, k1=True, mixer=True)
    assert (half.oil_c - 20.0) / (full.oil_c - 20.0) == pytest.approx(1.9, abs=0.15)
