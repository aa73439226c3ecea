"""The judges of the trials by themselves: what each counts as broken, and what not yet."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

import pytest

from esterward.process.prompts import PROMPTS
from esterward.process.stages import STEPS
from esterward.values.outputs import Outputs
from esterward.values.requests import RESET, Request
from esterward_sim.plant.lines import Lines
from esterward_sim.rehearsal import Rehearsal
from esterward_sim.trials_faults import CASES
from esterward_sim.trials_oracles import DEADLINE, INVARIANTS, Watch
from esterward_sim.trials_plants import TrialRecord, plant_of
from esterward_sim.trials_truth import NEVER_S, RESTS, Truth, away, methanol
from harness import BATCH, REACTOR

ALL_FITTED = 1


@pytest.mark.parametrize(("methanol_l", "level_l", "counts"), [
    (0.0264, 196.0, False), (0.0264, 20.0, True), (0.05, 196.0, True), (0.0, 0.0, False)])
def test_what_three_washes_leave_in_a_large_vessel_is_no_methanol_but_in_a_small_one(
    methanol_l: float, level_l: float, counts: bool,
) -> None:
    plant: Any = SimpleNamespace(contents=SimpleNamespace(methanol=methanol_l * 24.7),
                                 methanol_l=methanol_l, level_l=level_l)
    assert methanol(plant) is counts


@pytest.mark.parametrize(("fault", "other", "looks", "fan_off_s"), [
    ("vapour_high", "", 4, 1.0), ("sump_wet", "", 4, 1.0), ("vapour_high", "vent_failed", 4, 0.0),
    ("vapour_high", "vapour_sensor_stuck", 4, 0.0), ("sump_wet", "sump_switch_stuck", 4, 0.0),
    ("sump_wet", "line_vent_low", 4, 0.0), ("estop_pressed", "", 4, 0.0)])
def test_a_fan_must_run_where_vapour_or_a_leak_is_seen_and_it_can(
    fault: str, other: str, looks: int, fan_off_s: float,
) -> None:
    run_, truth = Rehearsal(plant_of(ALL_FITTED).reactor, BATCH, TrialRecord()), Truth()
    plant = run_.rig.plant
    for name in (fault, other):
        if name:
            plant.faults.start(name)
    for _ in range(8):
        plant.step(0.25, Lines())
    for _ in range(looks):
        run_.rig.loop.newest = None
        truth._heard_s = run_.rig.clock.time_s
        truth.look(run_)
    assert truth.fan_off_s == fan_off_s
    for _ in range(8):
        plant.step(0.25, Lines(vent=True))
    truth.look(run_)
    assert truth.fan_off_s == 0.0


def test_a_fan_that_ran_into_a_latch_may_not_stop_before_it_is_reset() -> None:
    run_, truth = Rehearsal(plant_of(ALL_FITTED).reactor, BATCH, TrialRecord()), Truth()
    plant, latches = run_.rig.plant, run_.rig.controller.state.safety.latches

    def look(vent: bool) -> float:
        plant.step(0.25, Lines(vent=vent))
        truth.look(run_)
        return truth.fan_off_s

    assert [look(True), look(False)] == [0.0, 0.0], "off by plan"
    latches.append("level")
    assert look(False) == 0.0, "it stood already"
    assert [look(True), look(False), look(False)] == [0.0, 0.25, 0.5]
    run_.rig.controller_dead = True
    assert look(False) == 0.0, "nobody is there to run it"
    run_.rig.controller_dead = False
    assert [look(True), look(False)] == [0.0, 0.25]
    latches.clear()
    assert look(False) == 0.0


def test_horn_and_fan_are_not_asked_of_a_controller_that_sleeps_past_its_leases() -> None:
    run_ = Rehearsal(plant_of(ALL_FITTED).reactor, BATCH, TrialRecord())
    rig = run_.rig
    rig.relays.write(Outputs(vent=True), 0.0)

    def asleep(at_s: float) -> bool:
        rig.clock.time_s = at_s
        return away(rig)

    assert not asleep(20.0), "one that should look and does not is not excused"
    rig.plant.faults.start("controller_slow", 20.0)
    assert [asleep(3.0), asleep(3.25)] == [False, True]
    rig.relays.write(Outputs(vent=True), 20.0)
    assert not asleep(20.25)


@pytest.mark.parametrize("whose", ["controller", "guard"])
def test_the_flag_must_stay_from_when_it_is_set_or_anybody_pours(whose: str) -> None:
    run_, truth = Rehearsal(REACTOR, BATCH, TrialRecord()), Truth()
    state, guard = run_.rig.controller.state, run_.rig.guard.state

    def unset_s(step: str, flag: bool, looks: int = 8) -> float:
        state.process.step = step
        state.flag.set, guard.flag = (flag, True) if whose == "controller" else (True, flag)
        for _ in range(looks):
            truth.look(run_)
        return (truth.kept if whose == "controller" else truth.guard_kept).unset_s

    assert unset_s("dose.flag", False) == 0.0, "it is only asked for"
    assert unset_s("dose.gate", False) == 2.0
    assert unset_s("dose.flag", False) == 4.0, "a restart forgets nothing"
    assert unset_s("dose.flag", True) == 0.0
    assert unset_s("dose.gate", True) == 0.0
    assert unset_s("dose.pour", False, 1) > 1000.0, "nobody pours without"
    assert unset_s("dose.pour", True) == 0.0
    truth.hand_cleared = True
    assert unset_s("mix.run", False) == 0.0
    assert unset_s("dose.flag", False) == 0.0, "asked for anew"
    assert unset_s("dose.pour", False, 1) > 1000.0


@pytest.mark.parametrize(("oil_c", "found"), [(60.0, True), (81.0, True), (96.0, False)])
def test_probes_3_k_apart_must_end_the_heat_only_where_that_is_not_allowed(
    oil_c: float, found: bool,
) -> None:
    run_, watch = Rehearsal(REACTOR, BATCH, TrialRecord()), Watch()
    watch.case, watch.active = CASES["probe_b_offset"], True
    plant = run_.rig.plant
    plant.thermal.upper_c = plant.thermal.lower_c = oil_c
    plant.electrical.power, plant.electrical.mixer_on = 1.0, True
    for _ in range(4 * (120 + 150)):
        watch.step(run_)
        assert DEADLINE not in watch.broken
    watch.step(run_)
    assert (DEADLINE in watch.broken) == found


@pytest.mark.parametrize(("moved_k", "found"), [(2.9, False), (3.1, True), (-3.1, True)])
def test_a_probe_that_repeats_must_end_the_heat_once_the_oil_has_moved(
    moved_k: float, found: bool,
) -> None:
    run_, watch = Rehearsal(REACTOR, BATCH, TrialRecord()), Watch()
    watch.case, watch.active = CASES["probe_a_stuck"], True
    plant = run_.rig.plant
    plant.electrical.power, plant.electrical.mixer_on = 1.0, True
    for second in range(120 + 151):
        plant.thermal.upper_c = plant.thermal.lower_c = 40.0 + (moved_k if second else 0.0)
        for _ in range(4):
            watch.step(run_)
    assert (DEADLINE in watch.broken) == found


@pytest.mark.parametrize(("quarters", "k1", "margin"), [
    ((0,), False, 1.0), ((1, 1, 1, 1), False, 0.0), ((1, 0, 1, 0, 1, 0, 1, 0, 1), False, -0.25),
    ((1,), True, -NEVER_S)])
def test_current_while_methoxide_runs_in_is_summed_and_none_may_be_asked_for(
    quarters: tuple[int, ...], k1: bool, margin: float,
) -> None:
    run_, truth = Rehearsal(REACTOR, BATCH, TrialRecord()), Truth()
    process = run_.rig.controller.process.state
    process.step, process.state = "dose.pour", "running"
    truth.look(run_)  # the moment it is entered has a rule of its own
    row = next(row for row in INVARIANTS if row.name == "I-04 rest")
    for on in quarters:
        run_.rig.plant.electrical.power = float(on)
        run_.rig.relays.write(Outputs(k1=k1), run_.rig.clock.time_s)
        truth.look(run_)
    found = row.margin(truth, run_)
    assert found is not None and found == pytest.approx(margin)


@pytest.mark.parametrize("asked", [name for name, prompt in PROMPTS.items()
                                   if "Drained" in prompt.text])
def test_whatever_is_drained_is_drained_at_rest(asked: str) -> None:
    run_, watch = Rehearsal(REACTOR, BATCH, TrialRecord()), Watch()
    (still,) = (row for row in INVARIANTS if row.name == "I-05 still")
    truth = watch.truth
    truth.asked, truth.state = asked, "running"
    assert still.margin(truth, run_) == 0.0
    truth.mixer = True
    assert still.margin(truth, run_) == -1.0


def test_what_stays_in_the_can_when_its_valve_is_shut_was_not_poured() -> None:
    run_, truth = Rehearsal(REACTOR, BATCH, TrialRecord()), Truth()
    plant = run_.rig.plant
    for shut_after_s, poured_l in ((50, 5.0), (25, 7.5), (200, 12.5)):
        plant.pour_methoxide(10.0 if poured_l < 12 else 5.0, 0.0, 20.0, 100.0)
        for _ in range(shut_after_s):
            truth.look(run_)
            plant.step(1.0, Lines())
        plant.stop_pouring()
        truth.look(run_)
        assert truth.doses.poured_l == pytest.approx(poured_l, abs=0.01)


def test_a_typed_reason_allows_one_reset_more() -> None:
    run_, truth = Rehearsal(REACTOR, BATCH, TrialRecord()), Truth()
    row = next(row for row in INVARIANTS if row.name == "I-10 lock-out")
    latches = run_.rig.controller.state.safety.latches

    def reset() -> float | None:
        latches.append("level")
        truth.look(run_)
        run_.person.requests.clear()
        latches.clear()
        truth.look(run_)
        return row.margin(truth, run_)

    assert [reset() for _ in range(4)] == [2.0, 1.0, 0.0, -1.0]
    run_.person.requests.append(Request("typed-1", RESET, "local", "level", text="looked at"))
    assert [reset() for _ in range(2)] == [0.0, -1.0]


@pytest.mark.parametrize(("step", "state", "pressed_s", "margin"), [
    ("mix.run", "running", 0.75, 0.0), ("mix.run", "running", 2.75, 1.0),
    ("mix.run", "held", 0.75, 0.0), ("settle.first", "held", 0.75, 0.0),
    ("settle.first", "running", 0.75, 1.0), ("settle.first", "running", 0.0, 0.0)])
def test_after_a_start_green_is_held_but_where_a_rest_went_on_a_press_will_do(
    step: str, state: str, pressed_s: float, margin: float,
) -> None:
    run_, truth = Rehearsal(REACTOR, BATCH, TrialRecord()), Truth()
    process, el = run_.rig.controller.process.state, run_.rig.plant.electrical
    process.step, process.state = step, "running"
    el.green = True
    for _ in range(12):  # held for what was before the start
        truth.look(run_)
    el.green = False
    process.state = state
    cast(Any, run_.record).boots += 1
    truth.look(run_)
    for quarter in range(12):
        el.green = quarter < 4 * pressed_s
        truth.look(run_)
    el.mixer_on = True
    for _ in range(4):
        truth.look(run_)
    row = next(row for row in INVARIANTS if row.name == "I-06 press")
    assert row.margin(truth, run_) == margin


def test_the_rests_that_go_on_after_a_start_are_those_that_need_nobody() -> None:
    assert {name for name, step in STEPS.items() if step.sits} == set(RESTS)
    assert not any(STEPS[name].heat or STEPS[name].mixer or STEPS[name].air for name in RESTS)
