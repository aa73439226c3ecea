"""Heat waits for 30 s of fresh probes and of a shut lid; it simply waits, and says why."""

from __future__ import annotations

import pytest

from esterward.status import status_of
from esterward.values.readings import OPTIONAL_INPUTS, ProbeReading
from harness import Bench, heating_bench


@pytest.fixture(scope="module")
def made() -> Bench:
    """Heating on a rig with everything fitted."""
    return heating_bench(OPTIONAL_INPUTS)


@pytest.fixture
def bench(made: Bench) -> Bench:
    return made.copy()


def waits(bench: Bench, code: str) -> int:
    """Seconds until heat is let through; mixer and batch run, and the reason is shown."""
    for second in range(1, 100):
        bench.tick()
        status = status_of(bench.controller, bench.now_s)
        if not status.withheld:
            return second
        assert not bench.controller.outputs.k1
        assert status.withheld == (f"heat: {code}",) and status.mixer
        assert bench.state == "running" and not bench.controller.state.safety.alarms
    raise AssertionError("heat never came back")


def test_after_a_probe_was_not_fresh_heat_waits_for_thirty_seconds_of_it(bench: Bench) -> None:
    bench.probe_a = ProbeReading(bench.oil_c, bench.now_s)
    bench.ticks(5)
    assert not bench.controller.outputs.k1
    bench.probe_a = None
    assert waits(bench, "probe-a") == 30


def test_after_the_lid_stood_open_heat_waits_and_the_mixer_does_not(bench: Bench) -> None:
    bench.override["lid_closed"] = False
    bench.ticks(5)
    assert not bench.controller.outputs.mixer
    bench.override["lid_closed"] = True
    bench.tick()
    assert bench.controller.outputs.mixer
    assert waits(bench, "lid") == 29


def test_a_lid_opened_again_meanwhile_begins_the_wait_anew(bench: Bench) -> None:
    for _ in range(3):
        bench.override["lid_closed"] = False
        bench.ticks(2)
        bench.override["lid_closed"] = True
        bench.ticks(25)
        assert not bench.controller.outputs.k1
    assert waits(bench, "lid") == 5


def test_with_no_lid_switch_nothing_waits_for_a_lid() -> None:
    bench = Bench()
    bench.to_heating()
    bench.controller.state.safety.lid_shut_s = 0.0
    bench.ticks(2)
    assert bench.controller.outputs.k1


def test_the_latch_of_a_probe_can_be_reset_as_soon_as_the_probe_reads(bench: Bench) -> None:
    bench.probe_a = ProbeReading(bench.oil_c, bench.now_s)
    bench.ticks(15)
    safety = bench.controller.state.safety
    assert safety.latches == ["probe-a"]
    bench.probe_a = None
    bench.press("blue", seconds=6)
    assert safety.latches == [] and bench.state == "held"
    assert safety.probe_a_fresh_s < 10.0
    bench.hold_green()
    assert bench.state == "running" and bench.controller.outputs.mixer
    assert 15 < waits(bench, "probe-a") < 30


def test_the_latch_of_a_lid_can_be_reset_as_soon_as_it_is_shut(bench: Bench) -> None:
    bench.controller.state.flag.set = True
    bench.ticks(2)
    bench.override["lid_closed"] = False
    bench.ticks(3)
    safety = bench.controller.state.safety
    assert safety.latches == ["lid"]
    bench.override["lid_closed"] = True
    bench.press("blue", seconds=6)
    assert safety.latches == [] and safety.lid_shut_s < 10.0


def test_after_a_restart_a_press_goes_on_at_once_and_only_heat_waits(bench: Bench) -> None:
    bench.controller.restarted("power came back", bench.controller.state.last_event)
    bench.ticks(12)
    bench.hold_green()
    assert bench.state == "running" and bench.controller.outputs.mixer
    assert waits(bench, "lid") < 20


def test_a_probe_that_reads_only_now_and_then_is_told(bench: Bench) -> None:
    for second in range(70):
        bench.probe_a = ((bench.probe_a or ProbeReading(bench.oil_c, bench.now_s))
                         if second % 15 < 5 else None)
        bench.tick()
    safety = bench.controller.state.safety
    assert list(safety.alarms) == ["probe-a"] and bench.controller.outputs.horn
    assert bench.state == "running" and safety.latches == []
    bench.probe_a = None
    bench.press("blue")
    bench.ticks(40)
    assert bench.controller.outputs.k1 and safety.alarms == {}
