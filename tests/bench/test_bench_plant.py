"""Cost of one guard cycle (0.25 s) of the plant.

pytest tests/bench/test_bench_plant.py -o addopts=--import-mode=importlib --benchmark-only
"""

from collections.abc import Callable

import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from esterward_sim.plant import Lines, Plant
from plant.plant_rig import CATALYST_G, go, plant_with_oil

CYCLES = 400  # a hundred seconds, so that the slow physics has its share


def heating() -> Plant:
    return plant_with_oil(30.0)


def mixing() -> Plant:
    plant = plant_with_oil(55.0)
    plant.pour_methoxide(24.0, CATALYST_G, 28.0, 0.0)
    go(plant, 60, mixer=True)
    return plant


def dosing() -> Plant:
    plant = plant_with_oil(55.0)
    plant.pour_methoxide(24.0, CATALYST_G, 28.0, 1e6)
    return plant


def settling() -> Plant:
    plant = mixing()
    go(plant, 3600, mixer=True)
    return plant


@pytest.mark.parametrize(("make", "levels"), [
    (heating, {"k1": True, "mixer": True}), (heating, {}), (dosing, {"mixer": True}),
    (mixing, {"mixer": True}), (settling, {}),
], ids=["heat", "idle", "dose", "mix", "settle"])
def test_one_hundred_seconds_of_the_plant(
    benchmark: BenchmarkFixture, make: Callable[[], Plant], levels: dict[str, bool]
) -> None:
    plant = make()
    pair = tuple(Lines(enable=True, beat=bool(i), **levels) for i in (0, 1))

    def run() -> None:
        for i in range(CYCLES):
            plant.step(0.25, pair[i & 1])
            plant.inputs()

    benchmark(run)
    benchmark.extra_info["us_per_cycle"] = benchmark.stats.stats.median / CYCLES * 1e6


def test_a_copy_of_the_whole_plant(benchmark: BenchmarkFixture) -> None:
    plant = mixing()
    benchmark(plant.copy)
