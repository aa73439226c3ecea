"""Whatever the batch is doing, a copy of its state taken at any tick goes on identically."""

from __future__ import annotations

import json

import pytest

from esterward.tick import Controller, Decision, from_plain
from esterward.values.requests import Request
from harness import BATCH, REACTOR, Bench


class TwinBench(Bench):
    """Before every tick a fresh copy is made through the plain form; both must then agree."""

    compared = 0

    def tick(self, requests: tuple[Request, ...] = (), dt_s: float | None = None) -> Decision:
        twin = self.copy()
        decision = super().tick(requests, dt_s)
        assert Bench.tick(twin, requests, dt_s) == decision, (self.state, self.step)
        assert twin.controller.to_plain() == self.controller.to_plain(), (self.state, self.step)
        self.compared += 1
        return decision


@pytest.fixture(scope="module")
def heated() -> Bench:
    bench = Bench()
    bench.to_heating()
    return bench


@pytest.fixture
def heating(heated: Bench) -> TwinBench:
    bench = heated.copy()
    bench.__class__ = TwinBench
    assert isinstance(bench, TwinBench)
    return bench


def test_through_a_hold_and_its_release(heating: TwinBench) -> None:
    heating.press("black")
    heating.ticks(4)
    assert heating.state == "held"
    heating.press("green", seconds=2)
    heating.ticks(15)
    assert heating.state == "running"
    assert any(event.kind == "state_changed" and event.data["new"] == "restarting"
               for event in heating.events)
    assert heating.compared > 20


def test_through_a_trip_its_reset_and_the_release(heating: TwinBench) -> None:
    heating.override["estop_closed"] = False
    heating.ticks(6)
    assert heating.state == "aborted"
    del heating.override["estop_closed"]
    heating.ticks(2)
    heating.press("blue", seconds=6)
    heating.ticks(3)
    assert heating.state == "held" and heating.controller.state.safety.latches == []
    heating.press("green", seconds=2)
    heating.ticks(20)
    assert heating.state == "running" and heating.controller.outputs.mixer


def test_through_a_release_that_waits_until_the_probe_is_back(heating: TwinBench) -> None:
    heating.press("black")
    heating.ticks(4)
    heating.override["level_wet"] = False
    heating.press("green", seconds=2)
    heating.ticks(10)
    assert heating.state == "restarting"
    del heating.override["level_wet"]
    heating.ticks(15)
    assert heating.state == "running"


def test_through_a_press_that_answers_presence_and_nothing_else(heating: TwinBench) -> None:
    heating.controller.state.safety.presence_age_s = 3600.0 - 200.0
    heating.ticks(3)
    heating.press("green")
    heating.ticks(3)
    assert heating.controller.state.presence_press
    assert heating.state == "running"


def test_through_a_pause_and_the_press_that_ends_it(heating: TwinBench) -> None:
    safety = heating.controller.state.safety
    safety.presence_age_s, safety.presence_asked_s = 3599.0, 299.0
    heating.ticks(6)
    assert heating.state == "paused"
    heating.press("green")
    heating.ticks(4)
    assert heating.state == "running"


@pytest.mark.parametrize(("old", "new"), [
    ('"state": "idle"', '"state": "asleep"'), ('"step": "fill.pump"', '"step": "fill.up"'),
    ('"asked": ""', '"asked": "why"'), ('"latches": []', '"latches": ["gremlin"]'),
    ('"elapsed_s": 0.0', '"elapsed_s": ' + "9" * 400), ('"elapsed_s": 0.0', '"elapsed_s": NaN'),
    ('"elapsed_s": 0.0', '"elapsed_s": -Infinity'), ('"washes_done": 0', '"washes_done": -1'),
    ('"commanded": [', '"commanded": [false, '), ('"vent": {"seen', '"nt": {"seen'),
])
def test_a_state_that_names_what_is_not_known_is_refused_before_it_acts(
    old: str, new: str,
) -> None:
    text = json.dumps(Controller(REACTOR, BATCH).to_plain())
    assert text.count(old) == 1
    with pytest.raises(ValueError, match=r"not known|not finite|below 0"):
        from_plain(REACTOR, BATCH, json.loads(text.replace(old, new)))


def test_through_the_approach_to_the_setpoint_with_all_that_the_heater_law_knows(
    heating: TwinBench,
) -> None:
    setpoint_c = heating.controller.sheet.setpoint_c
    assert setpoint_c is not None
    heating.set_oil(setpoint_c - 1.5)
    heating.warms = True
    switched, on = 0, True
    for _ in range(240):
        heating.tick()
        switched += heating.controller.outputs.k1 is not on
        on = heating.controller.outputs.k1
    assert switched >= 1 and heating.step in ("heat.warm", "methoxide.sheet")
    assert heating.controller.to_plain()["process"]["heater"] is not None
