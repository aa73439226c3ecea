"""The plant as the rehearsal uses it."""

from esterward.values.batch import Batch
from esterward.values.reactor import Reactor
from esterward_sim.plant import Lines, Plant

REACTOR = Reactor(vessel_l=200.0, element_w=3000.0, altitude_m=1120.0)
BATCH = Batch(oil_volume_l=120.0, titration_readings_ml=(2.9, 3.1, 3.0), catalyst_purity=0.9)


def go(plant: Plant, seconds: float, **levels: bool) -> None:
    for i in range(int(seconds * 4)):
        plant.step(0.25, Lines(beat=i % 2 == 0, enable=True, **levels))


def test_a_filled_vessel_warms_with_both_contactors_closed_and_not_without() -> None:
    plant = Plant(REACTOR, BATCH)
    plant.pour_oil(120.0, 20.0, 60.0)
    go(plant, 120)
    assert plant.inputs().level_wet
    plant_off = plant.copy()
    go(plant, 600, k1=True, mixer=True)
    assert plant.element_on and plant.inputs().mixer_proof
    assert plant.oil_c > 26.0
    for _ in range(2400):
        plant_off.step(0.25, Lines(k1=True, mixer=True, enable=True))
    assert not plant_off.element_on and plant_off.oil_c < 20.5
