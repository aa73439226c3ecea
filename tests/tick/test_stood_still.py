"""One of the two processes stands still for a while: one cause is named, nothing else latches."""

from __future__ import annotations

from typing import Any

import pytest

from esterward.safety import gate
from esterward.safety.facts import SafetyFacts
from esterward.safety.interlocks import HEAT, Interlock
from esterward.safety.state import SafetyState
from esterward.values.events import EventLog
from esterward.values.readings import ProbeReading
from harness import Bench


@pytest.fixture(scope="module")
def heating() -> Bench:
    bench = Bench()
    bench.to_heating()
    return bench


def raised(bench: Bench, since: int) -> list[tuple[str, str]]:
    return [(event.kind, event.data["code"]) for event in bench.events[since:]
            if event.kind in ("alarm_raised", "latched")]


def stand_still(bench: Bench, gap_s: float, heard: bool = True) -> None:
    """The controller stops; after 3 s the leases of its outputs have lapsed."""
    c = bench.oil_c
    if gap_s > 3.0:
        bench.override.update(k1_open=True, mixer_proof=False)
    if not heard:  # the socket is full of old lines
        bench.guard_at_s = bench.now_s + 1.0
    bench.probe_a = ProbeReading(c, bench.now_s)
    bench.warms = False  # the guard lets go after 2 s
    alone_s = min(3, round(gap_s) - 1)
    for _ in range(alone_s):
        bench.now_s += 1.0
        bench.guard_cycles()
    bench.tick(dt_s=gap_s - alone_s)
    bench.warms, bench.guard_at_s, bench.probe_a = True, None, None
    bench.override.pop("k1_open", None)
    bench.override.pop("mixer_proof", None)


@pytest.mark.parametrize("heard", [True, False])
@pytest.mark.parametrize("gap_s", [2.25, 3.0, 5.0, 10.0, 60.0, 3600.0, 86400.0])
def test_after_a_hang_of_any_length_it_is_held_for_that_and_nothing_else(
    gap_s: float, heard: bool, heating: Bench,
) -> None:
    bench = heating.copy()
    since = len(bench.events)
    stand_still(bench, gap_s, heard)
    out = bench.controller.outputs
    assert (out.k1, out.mixer, out.k2_wanted) == (False, False, False)
    bench.ticks(30)
    assert raised(bench, since) == [("alarm_raised", "slow")]
    assert bench.state == "held" and bench.controller.state.process.why == "slow"
    assert bench.controller.state.safety.latches == [] and bench.guard.latches == ["silent"]


def test_after_a_hang_blue_the_methanol_question_and_green_once_each_go_on(
    heating: Bench,
) -> None:
    bench = heating.copy()
    stand_still(bench, 60.0)
    bench.ticks(5)
    bench.press("blue", seconds=6)
    bench.ticks(2)
    assert bench.guard.latches == [] and bench.controller.state.process.asked == "washed"
    bench.press("green", "blue", seconds=6)
    assert not bench.controller.state.flag.set
    bench.hold_green()
    bench.ticks(20)
    assert bench.state == "running" and bench.controller.outputs.k1


@pytest.mark.parametrize(("override", "code"), [
    ({"estop_closed": False}, "e-stop"), ({"cutout_closed": False}, "cut-out")])
def test_what_tripped_during_the_hang_is_the_reason_before_the_hang_itself(
    override: dict[str, Any], code: str, heating: Bench,
) -> None:
    bench = heating.copy()
    bench.override.update(override)
    stand_still(bench, 60.0)
    bench.ticks(3)
    assert bench.controller.state.safety.latches == [code]
    assert bench.state == "aborted"


def test_a_contact_closed_against_a_command_of_before_the_hang_counts_the_whole_of_it(
    heating: Bench,
) -> None:
    bench = heating.copy()
    bench.press("black")
    bench.ticks(5)
    assert bench.state == "held"
    bench.override["k1_open"] = False
    bench.tick(dt_s=60.0)
    assert bench.controller.state.safety.latches == ["k1-welded"]


def test_presence_ages_through_a_hang_and_a_rest_after_the_alarm_limit_does_not(
    heating: Bench,
) -> None:
    bench = heating.copy()
    safety = bench.controller.state.safety
    assert safety.presence_age_s is not None
    before_s = safety.presence_age_s
    safety.alarm_rest_s = 500.0
    stand_still(bench, 60.0)
    assert safety.presence_age_s == before_s + 60.0 and safety.alarm_rest_s == 498.0
    assert safety.wet_s == safety.proven_s == 0.0, "and every proof begins anew"


def test_slow_ticks_just_in_time_accuse_no_contactor(heating: Bench) -> None:
    """The guard's enable, seen gone in a tick 1.9 s after the last, went in its last cycle."""
    bench = heating.copy()
    bench.guard_changes["enable"] = False
    bench.tick(dt_s=1.9)
    assert bench.controller.state.safety.latches == []


@pytest.mark.parametrize("silent_s", [2, 9, 40, 75, 600])
def test_a_silent_guard_is_the_one_cause_that_latches_and_it_waits_for_the_read_backs(
    silent_s: int, heating: Bench,
) -> None:
    bench = heating.copy()
    since = len(bench.events)
    bench.guard_at_s = bench.now_s
    bench.ticks(silent_s)
    assert not bench.controller.outputs.k2_wanted
    assert bench.controller.state.safety.withheld in ({}, dict.fromkeys(
        ("heat", "mixer"), "guard-silent"))
    if silent_s > 10:
        assert bench.state == "holding"
    bench.guard_at_s = None
    bench.ticks(4)
    assert raised(bench, since) == [("alarm_raised", "guard-silent"), ("latched", "guard-silent")]
    assert bench.state == "held"
    bench.press("blue", seconds=6)
    bench.ticks(2)
    if silent_s > 10:  # unknown is set, and must be answered anew
        assert bench.controller.state.process.asked == "washed"
        bench.press("green", "blue", seconds=6)
    bench.hold_green()
    bench.ticks(20)
    assert bench.state == "running" and bench.controller.outputs.k1


@pytest.mark.parametrize("first_s", [0.25, 1.0])
def test_what_a_guard_that_stood_still_repeats_of_before_accuses_no_contactor(
    first_s: float, heating: Bench,
) -> None:
    """Its debounced inputs are those of the moment it was stopped, until it has looked again."""
    bench = heating.copy()
    bench.guard_at_s = bench.now_s
    bench.ticks(20)
    bench.guard_at_s = None
    bench.override.update(k1_open=False, k2_open=False, mixer_proof=True)
    bench.tick(dt_s=first_s)
    bench.override.clear()
    bench.ticks(5)
    assert bench.controller.state.safety.latches == ["guard-silent"] and bench.state == "held"
    bench.override["k1_open"] = False
    bench.ticks(2)
    assert "k1-welded" in bench.controller.state.safety.latches


def test_the_alarm_of_a_silent_guard_stands_as_long_as_it_is_silent(heating: Bench) -> None:
    bench = heating.copy()
    bench.guard_at_s = bench.now_s
    bench.ticks(30)
    entry = bench.controller.state.safety.alarms["guard-silent"]
    assert entry.present, "though nothing is wanted any more"
    bench.guard_at_s = None
    bench.ticks(2)
    assert not entry.present


def test_read_backs_that_are_heard_and_stay_closed_still_end_aborted(heating: Bench) -> None:
    bench = heating.copy()
    bench.override["k2_open"] = False
    bench.press("black")
    bench.ticks(15)
    assert bench.state == "aborted"


def test_what_is_remembered_of_a_row_is_not_shifted_by_another_row_that_goes() -> None:
    rows = tuple(Interlock(code, needs, (HEAT,), "hold", False, "always", 5.0)
                 for code, needs in (("level", "level_now"), ("lid", "lid_ok")))
    state, facts, log = SafetyState(), SafetyFacts(level_now=True), EventLog(0, 0.0)
    for _ in range(4):
        gate.judge(state, facts, 1.0, log, rows)
    facts.level_now = False
    for _ in range(2):
        gate.judge(state, facts, 1.0, log, rows[:1])
    assert state.alarms == {}, "2 s of it, not 6"


def test_the_time_before_a_cause_was_first_seen_does_not_count_as_its_own() -> None:
    row = Interlock("lid", "lid_ok", (HEAT,), "hold", False, "always", 5.0)
    state, log = SafetyState(), EventLog(0, 0.0)
    gate.judge(state, SafetyFacts(), 60.0, log, (row,))
    gate.judge(state, SafetyFacts(), 1.0, log, (row,))
    assert state.alarms == {}
    gate.judge(state, SafetyFacts(), 4.0, log, (row,))
    assert list(state.alarms) == ["lid"]


def test_whether_a_cause_is_there_is_asked_of_the_table_that_is_given() -> None:
    row = Interlock("lid", "lid_ok", (HEAT,), "hold", True, "always")
    state, log = SafetyState(), EventLog(0, 0.0)
    gate.judge(state, SafetyFacts(), 1.0, log, (row,))
    state.alarms.clear()
    assert "still there" in gate.ask_reset(state, SafetyFacts(), log, (row,))
    assert gate.ask_reset(state, SafetyFacts(), log, ()) == ""


def last_word(bench: Bench) -> None:
    """One word of the guard and then none for 1.4 s: not yet what is called silence."""
    bench.tick(dt_s=0.25)
    bench.guard_at_s = bench.now_s
    for _ in range(5):
        bench.tick(dt_s=0.28)


def test_a_guard_that_stops_as_k1_is_told_to_close_accuses_no_contactor(heating: Bench) -> None:
    """Its last word still says open: of a contactor that had no time to close."""
    bench = heating.copy()
    since = len(bench.events)
    bench.override.update(k1_open=True, k2_open=False, mixer_proof=True)
    bench.controller.state.safety.k1_on_s = 0.2
    last_word(bench)
    assert ("alarm_raised", "k1-open") not in raised(bench, since)


def test_a_guard_that_dies_as_k1_is_told_to_open_accuses_no_contactor(heating: Bench) -> None:
    """Its last word still says closed: of a contactor that had no time to open."""
    bench = heating.copy()
    since = len(bench.events)
    bench.override.update(estop_closed=False, k1_open=False, k2_open=False, mixer_proof=True)
    last_word(bench)
    assert bench.controller.state.safety.latches == ["e-stop"]
    assert ("alarm_raised", "k1-welded") not in raised(bench, since)


def test_a_guard_that_dies_as_it_lets_k2_go_accuses_no_contactor(heating: Bench) -> None:
    """Its last word still says K2 closed: of a contactor that had no time to open."""
    bench = heating.copy()
    since = len(bench.events)
    bench.override.update(k2_open=False)
    bench.guard_changes["enable"] = False
    bench.controller.state.safety.enable_off_s = 0.2
    last_word(bench)
    assert ("alarm_raised", "k2-welded") not in raised(bench, since)
