"""The cycle around the tick: order of hand-overs, extra ticks, outputs off at the end."""

from __future__ import annotations

import json
from dataclasses import replace
from math import nan

import pytest

from esterward.loop import Loop, Ports
from esterward.state import state_of
from esterward.tick import Controller
from esterward.values.messages import GuardReport
from esterward.values.outputs import SAFE, Outputs
from esterward.values.readings import NO_READING, Inputs, ProbeReading
from harness import BATCH, REACTOR


class World:
    """Every port in one, noting the order in which it is called."""

    boot = "b1"
    stored = 0
    fault = ""

    def __init__(self) -> None:
        self.time_s, self.calls = 10.0, []
        self.inputs = Inputs(estop_closed=True, cutout_closed=True, k1_open=True, k2_open=True)
        self.outputs: Outputs | None = None
        self.waits = 0
        self.probe: ProbeReading | None = None

    def now_s(self) -> float:
        return self.time_s

    def wall_s(self) -> float | None:
        return None

    def wait(self, until_s: float) -> None:
        self.time_s, self.waits = max(self.time_s, until_s), self.waits + 1
        if self.waits > 400:
            raise RuntimeError("the test's time is over")

    def read(self, now_s: float) -> ProbeReading:
        return self.probe or ProbeReading(20.0, now_s)

    def write(self, outputs: Outputs, now_s: float) -> None:
        self.calls.append("relays")
        self.outputs = outputs

    def send(self, report: object, now_s: float) -> None:
        self.calls.append("guard")

    def take(self, now_s: float) -> GuardReport:
        return GuardReport(1, now_s, "b1", self.inputs, ProbeReading(20.0, now_s), False, (), True,
                           57.0, 85.0, "d1")

    def add(self, *_: object) -> None:
        self.calls.append("record")

    def take_requests(self) -> tuple[()]:
        return ()

    def step(self, now_s: float) -> None:
        self.calls.append("step")

    def show(self, *shown: object) -> None:
        self.calls.append("telemetry")
        self.shown = shown


@pytest.fixture
def world() -> World:
    return World()


@pytest.fixture
def loop(world: World) -> Loop:
    return Loop(Controller(REACTOR, BATCH), Ports(
        clock=world, probe=world, relays=world, guard=world, record=world, telemetry=world))


def test_outputs_come_first_then_guard_record_and_telemetry(loop: Loop, world: World) -> None:
    loop.look()
    assert world.calls == ["relays", "guard", "record", "step", "telemetry", "step"]


def test_telemetry_hears_what_is_on_the_disk_after_this_tick(
    loop: Loop, world: World, monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(world, "step", lambda now_s: setattr(world, "stored", 7))
    loop.look()
    assert world.shown[-1] == 7


def test_what_is_stored_before_any_probe_has_read_is_read_again(
    loop: Loop, world: World, monkeypatch: pytest.MonkeyPatch,
) -> None:
    stored = []
    monkeypatch.setattr(world, "add", lambda *given: stored.append(given[-1]))
    world.probe = NO_READING
    report = world.take(world.time_s)
    monkeypatch.setattr(world, "take", lambda now_s: replace(report, probe_b=NO_READING))
    loop.look()
    assert state_of(json.loads(stored[0])) == loop.controller.state


def test_a_state_that_no_start_would_read_again_is_not_stored(loop: Loop, world: World) -> None:
    loop.controller.state.process.timers.step_s = nan
    with pytest.raises(ValueError, match="JSON"):
        loop.look()
    assert "record" not in world.calls and world.calls[0] == "relays"


def test_it_ticks_each_second_and_at_once_when_an_input_changes(loop: Loop, world: World) -> None:
    ticked = []
    for quarter in range(12):
        if quarter == 6:
            world.inputs = replace(world.inputs, estop_closed=False)
        if loop.look() is not None:
            ticked.append(quarter)
        world.time_s += 0.25
    assert ticked == [0, 4, 6, 8]


def test_it_ticks_once_between_when_probe_a_becomes_too_old(loop: Loop, world: World) -> None:
    """Its age counts from the conversion's beginning, so energy ends within 5 s of that."""
    world.probe = ProbeReading(20.0, 10.0)
    ticked = []
    for quarter in range(26):
        if loop.look() is not None:
            ticked.append(quarter)
        fresh = loop.controller.facts.probe_a_fresh
        assert fresh is (world.time_s - 10.0 <= 4.25)
        world.time_s += 0.25
    assert ticked == [0, 4, 8, 12, 16, 18, 20, 24], "at 4.5 s, once"


def test_a_late_look_ticks_once_and_does_not_catch_up(loop: Loop, world: World) -> None:
    loop.look()
    world.time_s += 7.3
    assert loop.look() is not None
    assert loop.look() is None


def test_outputs_are_off_when_the_loop_ends_however_it_ends(loop: Loop, world: World) -> None:
    loop.run(lambda: world.waits < 8)
    assert world.outputs == SAFE
    world.outputs, world.waits = None, 0
    with pytest.raises(RuntimeError):
        loop.run(lambda: True)
    assert world.outputs == SAFE


def test_a_busy_moment_makes_one_tick_late_and_not_every_one_after_it(
    loop: Loop, world: World,
) -> None:
    look, ticked_s = loop.look, []

    def busy() -> None:
        if look() is not None:
            ticked_s.append(round(world.time_s, 3))
            world.time_s += 1.1 if len(ticked_s) == 3 else 0.0

    loop.look = busy  # type: ignore[method-assign, assignment]
    loop.run(lambda: world.time_s < 17.0)
    assert ticked_s[:7] == [10.0, 11.0, 12.0, 13.1, 14.0, 15.0, 16.0]
