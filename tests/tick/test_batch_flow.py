"""The controller through the day, driven by hand: gates, questions, holds, the flag."""

from __future__ import annotations

from dataclasses import replace

import pytest

from esterward.process import start
from esterward.process.stages import STEPS
from esterward.safety.effects import EffectState
from esterward.status import status_of
from esterward.tick import from_plain
from esterward.values.outputs import SAFE
from esterward.values.readings import ProbeReading
from esterward.values.requests import Request
from harness import BATCH, REACTOR, Bench
from steps import to_dose_gate, to_sheet


@pytest.fixture
def heating() -> Bench:
    bench = Bench()
    bench.to_heating()
    return bench


def _testing_k2() -> Bench:
    """In the test of the safety contactor, which does not close."""
    bench = Bench()
    bench.to_idle_ready()
    bench.override["k2_open"] = True
    bench.press("green", seconds=2)
    assert bench.controller.outputs.k2_wanted and bench.state == "idle"
    return bench


def test_a_latch_during_the_test_of_k2_lets_go_of_it_at_once() -> None:
    bench = _testing_k2()
    bench.override["cutout_closed"] = False
    assert not bench.tick().outputs.k2_wanted


def test_a_restart_during_the_test_of_k2_asks_for_nothing_and_starts_nothing() -> None:
    bench = _testing_k2()
    bench.controller.restarted("power came back", 0)
    del bench.override["k2_open"]
    assert not any(bench.tick().outputs.k2_wanted for _ in range(10)) and bench.state == "idle"


@pytest.mark.parametrize(("wall_s", "good"), [
    (1.8e9 + 30 * 86400.0, True), (1.8e9 + 30 * 86400.0 + 1.0, False), (1.8e9 - 1.0, False),
    (None, False)])
def test_a_start_check_of_another_boot_counts_for_thirty_days_by_a_trusted_clock(
    wall_s: float | None, good: bool,
) -> None:
    bench = Bench()
    bench.to_idle_ready()
    bench.tick()
    world, checks = bench.controller.world, bench.controller.state.process.checks
    assert world is not None and start.missing(checks, REACTOR, BATCH, world) == ()
    later = replace(world, boot="b2", wall_s=wall_s)
    assert (start.missing(checks, REACTOR, BATCH, later) == ()) is good


@pytest.mark.parametrize(("seconds", "good"), [(30 * 86400.0, True), (30 * 86400.0 + 9.0, False)])
def test_a_start_check_of_this_boot_counts_for_thirty_days_too(seconds: float, good: bool) -> None:
    bench = Bench()
    bench.to_idle_ready()
    bench.tick()
    world, checks = bench.controller.world, bench.controller.state.process.checks
    assert world is not None
    oldest_s = min(check.done_s for name, check in checks.checks.items() if check.done_boot)
    later = replace(world, now_s=oldest_s + seconds, wall_s=None)
    assert (start.missing(checks, REACTOR, BATCH, later) == ()) is good


def test_other_lines_want_every_start_check_again() -> None:
    bench = Bench()
    bench.to_idle_ready()
    bench.tick()
    before = bench.controller.to_plain()
    again = from_plain(replace(REACTOR, pins=(("level_wet", 26),)), BATCH, before)
    bench.controller = again
    bench.tick()
    world = again.world
    assert world is not None
    missing = start.missing(again.state.process.checks, again.reactor, BATCH, world)
    assert [what.partition(":")[0] for what in missing] == ["e-stop", "level"]


@pytest.mark.parametrize(("correction_k", "oil_c"), [(0.5, 20.5), (-0.5, 20.0)])
def test_the_process_too_sees_probe_a_corrected_upward_and_never_downward(
    correction_k: float, oil_c: float,
) -> None:
    bench = Bench(replace(REACTOR, probe_a_correction_k=correction_k))
    bench.ticks(3)
    world = bench.controller.world
    assert world is not None and world.oil_c == world.new_oil_c == oil_c


def test_a_start_is_refused_and_names_the_missing_check() -> None:
    bench = Bench()
    bench.ticks(3)
    bench.hold_green()
    assert bench.state == "idle"
    (note,) = [e for e in bench.events if e.kind == "note"]
    text = note.data["text"]
    assert "methanol flag" in text and "e-stop" in text and "level" in text
    assert bench.controller.outputs == replace(SAFE, lamp=bench.controller.outputs.lamp,
                                               horn=bench.controller.outputs.horn)


def test_unknown_flag_counts_as_set_and_two_buttons_for_five_seconds_clear_it() -> None:
    bench = Bench()
    bench.ticks(3)
    assert bench.controller.state.flag.set
    bench.press("green", seconds=6)
    bench.press("blue", seconds=6)
    assert bench.controller.state.flag.set
    bench.press("green", "blue", seconds=6)
    assert not bench.controller.state.flag.set


def test_a_clearing_that_is_not_on_disk_does_not_count() -> None:
    bench = Bench()
    bench.ticks(3)
    bench.stores = False
    bench.press("green", "blue", seconds=6)
    bench.ticks(5)
    assert bench.controller.state.flag.set
    bench.ticks(15)
    assert bench.controller.state.flag.clear_number == 0


def test_heat_never_without_a_press_at_the_reactor(heating: Bench) -> None:
    heating.controller.state.safety.presence_age_s = None
    heating.ticks(2)
    assert not heating.controller.outputs.k1
    assert not heating.controller.outputs.mixer


def test_a_gate_opens_only_once_it_is_on_disk(heating: Bench) -> None:
    to_sheet(heating)
    heating.stores = False
    heating.hold_green()
    assert heating.step == "methoxide.sheet"
    heating.stores = True
    heating.ticks(2)
    assert heating.step == "methoxide.dissolve"


def test_what_cannot_be_stored_for_ten_seconds_holds_and_takes_heat_off(heating: Bench) -> None:
    heating.stores = False
    heating.tick((Request("n", "observe", "local", "glycerol_l", 1.0),))
    heating.ticks(9)
    assert heating.controller.outputs.mixer
    heating.ticks(5)
    assert heating.state == "held" and not heating.controller.outputs.k1
    assert heating.controller.state.safety.latches == ["record"]


def test_flag_not_stored_in_ten_seconds_holds(heating: Bench) -> None:
    to_dose_gate(heating)
    assert heating.step == "dose.gate"
    again = Bench()
    again.to_heating()
    again.guard_changes["flag"] = False
    to_dose_gate(again)
    assert again.step == "dose.flag" and again.state == "held"


def test_the_flag_is_set_with_k2_open_so_that_no_write_of_the_guard_stops_the_mixer(
    heating: Bench,
) -> None:
    assert [row.name for row in STEPS.values() if row.sets_flag] == ["dose.flag"]
    row = STEPS["dose.flag"]
    assert not row.heat and not row.mixer and not row.air
    to_sheet(heating)
    heating.hold_green()
    heating.ticks(30)
    heating.press("green")
    set_at: list[bool] = []
    for _ in range(400):
        flag, ran = heating.controller.state.flag.set, heating.controller.outputs.mixer
        heating.tick()
        if ran and heating.controller.outputs.mixer:
            assert heating.guard.enabled, "the mixer is commanded on and the guard lets go"
        if heating.controller.state.flag.set and not flag:
            set_at.append(heating.inputs().k2_open and heating.step == "dose.flag")
    assert set_at == [True] and heating.step == "dose.gate" and heating.guard.enabled


def test_warm_methoxide_that_is_poured_is_not_taken_for_an_element_that_heats(
    heating: Bench,
) -> None:
    to_dose_gate(heating)
    heating.set_oil(50.0)
    heating.ticks(2)
    heating.hold_green()
    assert heating.step == "dose.pour"
    verdicts = set()
    for _ in range(500):
        heating.oil_c += 0.006
        heating.tick()
        verdicts |= set(heating.controller.state.safety.effects.verdicts)
    assert verdicts == set() and heating.step == "dose.pour" and heating.state == "running"


def test_the_effect_checks_count_the_methanol_that_may_be_in_the_oil(heating: Bench) -> None:
    to_sheet(heating)
    sheet = heating.controller.sheet
    assert sheet.methanol is not None
    assert heating.controller._volume_l() == 120.0
    heating.controller.state.flag.set = True
    assert heating.controller._volume_l() == pytest.approx(120.0 + sheet.methanol.volume_l)


def test_the_heater_is_off_and_the_flag_set_before_the_gate_can_open(heating: Bench) -> None:
    to_dose_gate(heating)
    assert heating.step == "dose.gate"
    assert heating.controller.state.flag.set
    heating.ticks(200)
    assert not heating.controller.outputs.k1
    heating.hold_green()
    assert heating.step == "dose.pour"
    kinds = heating.kinds()
    assert kinds.index("flag_set") < len(kinds) - 1 - kinds[::-1].index("prompt_answered")


@pytest.mark.parametrize(("name", "word"), [
    ("lid_closed", "the lid shut"), ("drain_closed", "the drain shut"),
    ("vent_proof", "the vent proven")])
def test_the_dosing_gate_waits_for_a_fitted_input_that_says_nothing(name: str,
                                                                   word: str) -> None:
    bench = Bench(replace(REACTOR, fitted=(name,)))
    bench.override[name] = True
    for check in bench.controller.state.process.checks.checks.values():
        check.done_boot = "b1"
    bench.to_heating()
    to_dose_gate(bench)
    assert bench.step == "dose.gate"
    process, world = bench.controller.process, bench.controller.world
    assert world is not None and world.inputs is not None
    assert process.dose_waits(world, bench.controller.sheet) == ()
    for level in (None, False):
        world.inputs = replace(world.inputs, **{name: level})
        assert process.dose_waits(world, bench.controller.sheet) == (word,)


def test_the_gate_does_not_open_while_the_oil_is_above_the_limit(heating: Bench) -> None:
    to_dose_gate(heating)
    heating.oil_c = 56.0
    heating.ticks(3)
    heating.hold_green()
    assert heating.step == "dose.gate"
    assert heating.controller.process.state.asked == ""


def test_a_batch_whose_titration_comes_during_heat_heats_before_it_and_is_gated_at_dose() -> None:
    bench = Bench(batch=replace(BATCH, titration_readings_ml=()))
    bench.to_heating()
    assert bench.controller.outputs.k1 and not bench.controller.sheet.complete
    bench.oil_c = 54.7
    for judge in (bench.controller.state.safety.probe_a, bench.controller.state.safety.probe_b):
        judge.good_c = 54.7
    bench.warms = False
    bench.ticks(120)
    assert bench.step == "methoxide.sheet"
    bench.hold_green()
    assert bench.step == "methoxide.sheet", "no methoxide without a titration"
    for number, value in enumerate((2.9, 3.1, 3.0)):
        bench.tick((Request(f"r{number}", "observe", "local", "titration_ml", value),))
    assert bench.controller.sheet.complete
    bench.ticks(2)
    assert bench.step == "methoxide.sheet", "an observation alone opens nothing"
    bench.hold_green()
    assert bench.step == "methoxide.dissolve"


def test_a_titration_told_after_the_sheet_was_confirmed_is_refused(heating: Bench) -> None:
    to_dose_gate(heating)
    before = heating.controller.sheet
    heating.tick((Request("late", "observe", "mqtt", "titration_ml", 9.0),))
    (refused,) = [e for e in heating.events if e.kind == "request_refused"]
    assert "confirmed" in refused.data["why"]
    assert heating.controller.sheet == before


def test_litres_by_which_the_element_is_judged_are_told_at_the_machine_only(
    heating: Bench,
) -> None:
    controller = heating.controller
    file_l = controller.file_batch.oil_volume_l
    heating.tick((Request("far", "observe", "mqtt", "oil_l", 1.0),))
    (refused,) = [e for e in heating.events if e.kind == "request_refused"]
    assert "at the machine only" in refused.data["why"]
    assert controller._volume_l() == controller.sheet.oil_l == file_l
    heating.tick((Request("here", "observe", "local", "oil_l", 0.9 * file_l),))
    assert controller._volume_l() == controller.sheet.oil_l == pytest.approx(0.9 * file_l)


@pytest.mark.parametrize("kind", ["start", "reset", "resume", "heat", ""])
def test_nothing_from_afar_but_hold_acknowledge_and_observe(heating: Bench, kind: str) -> None:
    before = heating.controller.outputs
    heating.tick((Request("x", kind, "mqtt"),))
    assert heating.kinds()[-1] == "request_refused" or "request_refused" in heating.kinds()
    assert heating.controller.outputs.k1 == before.k1
    assert heating.state == "running"


@pytest.mark.parametrize("missing", ["level", "probe_a", "probe_b"])
def test_a_hold_is_left_only_once_what_the_step_needs_is_there_again(
    missing: str, heating: Bench,
) -> None:
    heating.press("black")
    heating.ticks(3)
    if missing == "level":  # where only the mixer needs it
        heating.controller.state.process.step = "wash.stir"
        heating.override["level_wet"] = False
    else:
        setattr(heating, missing, ProbeReading(None, heating.now_s + 1e6, "unplugged"))
    heating.ticks(15)
    heating.hold_green()
    heating.ticks(10)
    assert heating.state == "restarting" and not heating.controller.outputs.mixer
    heating.override.clear()
    heating.probe_a = heating.probe_b = None
    heating.controller.state.safety.probe_a.newest_at_s = heating.guard.newest_at_s = None
    heating.controller.state.safety.probe_b.newest_at_s = None
    heating.ticks(20)
    assert heating.state == "running" and heating.controller.state.safety.latches == []


def test_a_hold_counts_whatever_else_is_asked_in_the_same_tick(heating: Bench) -> None:
    heating.tick((Request("h1", "hold", "mqtt"), Request("a1", "acknowledge", "mqtt")))
    heating.ticks(3)
    assert heating.state == "held" and not heating.controller.outputs.k1


def test_a_remote_hold_takes_heat_off_and_only_green_held_goes_on(heating: Bench) -> None:
    heating.tick((Request("h1", "hold", "mqtt"),))
    heating.ticks(4)
    assert heating.state == "held" and not heating.controller.outputs.k1
    heating.press("green")
    assert heating.state == "held"
    heating.hold_green()
    heating.ticks(15)
    assert heating.state == "running" and heating.controller.outputs.mixer


def test_black_short_holds_and_black_held_stops(heating: Bench) -> None:
    heating.press("black")
    heating.ticks(3)
    assert heating.state == "held"
    heating.press("black", seconds=6)
    heating.ticks(3)
    assert heating.state == "stopped"
    heating.hold_green()
    assert heating.state == "stopped" and not heating.controller.outputs.k2_wanted


def test_presence_runs_out_pauses_and_one_press_goes_on(heating: Bench) -> None:
    heating.controller.state.safety.presence_age_s = 3600.0 - 299.0
    heating.tick()
    assert heating.controller.outputs.horn, "the horn asks five minutes before"
    heating.ticks(296)
    assert heating.state == "running"
    heating.ticks(6)
    assert heating.state == "paused" and not heating.controller.outputs.mixer
    heating.press("green")
    heating.ticks(3)
    assert heating.state == "running"


def test_after_a_stand_longer_than_presence_energy_waits_for_a_press_and_no_fault_is_told(
    heating: Bench,
) -> None:
    """Cooling took two hours; now the mixer is wanted, and who comes has five minutes."""
    heating.controller.state.process.step = "cool.stand"
    heating.set_oil(57.0)
    heating.ticks(10)
    heating.controller.state.safety.presence_age_s = 7200.0
    heating.set_oil(40.0)
    heating.ticks(280)
    out, status = heating.controller.outputs, status_of(heating.controller, heating.now_s)
    assert heating.step == "heat.warm" and not out.mixer and not out.k1 and not out.k2_wanted
    assert out.horn and status.prompt_text == "Is somebody there? Energy waits."
    assert heating.state == "running" and not heating.controller.state.safety.alarms
    other = heating.copy()
    other.press("green")
    other.ticks(5)
    assert other.controller.outputs.mixer
    heating.ticks(30)
    assert heating.state == "paused" and not heating.controller.outputs.mixer


def test_a_pause_nobody_ends_becomes_a_hold(heating: Bench) -> None:
    heating.controller.state.safety.presence_age_s = 3600.0 - 300.0
    heating.ticks(20 * 60 + 10)
    assert heating.state == "held"


def test_an_aborting_trip_ends_in_held_after_the_reset_and_never_restarts(heating: Bench) -> None:
    heating.override["estop_closed"] = False
    heating.ticks(4)
    assert heating.state == "aborted"
    heating.press("blue", seconds=6)
    assert heating.controller.state.safety.latches == ["e-stop"], "the cause is still there"
    del heating.override["estop_closed"]
    heating.ticks(2)
    heating.press("blue", seconds=6)
    heating.ticks(2)
    assert heating.controller.state.safety.latches == []
    assert heating.state == "held" and not heating.controller.outputs.k2_wanted


def test_latches_are_reset_one_at_a_time_first_out_first(heating: Bench) -> None:
    heating.override.update(estop_closed=False)
    heating.ticks(2)
    heating.override.update(mixer_proof=True)
    heating.ticks(8)
    latches = heating.controller.state.safety.latches
    assert latches[:2] == ["e-stop", "mixer-runs-on"]
    heating.override.clear()
    heating.ticks(2)
    heating.press("blue", seconds=6)
    heating.ticks(2)
    assert heating.controller.state.safety.latches == ["mixer-runs-on"]
    heating.press("blue", seconds=6)
    heating.ticks(2)
    assert heating.controller.state.safety.latches == ["mixer-runs-on"], "needs a typed reason"
    heating.tick((Request("s", "reset", "local", "mixer-runs-on", text="relay replaced"),))
    heating.press("blue", seconds=6)
    heating.ticks(2)
    assert heating.controller.state.safety.latches == []


def test_a_latch_of_the_guard_is_shown_with_what_to_do(heating: Bench) -> None:
    heating.guard_changes.update(latches=("probe",), enable=False)
    heating.override["k2_open"] = True
    heating.ticks(8)
    status = status_of(heating.controller, heating.now_s)
    assert heating.state == "held" and "guard: probe" in status.latches
    assert status.prompt == "latch" and "hold blue" in status.answers


def test_after_a_stop_in_the_middle_of_pouring_the_gate_is_asked_for_again(
    heating: Bench,
) -> None:
    to_dose_gate(heating)
    heating.hold_green()
    assert heating.step == "dose.pour"
    heating.press("black")
    heating.ticks(4)
    status = status_of(heating.controller, heating.now_s)
    assert heating.state == "held"
    assert status.prompt_text.startswith("Close the methoxide valve")
    heating.hold_green()
    heating.ticks(15)
    assert heating.state == "running" and heating.step == "dose.gate"


@pytest.mark.parametrize(("limit", "code"), [("alarm_c", "over-alarm"), ("trip_c", "over-trip")])
@pytest.mark.parametrize("below_k", [0.1, 0.0])
def test_with_methanol_the_limits_hang_on_its_boiling_point(
    heating: Bench, limit: str, code: str, below_k: float,
) -> None:
    to_dose_gate(heating)
    assert heating.controller.limits is not None
    limit_c = getattr(heating.controller.limits, limit)
    for judge in (heating.controller.state.safety.probe_a,
                  heating.controller.state.safety.probe_b):
        judge.good_c = limit_c - below_k
    heating.controller.state.safety.effects = EffectState()  # the jump is the test's, not the oil's
    heating.probe_a = heating.probe_b = ProbeReading(limit_c - below_k, heating.now_s + 0.5)
    heating.tick()
    safety = heating.controller.state.safety
    assert (code in safety.alarms) is (below_k == 0.0)
    if limit == "trip_c":
        assert heating.controller.outputs.mixer is (below_k > 0.0)
        assert (safety.latches == ["over-trip"]) is (below_k == 0.0)


def test_a_press_for_presence_does_not_answer_the_question_behind_it(heating: Bench) -> None:
    to_dose_gate(heating)
    heating.hold_green()
    assert heating.step == "dose.pour"
    heating.controller.state.safety.presence_age_s = 1799.0 - 200.0
    heating.ticks(2)
    assert heating.controller.presence_wanted()
    heating.press("green")
    assert heating.step == "dose.pour", "nobody said that all is in"
    heating.ticks(3)
    heating.press("green")
    assert heating.step == "mix.run"
