"""What outlives a restart, and what a silent barometer or guard of another boot counts for."""

from __future__ import annotations

from dataclasses import replace
from math import isfinite, nan

import pytest

from esterward.chemistry import boiling
from esterward.safety.plausibility import ProbeJudge
from esterward.safety.state import SafetyState
from esterward.values.plain import to_plain
from esterward.values.readings import ProbeReading
from harness import REACTOR, Bench
from steps import to_sheet


@pytest.fixture
def heating() -> Bench:
    bench = Bench()
    bench.to_heating()
    return bench


def test_after_a_restart_a_heating_batch_is_held_with_everything_off(heating: Bench) -> None:
    other = heating.copy()
    other.controller.restarted("power came back", 0)
    other.boot = "b1"
    decision = other.ticks(30)
    assert other.state == "held"
    assert not decision.outputs.k2_wanted and not decision.outputs.k1


def test_a_restart_keeps_latches_and_doubts_and_forgets_every_proof(heating: Bench) -> None:
    state = heating.controller.state
    state.safety.latches.append("level")
    state.safety.apart_noted, state.safety.alarm_rest_s = True, 300.0
    state.safety.probe_b.stuck, state.safety.probe_b.same_since_s = True, 30.0
    state.safety.reasons_age_s["k1-welded"] = 3.0
    state.safety.resets, state.safety.guard_resets = {"level": 1}, {"probe": 1}
    state.process.timers.heat_off_s = state.process.timers.at_target_s = 500.0
    assert state.safety.wet_s > 10.0 and state.safety.proven_s > 60.0
    assert state.safety.effects.paid_k > 0.0 and state.safety.k1_on_s > 0.0
    heating.controller.restarted("power came back", 0)
    after, believed_c = state.safety, state.safety.probe_a.good_c
    assert after == SafetyState(
        latches=["level"], resets={"level": 1}, pending_number=after.pending_number,
        guard_resets={"probe": 1}, apart_noted=True,
        alarm_rest_s=300.0, probe_a=ProbeJudge(good_c=believed_c),
        probe_b=ProbeJudge(good_c=after.probe_b.good_c)) and believed_c is not None
    assert state.process.timers.heat_off_s == state.process.timers.at_target_s == 0.0


def test_green_that_went_down_while_nothing_ran_is_nobody_until_it_was_up(heating: Bench) -> None:
    assert not heating.controller.state.green_down
    heating.controller.restarted("power came back", 0)
    heating.buttons["green"] = True
    heating.ticks(5)
    safety = heating.controller.state.safety
    assert safety.presence_age_s is None
    heating.buttons["green"] = False
    heating.tick()
    heating.buttons["green"] = True
    heating.tick()
    assert safety.presence_age_s is not None and safety.presence_age_s <= 1.0


def test_a_gate_answered_just_before_a_restart_opens_nothing_after_it() -> None:
    bench = Bench()
    bench.to_heating()
    to_sheet(bench)
    bench.stores = False
    bench.hold_green()
    assert bench.controller.state.process.gate_number and bench.step == "methoxide.sheet"
    bench.controller.restarted("power came back", bench.controller.state.last_event)
    bench.tick()
    assert not bench.controller.state.process.gate_number, "dropped by the first look"
    bench.stores = True
    bench.ticks(5)
    assert (bench.state, bench.step) == ("held", "methoxide.sheet")
    bench.hold_green()
    bench.ticks(80)
    process = bench.controller.state.process
    assert (bench.state, bench.step, process.asked) == ("running", "methoxide.sheet", "sheet")


@pytest.mark.parametrize("last_kpa", [87.0, 83.0])
def test_a_barometer_that_dies_counts_as_none_after_ten_minutes(last_kpa: float) -> None:
    bench = Bench(replace(REACTOR, barometer=True))
    bench.barometer_kpa = last_kpa
    bench.ticks(3)
    with_it, without = boiling.limits(1120.0, last_kpa), boiling.limits(1120.0)
    assert bench.controller.limits == with_it
    bench.barometer_kpa = None
    bench.ticks(600)
    assert bench.controller.limits == with_it and "note" not in bench.kinds()
    bench.ticks(1)
    old = min(with_it, without, key=lambda found: found.alarm_c)
    assert bench.controller.limits == bench.copy().controller.limits == old
    assert bench.kinds().count("note") == 1
    bench.ticks(70)
    assert bench.guard.limits == old
    assert bench.controller.state.safety.latches == bench.guard.latches == []
    bench.barometer_kpa = last_kpa
    bench.tick()
    assert bench.controller.limits == with_it


def test_the_pressure_of_another_boot_counts_as_no_barometer() -> None:
    bench = Bench(replace(REACTOR, barometer=True))
    bench.barometer_kpa = 87.0
    bench.ticks(3)
    bench.controller.restarted("power came back", 0)
    assert bench.controller.limits == boiling.limits(1120.0)
    bench.tick()
    assert bench.controller.limits == boiling.limits(1120.0, 87.0)


def test_a_clearing_cut_off_by_a_restart_is_asked_anew() -> None:
    bench = Bench()
    bench.ticks(3)
    bench.stores = False
    bench.press("green", "blue", seconds=6)
    assert bench.controller.state.flag.clear_number
    bench.controller.restarted("power came back", 0)
    bench.stores = True
    bench.ticks(5)
    assert bench.controller.state.flag.set


@pytest.mark.parametrize("changes", [{"boot": "other"}, {"at_s": 0.0}, {"at_s": 1e9}])
def test_a_guard_that_is_not_heard_does_not_speak_for_a_clear_flag(
    heating: Bench, changes: dict[str, object],
) -> None:
    heating.guard_changes.update(changes, flag=False)
    heating.ticks(10)
    assert not heating.controller.state.flag.set
    heating.ticks(3)
    assert heating.controller.state.flag.set


def test_the_probe_of_a_guard_of_another_boot_is_not_believed(heating: Bench) -> None:
    believed = heating.controller.state.safety.probe_b
    before_s = believed.good_at_s
    heating.guard_changes["boot"] = "other"
    heating.ticks(8)
    assert believed.good_at_s == before_s
    assert not heating.controller.facts.probe_b_fresh


def test_green_that_went_down_while_the_guard_was_silent_is_nobody_until_it_was_up(
    heating: Bench,
) -> None:
    heating.ticks(60)
    safety, before_s = heating.controller.state.safety, heating.now_s
    heating.guard_at_s = before_s
    heating.ticks(5)
    heating.buttons["green"] = True
    heating.ticks(5)
    heating.guard_at_s = None
    heating.ticks(5)
    assert safety.presence_age_s is not None and safety.presence_age_s > 60.0
    heating.buttons["green"] = False
    heating.tick()
    heating.buttons["green"] = True
    heating.tick()
    assert safety.presence_age_s <= 1.0


def test_a_moment_that_is_not_a_number_takes_all_energy_off_and_spoils_no_count(
    heating: Bench,
) -> None:
    heating.guard_cycles()
    out = heating.controller.tick(replace(heating.snapshot(), now_s=nan)).outputs
    assert not (out.k1 or out.mixer or out.k2_wanted)
    state = heating.controller.state
    counts = [value for part in (state.safety, state.safety.effects, state.process.timers)
              for value in to_plain(part).values() if isinstance(value, float)]
    assert len(counts) > 30 and all(isfinite(count) for count in counts)


def test_one_stamp_of_probe_a_from_the_future_does_not_deafen_it_to_the_next(
    heating: Bench,
) -> None:
    believed = heating.controller.state.safety.probe_a
    before_s = believed.good_at_s
    heating.probe_a = ProbeReading(heating.oil_c, heating.now_s + 3600.0)
    heating.ticks(2)
    assert believed.good_at_s == before_s, "not believed"
    heating.probe_a = None
    assert heating.ticks(10).outputs.k1 and heating.controller.facts.probe_a_fresh
