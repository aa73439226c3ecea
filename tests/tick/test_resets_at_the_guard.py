"""A cause that the guard latches: three resets of it in a batch, then a typed reason here as well.

The guard resets by itself, whatever this side thinks of it; the controller counts what it hears.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from esterward.guard import rule
from esterward.safety import gate
from esterward.safety.state import SafetyState
from esterward.settings.files import load_pair
from esterward.status import status_of
from esterward.tick import from_plain
from esterward.values.events import EventLog
from esterward.values.messages import GUARD_LATCHES
from esterward.values.outputs import SAFE
from esterward.values.readings import ProbeReading
from esterward.values.requests import Request
from esterward_sim.rehearsal import Rehearsal
from esterward_sim.virtual import NoRecord, VirtualRig
from harness import Bench

TOP = Path(__file__).parents[2]
LOCKED = ["guard-resets"]


@pytest.fixture(scope="module")
def heating() -> Bench:
    bench = Bench()
    bench.to_heating()
    return bench


# -- what is counted ----------------------------------------------------------------------------


def follow(bench: Bench, state: SafetyState, *latches: str) -> list[tuple[str, object]]:
    assert bench.report is not None
    log = EventLog(0, 0.0)
    heard = replace(bench.report, latches=latches)
    assert gate.follow_guard(state, heard, log) == latches
    return [(event.kind, event.data.get("resets", event.data["code"])) for event in log.events]


def test_a_latch_of_the_guard_that_went_is_a_reset_each_cause_by_itself(heating: Bench) -> None:
    state = SafetyState()
    assert follow(heating, state) == []
    assert follow(heating, state, "probe", "k1") == [("guard_latched", "probe"),
                                                     ("guard_latched", "k1")]
    assert follow(heating, state, "probe", "k1") == []
    assert follow(heating, state, "k1") == [("guard_reset", 1)]
    assert follow(heating, state, "k1", "probe") == [("guard_latched", "probe")]
    assert follow(heating, state) == [("guard_reset", 1), ("guard_reset", 2)]
    assert state.guard_resets == {"probe": 2, "k1": 1} and state.guard_latches == []


def test_while_the_guard_is_not_heard_nothing_is_reset_and_what_went_meanwhile_is_counted(
    heating: Bench,
) -> None:
    state, log = SafetyState(), EventLog(0, 0.0)
    follow(heating, state, "silent")
    assert gate.follow_guard(state, None, log) == () and log.events == []
    assert state.guard_latches == ["silent"] and state.guard_resets == {}
    assert follow(heating, state) == [("guard_reset", 1)]


def test_a_word_that_no_guard_says_is_not_counted(heating: Bench) -> None:
    state = SafetyState()
    assert follow(heating, state, "nonsense") == follow(heating, state) == []
    assert state.guard_resets == {}
    assert set(GUARD_LATCHES) == set(rule.CAUSES), "and every one that it can is known"


# -- the whole tick beside the guard's own rule ---------------------------------------------------


def only_the_guard_latches(bench: Bench) -> None:
    """Probe B is gone for too long for the guard and not long enough for a fault of this side."""
    for _ in range(7):
        bench.probe_b = ProbeReading(None, bench.now_s + 1.0, "unplugged")
        bench.tick()
    bench.probe_b = None
    bench.ticks(5)
    assert bench.guard.latches == ["probe"] and bench.state == "held"


def last_note(bench: Bench) -> object:
    return [event.data["text"] for event in bench.events if event.kind == "note"][-1]


def go_on(bench: Bench) -> None:
    bench.hold_green()
    bench.ticks(35)  # heat waits for 30 s of readings of the probe
    assert bench.state == "running" and bench.controller.outputs.k1, bench.events[-3:]


def restart_controller(bench: Bench) -> None:
    new = bench.copy().controller
    new.restarted("power came back", new.state.last_event)
    bench.controller = new


def restart_guard(bench: Bench) -> None:
    bench.guard = rule.read_file(rule.file_text(bench.guard))


def thrice(bench: Bench, restart: str) -> None:
    """Three resets by blue alone; one process starts anew in the middle of the second."""
    for number in range(3):
        only_the_guard_latches(bench)
        if number == 1 and restart == "controller":
            restart_controller(bench)
        if number == 1 and restart == "guard":
            restart_guard(bench)
        bench.ticks(2)
        bench.press("blue", seconds=6)
        assert bench.guard.latches == [] and bench.controller.state.safety.latches == []
        if restart == "guard" and bench.guard.flag:
            bench.press("green", "blue", seconds=6)
        go_on(bench)
    assert bench.controller.state.safety.guard_resets["probe"] == 3


@pytest.mark.parametrize("restart", ["", "controller", "guard"])
def test_the_fourth_latch_of_one_cause_at_the_guard_is_locked_out_until_a_reason_is_typed(
    restart: str, heating: Bench,
) -> None:
    bench = heating.copy()
    thrice(bench, restart)
    only_the_guard_latches(bench)
    safety = bench.controller.state.safety
    assert safety.latches == LOCKED and "guard-resets" in safety.alarms
    bench.press("blue", seconds=6)
    assert bench.guard.latches == [], "the guard asks nobody"
    assert safety.latches == LOCKED and safety.guard_resets["probe"] == 4
    bench.press("blue", seconds=6)
    assert safety.latches == LOCKED and last_note(bench) == (
        "not reset: guard-resets: type `esterward record reset guard-resets --why TEXT` on the "
        "machine first")
    bench.hold_green()
    bench.ticks(10)
    assert bench.state == "held" and not bench.controller.outputs.k2_wanted
    told = status_of(bench.controller, bench.now_s)
    assert told.prompt == "latch" and "record reset guard-resets --why TEXT" in told.answers
    assert "It is 'probe': its own probe gave no usable reading." in told.prompt_text
    bench.tick((Request("why", "reset", "local", "guard-resets", text="plug of B cleaned"),))
    bench.press("blue", seconds=6)
    bench.ticks(2)
    assert safety.latches == []
    go_on(bench)
    only_the_guard_latches(bench)
    assert safety.latches == LOCKED, "and so is every further one"


def test_a_lock_out_outlives_a_restart_of_both(heating: Bench) -> None:
    bench = heating.copy()
    thrice(bench, "")
    only_the_guard_latches(bench)
    restart_controller(bench)
    restart_guard(bench)
    bench.ticks(5)
    assert bench.controller.state.safety.latches == LOCKED and bench.guard.latches == ["probe"]
    bench.press("blue", seconds=6)
    assert bench.controller.state.safety.latches == LOCKED and bench.guard.latches == []


def test_a_typed_reason_lifts_nothing_while_the_guard_still_holds_the_cause(
    heating: Bench,
) -> None:
    bench = heating.copy()
    bench.controller.state.safety.guard_resets["probe"] = 3
    bench.probe_b = ProbeReading(None, 1e9, "unplugged")
    bench.ticks(8)
    assert bench.guard.latches == ["probe"]
    assert bench.controller.state.safety.latches == LOCKED
    bench.tick((Request("why", "reset", "local", "guard-resets", text="plug of B cleaned"),))
    bench.press("blue", seconds=6)
    assert bench.controller.state.safety.latches[:1] == LOCKED
    assert last_note(bench) == "not reset: guard-resets: its cause is still there"


def test_what_a_guard_resets_of_other_causes_locks_nothing(heating: Bench) -> None:
    bench = heating.copy()
    bench.controller.state.safety.guard_resets = {"silent": 3, "k1": 9, "probe": 2}
    only_the_guard_latches(bench)
    assert bench.controller.state.safety.latches == []


def test_a_lock_out_of_this_sides_own_says_what_to_type_too(heating: Bench) -> None:
    bench = heating.copy()
    bench.override["estop_closed"] = False
    bench.ticks(4)
    for resets, typed in ((2, False), (3, True)):
        bench.controller.state.safety.resets["e-stop"] = resets
        told = status_of(bench.controller, bench.now_s)
        assert ("record reset e-stop --why TEXT" in told.answers) is typed


def type_reason(bench: Bench, code: str) -> None:
    bench.tick((Request(f"why{bench.now_s}", "reset", "local", code, text="looked at, mended"),))


def test_a_lock_out_names_the_cause_that_came_again_and_no_other(heating: Bench) -> None:
    bench = heating.copy()
    safety = bench.controller.state.safety
    safety.guard_resets = {"e-stop": 3, "level": 5, "probe": 3}
    only_the_guard_latches(bench)
    for _ in range(2):  # while the guard still holds it, and once it is reset there
        text = status_of(bench.controller, bench.now_s).prompt_text
        assert "It is 'probe'" in text and text.count("It is") == 1
        bench.press("blue", seconds=6)
    restart_controller(bench)
    bench.ticks(3)
    safety = bench.controller.state.safety
    assert status_of(bench.controller, bench.now_s).prompt_text.count("It is 'probe'") == 1
    type_reason(bench, "guard-resets")
    bench.press("blue", seconds=6)
    bench.ticks(2)
    assert safety.latches == [] and safety.guard_over == []
    bench.guard.latches.append("level")
    bench.ticks(2)
    text = status_of(bench.controller, bench.now_s).prompt_text
    assert "It is 'level'" in text and text.count("It is") == 1, "what was explained is over"


@pytest.mark.parametrize(("typed", "over", "serves"), [
    ("e-stop", (), True), ("guard-resets", (), False), ("e-stop", ("probe",), False),
    ("level", (), False)])
def test_a_cause_locked_out_on_both_sides_is_explained_once(
    typed: str, over: tuple[str, ...], serves: bool, heating: Bench,
) -> None:
    """By its own name, and only where it is all that the guard's lock-out is about."""
    bench = heating.copy()
    safety = bench.controller.state.safety
    safety.resets["e-stop"] = safety.guard_resets["e-stop"] = 3
    safety.guard_over.extend(over)
    bench.override["estop_closed"] = False
    bench.ticks(3)
    del bench.override["estop_closed"]
    bench.ticks(3)
    assert safety.latches == ["e-stop", *LOCKED] and bench.guard.latches == ["e-stop"]
    told = status_of(bench.controller, bench.now_s)
    assert "record reset e-stop --why TEXT" in told.answers
    type_reason(bench, typed)
    bench.press("blue", seconds=6)
    bench.ticks(2)
    told = status_of(bench.controller, bench.now_s)
    assert serves is ("record reset" not in told.answers), "not asked for twice"
    for _ in range(2):
        bench.press("blue", seconds=6)
        bench.ticks(2)
    assert bench.guard.latches == []
    assert (safety.latches == []) is serves
    assert safety.reasons_age_s == ({} if typed == "e-stop" else {typed: pytest.approx(27.0)})


def try_the_estop(bench: Bench) -> None:
    bench.override["estop_closed"] = False
    bench.ticks(2)
    del bench.override["estop_closed"]
    bench.ticks(2)
    assert bench.controller.state.safety.latches[:1] == bench.guard.latches == ["e-stop"]
    bench.press("blue", seconds=6)
    bench.ticks(2)


def test_before_the_start_the_emergency_stop_is_tried_as_often_as_one_likes() -> None:
    bench = Bench()
    bench.to_idle_ready()
    safety = bench.controller.state.safety
    for _ in range(5):
        try_the_estop(bench)
        assert safety.latches == bench.guard.latches == []
        assert (safety.resets, safety.guard_resets) == ({}, {})
    resets = [e.data["resets"] for e in bench.events if e.kind in ("latch_reset", "guard_reset")]
    assert resets == [0] * 12, "what was tried before the start is no reset of the batch"
    bench.hold_green()
    bench.ticks(4)
    assert bench.state == "running"
    for number in range(3):
        try_the_estop(bench)
        assert safety.resets == safety.guard_resets == {"e-stop": number + 1}
        assert safety.latches == bench.guard.latches == []
    try_the_estop(bench)
    assert safety.latches == ["e-stop", *LOCKED], "and within the batch the fourth is locked out"


@pytest.mark.parametrize("end", ["complete", "stopped"])
def test_after_the_batch_nothing_is_counted_either_and_what_was_locked_stays(
    end: str, heating: Bench,
) -> None:
    bench = heating.copy()
    bench.controller.state.process.state = end
    safety = bench.controller.state.safety
    for _ in range(5):
        try_the_estop(bench)
    assert safety.latches == bench.guard.latches == []
    safety.resets["e-stop"] = 3
    try_the_estop(bench)
    assert safety.latches == ["e-stop"] and safety.guard_resets == {}


def test_a_start_that_a_latch_refuses_names_it() -> None:
    bench = Bench()
    bench.to_idle_ready()
    bench.controller.state.safety.latches = ["k1-welded", "sump"]
    bench.tick()
    bench.hold_green()
    assert last_note(bench) == (
        "start refused: a latch is set (k1-welded, sump): reset it first, the question says how")
    assert bench.state == "idle"


# -- the whole virtual rig: plant, codec of the socket, file of the guard -------------------------


def quarters(rig: VirtualRig, seconds: float) -> None:
    for _ in range(round(4 * seconds)):
        rig.quarter()


def hold(rig: VirtualRig, seconds: float, *buttons: str) -> None:
    for level, length_s in ((True, seconds), (False, 2.0)):
        for button in buttons:
            setattr(rig.plant, button, level)
        quarters(rig, length_s)


def heats_again(rig: VirtualRig) -> bool:
    """Blue, the methanol question where it is asked, green: what a person does after a latch."""
    hold(rig, 6.0, "blue")
    assert rig.guard.state.latches == []
    if rig.guard.state.flag or rig.controller.state.flag.set:
        hold(rig, 6.0, "green", "blue")
    hold(rig, 3.0, "green")
    quarters(rig, 20.0)
    return rig.plant.element_on


def test_on_the_virtual_rig_a_guards_cause_is_reset_thrice_and_not_a_fourth_time() -> None:
    batch, reactor = load_pair(TOP / "sim/scenarios/demo/batch.toml",
                               TOP / "firmware/config/reactor.toml")
    assert reactor is not None
    rehearsal = Rehearsal(reactor, replace(batch, setpoint_c=50.0), NoRecord())
    rig = rehearsal.rig
    while not (rig.controller.process.state.step == "heat.warm" and rig.plant.element_on):
        rehearsal.step()
    quarters(rig, 120.0)
    for number in range(4):
        rig.plant.faults.start("probe_b_lost")
        quarters(rig, 7.0)
        rig.plant.faults.end("probe_b_lost")
        quarters(rig, 5.0)
        assert rig.guard.state.latches == ["probe"], number
        safety = rig.controller.state.safety
        assert safety.latches == (LOCKED if number == 3 else []), number
        if number == 1:  # the controller is killed and starts from what was stored
            old = rig.controller
            new = from_plain(old.reactor, old.file_batch, old.to_plain())
            new.restarted("power came back", old.state.last_event)
            rig.relays.write(SAFE, rig.clock.time_s)
            rig.controller = rig.loop.controller = new
            rig.loop.newest = rig.loop.next_tick_s = None
        if number == 2:  # and the guard from its file
            rig.guard.state = rule.read_file(rig.guard.file)
            rig.guard.message = rig.guard.newest = None
            assert rig.guard.state.latches == ["probe"]
        quarters(rig, 5.0)
        assert heats_again(rig) is (number < 3), number
    assert rig.controller.state.safety.guard_resets["probe"] == 4
    assert not rig.plant.k2_closed and rig.controller.process.state.state == "held"
