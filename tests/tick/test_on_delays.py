"""What is taken away while it runs waits for 30 s of everything good, and says why."""

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


def waits(bench: Bench, *reasons: str) -> int:
    """Seconds for which just these reasons are shown; the batch runs and nothing is told."""
    for second in range(100):
        bench.tick()
        if status_of(bench.controller, bench.now_s).withheld != reasons:
            return second
        assert not bench.controller.outputs.k1
        assert bench.state == "running" and not bench.controller.state.safety.alarms
    raise AssertionError("it never came back")


def closings(bench: Bench, seconds: int) -> int:
    """How often K1 is switched on in this time."""
    count, before = 0, bench.controller.outputs.k1
    for _ in range(seconds):
        bench.tick()
        after = bench.controller.outputs.k1
        count += after and not before
        before = after
    return count


def test_after_a_probe_was_not_fresh_heat_waits_for_thirty_seconds_of_it(bench: Bench) -> None:
    bench.probe_a = ProbeReading(bench.oil_c, bench.now_s)
    bench.ticks(5)
    assert not bench.controller.outputs.k1
    bench.probe_a = None
    assert waits(bench, "heat: probe-a") == 29
    assert bench.controller.outputs.k1


def test_after_the_lid_stood_open_the_mixer_waits_and_heat_for_the_mixer(bench: Bench) -> None:
    bench.override["lid_closed"] = False
    bench.ticks(5)
    assert not bench.controller.outputs.k2_wanted
    bench.override["lid_closed"] = True
    assert waits(bench, "heat: mixer", "mixer: lid") == 29
    assert bench.controller.outputs.mixer
    assert waits(bench, "heat: mixer") == 29
    assert bench.controller.outputs.k1


def test_a_lid_left_open_is_told_after_a_minute_and_no_more_once_it_is_shut(bench: Bench) -> None:
    bench.override["lid_closed"] = False
    bench.ticks(60)
    safety = bench.controller.state.safety
    assert not safety.alarms and not bench.controller.outputs.horn
    bench.ticks(2)
    assert list(safety.alarms) == ["lid"] and bench.controller.outputs.horn
    assert bench.state == "running" and not safety.latches
    bench.press("blue")
    assert not bench.controller.outputs.horn
    bench.override["lid_closed"] = True
    bench.ticks(70)
    assert not safety.alarms and bench.controller.outputs.k1


def test_a_lid_opened_again_meanwhile_begins_the_wait_anew(bench: Bench) -> None:
    for _ in range(3):
        bench.override["lid_closed"] = False
        bench.ticks(2)
        bench.override["lid_closed"] = True
        bench.ticks(25)
        assert not bench.controller.outputs.mixer
    assert waits(bench, "heat: mixer", "mixer: lid") == 4


@pytest.mark.parametrize("good_s", [1, 3, 20])
def test_no_contactor_follows_a_proof_that_flickers_and_it_is_told(
    bench: Bench, good_s: int,
) -> None:
    """A flow switch with air in the pump: never 5 s without its proof, so no fault of the mixer."""
    count = 0
    for _ in range(600 // (good_s + 1)):
        bench.override["mixer_proof"] = False
        count += closings(bench, 1)
        bench.override["mixer_proof"] = True
        count += closings(bench, good_s)
    assert count == 0 and bench.controller.outputs.mixer
    assert list(bench.controller.state.safety.alarms) == ["unsteady"]
    assert bench.controller.outputs.horn


def test_no_contactor_follows_probes_at_the_edge_of_agreement(bench: Bench) -> None:
    count = 0
    for second in range(600):
        apart_k = 2.1 if second % 3 == 0 else 1.9
        bench.probe_a = ProbeReading(bench.oil_c + apart_k, bench.now_s)
        count += closings(bench, 1)
    assert count == 0


def test_the_latch_of_a_probe_can_be_reset_as_soon_as_the_probe_reads(bench: Bench) -> None:
    bench.probe_a = ProbeReading(bench.oil_c, bench.now_s)
    bench.ticks(15)
    safety = bench.controller.state.safety
    assert safety.latches == ["probe-a"]
    bench.probe_a = None
    bench.press("blue", seconds=6)
    assert safety.latches == [] and bench.state == "held"
    bench.hold_green()
    assert bench.state == "running" and bench.controller.outputs.mixer


def test_the_latch_of_a_lid_can_be_reset_as_soon_as_it_is_shut(bench: Bench) -> None:
    bench.controller.state.flag.set = True
    bench.ticks(2)
    bench.override["lid_closed"] = False
    bench.ticks(3)
    safety = bench.controller.state.safety
    assert safety.latches == ["lid"]
    bench.override["lid_closed"] = True
    bench.press("blue", seconds=6)
    assert safety.latches == []


def test_a_probe_that_reads_only_now_and_then_is_told(bench: Bench) -> None:
    for second in range(170):
        bench.probe_a = ((bench.probe_a or ProbeReading(bench.oil_c, bench.now_s))
                         if second % 15 < 5 else None)
        bench.tick()
    safety = bench.controller.state.safety
    assert list(safety.alarms) == ["unsteady"] and bench.controller.outputs.horn
    assert bench.state == "running" and safety.latches == []
    bench.probe_a = None
    bench.press("blue")
    bench.ticks(100)
    assert bench.controller.outputs.k1 and safety.alarms == {}
