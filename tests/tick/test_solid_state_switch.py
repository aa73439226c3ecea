"""A solid-state switch stands behind K1, which opens while the oil is far above its aim."""

from __future__ import annotations

from dataclasses import replace

import pytest

from esterward.safety.effects import EffectState
from harness import BATCH, REACTOR, Bench

SSR = replace(REACTOR, element_switch="ssr")
COOL = replace(BATCH, setpoint_c=45.0)  # far from where the highest setpoint ends all heat


@pytest.fixture(scope="module")
def heating() -> Bench:
    bench = Bench(SSR, COOL)
    bench.to_heating()
    return bench


def k1_at(bench: Bench, over_k: float) -> bool:
    """K1 with the oil so far above the aim, where the heater law wants no heat."""
    aim_c = bench.controller.state.process.target.lowest_c
    assert aim_c is not None
    bench.set_oil(aim_c + over_k)
    bench.controller.state.safety.effects = EffectState()  # it would see a rise with the heat off
    bench.ticks(40)  # the heater law doubts a leap at first
    out = bench.controller.outputs
    assert bench.state == "running" and out.mixer and (over_k < 0.0 or not out.ssr)
    return out.k1


def test_the_contactor_opens_two_kelvin_above_the_aim_and_shuts_at_it(heating: Bench) -> None:
    bench = heating.copy()
    assert bench.controller.outputs.k1
    seen = [(over_k, k1_at(bench, over_k)) for over_k in (0.5, 1.75, 2.25, 1.0, 0.25, -0.25, 1.75)]
    assert seen == [(0.5, True), (1.75, True), (2.25, False), (1.0, False), (0.25, False),
                    (-0.25, True), (1.75, True)]


def test_it_stays_open_after_a_hold_while_the_oil_is_that_far_above(heating: Bench) -> None:
    """Trial 20184: each going on after a stuck switch was found gave the element K1 again."""
    bench = heating.copy()
    assert not k1_at(bench, 3.0)
    bench.press("black")
    bench.ticks(15)
    assert bench.state == "held"
    bench.hold_green()
    bench.ticks(90)
    assert bench.state == "running" and bench.controller.outputs.mixer
    assert not bench.controller.outputs.k1


def test_with_a_contactor_alone_nothing_changes() -> None:
    bench = Bench(batch=COOL)
    bench.to_heating()
    assert [k1_at(bench, over_k) for over_k in (2.25, 1.0)] == [False, False]
