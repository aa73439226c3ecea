"""What one question to the heater law, and one effect check, cost.

    python -m pytest tests/bench/test_heating_bench.py --benchmark-only

Numbers to reach: update 5 us median, effect check 2 us. simple-pid stands beside it.
"""

from __future__ import annotations

from itertools import count
from typing import Any

import pytest

from esterward.process.heating import HeaterControl
from esterward.safety import effects
from esterward.safety.effects import EffectState
from esterward_sim.heater_laws import TunedPid
from esterward_sim.heater_plant import Plant, random_vessel

SEED = 7000


def replay(below_k: float) -> tuple[HeaterControl, list[float], int]:
    """A law in the middle of its work and the readings that follow."""
    control, plant, second = HeaterControl(55.0, 58.0), Plant(random_vessel(SEED)), 0
    while plant.oil_c < 55.0 - below_k:
        plant.step(control.update(float(second), plant.reading()))
        second += 1
    twin = HeaterControl.from_plain(control.to_plain())
    readings = []
    for s in range(second, second + 2000):
        readings.append(plant.reading())
        plant.step(control.update(float(s), readings[-1]))
    return twin, readings, second


@pytest.mark.parametrize("below_k", [20.0, 0.1], ids=["heating up", "holding"])
def test_one_update_of_the_heater_law(benchmark: Any, below_k: float) -> None:
    control, readings, second = replay(below_k)
    ticks = count(second)

    def step() -> bool:
        s = next(ticks)
        return control.update(float(s), readings[(s - second) % 2000])

    # One call a round: the median is of single calls, every fourth of which learns.
    benchmark.pedantic(step, rounds=2000, iterations=1)


def test_one_update_of_simple_pid(benchmark: Any) -> None:
    _, readings, second = replay(0.1)
    law = TunedPid(random_vessel(SEED), 55.0, derivative=False)
    ticks = count(second)

    def step() -> bool:
        s = next(ticks)
        return law.update(float(s), readings[(s - second) % 2000])

    benchmark.pedantic(step, rounds=2000, iterations=1)


def test_one_effect_check(benchmark: Any) -> None:
    _, readings, _ = replay(20.0)
    state, ticks = EffectState(), count()

    def step() -> tuple[str, ...]:
        return effects.step(state, 1.0, element_on=True, oil_c=readings[next(ticks) % 2000],
                            mixed=True, power_w=3000.0, volume_l=100.0, loss_w=50.0)

    benchmark.pedantic(step, rounds=1900, iterations=1)
