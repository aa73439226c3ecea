"""The vent fan through the whole tick: a fault leaves it running, and its check can be done."""

from __future__ import annotations

from dataclasses import replace

import pytest

from esterward.hardware.pins import lines_of
from esterward.process.start import CHECKS
from esterward.status import status_of
from esterward.values.outputs import SAFE
from esterward.values.reactor import RIG_LEVELS
from esterward.values.readings import OPTIONAL_INPUTS
from esterward.values.requests import Request
from harness import BATCH, REACTOR, Bench, heating_bench


@pytest.fixture(scope="module")
def heating() -> Bench:
    """Heat on the full rig, methanol flag clear, so that only the heat wants the fan."""
    bench = heating_bench(OPTIONAL_INPUTS)
    assert bench.controller.outputs.vent and not bench.controller.state.flag.set
    return bench


@pytest.mark.parametrize(("name", "latch"), [
    ("vapour_low", "vapour"), ("sump_dry", "sump"), ("estop_closed", "e-stop"),
    ("vent_proof", "vent"), ("level_wet", "level"), ("cutout_closed", "cut-out")])
def test_the_moment_a_fault_takes_the_heat_the_fan_runs_on_until_the_latch_is_reset(
    heating: Bench, name: str, latch: str,
) -> None:
    bench = heating.copy()
    bench.override[name] = False
    for _ in range(60):
        assert bench.tick().outputs.vent
    assert bench.controller.state.safety.latches[0] == latch and not bench.controller.outputs.k1
    bench.override[name] = True
    bench.press("blue")
    for _ in range(600 if latch == "vapour" else 0):
        assert bench.tick().outputs.vent
    for _ in range(4):
        for code in bench.controller.state.safety.latches:  # some need a word typed beside it
            bench.tick((Request(code, "reset", "local", code, text="seen to"),))
            assert bench.controller.outputs.vent
        bench.press("blue", seconds=6)
    assert not bench.controller.state.safety.latches and not bench.guard.latches
    bench.ticks(3)
    assert bench.state == "held" and bench.controller.outputs.vent
    bench.press("black", seconds=6)
    bench.ticks(5)
    assert bench.state == "stopped" and not bench.controller.outputs.vent


@pytest.mark.parametrize("state", ["paused", "held"])
def test_a_halt_without_a_latch_leaves_it_running_too(heating: Bench, state: str) -> None:
    bench = heating.copy()
    safety = bench.controller.state.safety
    if state == "held":
        bench.press("black")
    else:
        safety.presence_age_s, safety.presence_asked_s = 3600.0, 300.0
    for _ in range(20):
        assert bench.tick().outputs.vent
    assert bench.state == state and not safety.latches and not bench.controller.outputs.k1


def test_heat_that_is_only_withheld_leaves_it_running(heating: Bench) -> None:
    bench = heating.copy()
    bench.override["lid_closed"] = False
    for _ in range(10):
        assert bench.tick().outputs.vent
    assert bench.why_withheld()["heat"] == "lid" and not bench.controller.outputs.k1


def test_a_latch_at_the_guard_alone_keeps_it_running_after_the_batch_was_stopped(
    heating: Bench,
) -> None:
    bench = heating.copy()
    bench.guard.latches.append("silent")
    bench.press("black", seconds=6)
    bench.ticks(20)
    assert bench.state == "stopped" and not bench.controller.state.safety.latches
    assert bench.controller.outputs.vent
    bench.press("blue")
    bench.press("blue", seconds=6)
    bench.ticks(3)
    assert not bench.guard.latches and not bench.controller.outputs.vent


@pytest.mark.parametrize("name", ["vapour_low", "sump_dry"])
def test_vapour_or_a_leak_turns_it_on_with_nothing_else_running_and_after_a_restart(
    heating: Bench, name: str,
) -> None:
    bench = heating.copy()
    bench.controller.state.process.step = "store.label"
    bench.ticks(3)
    assert not bench.controller.outputs.vent
    bench.override[name] = False
    bench.tick()
    assert bench.tick().outputs.vent
    bench.controller.restarted("power came back", bench.stored)
    assert bench.controller.outputs == SAFE
    assert bench.tick().outputs.vent


@pytest.mark.parametrize("level", RIG_LEVELS)
@pytest.mark.parametrize("fitted", [(), ("vent_proof",), ("lid_closed", "vapour_low")])
def test_it_runs_exactly_where_it_has_a_line_whatever_else_is_fitted(
    level: str, fitted: tuple[str, ...],
) -> None:
    bench = Bench(replace(REACTOR, rig_level=level, fitted=fitted if level == "full" else ()))
    bench.override.update(dict.fromkeys(bench.reactor.fitted, True))
    bench.ticks(5)
    assert bench.controller.state.flag.set
    assert bench.controller.outputs.vent is ("vent" in lines_of(bench.reactor))


class _Fan(Bench):
    """A fan whose air-flow switch follows it after two seconds; up_s: how long it has run."""

    up_s = 0.0

    def tick(self, *args, **kwargs):  # type: ignore[no-untyped-def]
        self.up_s = self.up_s + 1.0 if self.controller.outputs.vent else 0.0
        self.override["vent_proof"] = self.up_s > 2.0
        return super().tick(*args, **kwargs)


@pytest.mark.parametrize("silent_s", [0, 5])
def test_the_start_check_is_done_by_itself_also_when_the_fan_ran_before_anybody_looked(
    silent_s: int,
) -> None:
    bench = _Fan(replace(REACTOR, rig_level="full", fitted=("vent_proof",)))
    bench.guard_at_s = -1e3 if silent_s else None
    for _ in range(silent_s):
        bench.tick()
    bench.guard_at_s = None
    bench.to_idle_ready()
    bench.ticks(60)
    assert bench.state == "idle" and not bench.controller.state.flag.set
    assert status_of(bench.controller, bench.now_s).prompt_text == "Ready to start."
    assert not bench.controller.outputs.vent, "once it is seen the fan rests"
    bench.hold_green()
    bench.ticks(4)
    assert bench.state == "running"


def test_a_fan_that_never_proves_itself_runs_on_and_the_start_says_what_is_missing() -> None:
    bench = Bench(replace(REACTOR, rig_level="full", fitted=("vent_proof",)), BATCH)
    bench.override["vent_proof"] = False
    bench.to_idle_ready()
    bench.ticks(60)
    assert bench.controller.outputs.vent and not bench.controller.state.flag.set
    assert CHECKS["vent"][1] in status_of(bench.controller, bench.now_s).prompt_text


def test_a_switch_that_says_flow_with_the_fan_off_is_no_check_and_needs_no_fan() -> None:
    bench = Bench(replace(REACTOR, rig_level="full", fitted=("vent_proof",)), BATCH)
    bench.override["vent_proof"] = True
    bench.to_idle_ready()
    bench.ticks(60)
    assert not bench.controller.outputs.vent
    assert CHECKS["vent"][1] in status_of(bench.controller, bench.now_s).prompt_text


def test_a_check_that_still_counts_needs_no_fan() -> None:
    bench = Bench(replace(REACTOR, rig_level="full", fitted=("vent_proof",)), BATCH)
    bench.override["vent_proof"] = False
    bench.controller.state.process.checks.checks["vent"].done_boot = "b1"
    bench.to_idle_ready()
    bench.ticks(10)
    assert not bench.controller.outputs.vent
