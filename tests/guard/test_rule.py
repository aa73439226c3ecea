"""The guard's rule by itself: every cause, both sides of each limit, latches, flag, file."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from typing import Any

import pytest

from esterward.chemistry import boiling
from esterward.guard import rule
from esterward.safety import limits as controller_limits
from esterward.values.messages import GUARD_LATCHES, ControllerReport
from esterward.values.reactor import Reactor
from esterward.values.readings import OPTIONAL_INPUTS, Inputs, ProbeReading

REACTOR = Reactor(altitude_m=1120.0, vessel_l=200.0, element_w=3000.0, digest="d1")
GOOD = Inputs(estop_closed=True, level_wet=True, cutout_closed=True, k1_open=True, k2_open=False,
              mixer_proof=True)
KPA = boiling.limits(1120.0).p_eff_kpa
GUARD_TRIP_C = boiling.limits(1120.0).guard_trip_c


class Bench:
    """A guard that has been letting energy flow, flag clear, on disk."""

    def __init__(self, reactor: Reactor = REACTOR, flag: bool = False) -> None:
        self.config = rule.config_of(reactor)
        text = json.dumps({"version": 1, "flag": flag, "latches": []})
        self.state = rule.read_file(text)
        self.now_s = 1000.0
        self.inputs = GOOD
        self.c: float | None = 50.0
        self.probe: ProbeReading | None = None
        self.message: dict[str, Any] = {"k1": not flag, "flag": flag}
        self.silent_since_s: float | None = None
        self.barometer_kpa: float | None = None
        self.stored = False
        self.stores = True
        self.written: list[str] = []
        if not flag:
            self.inputs = replace(GOOD, k1_open=False)
        self.cycle()

    def report(self) -> ControllerReport | None:
        whole: dict[str, Any] = {
            "count": 1, "at_s": self.now_s, "boot": "b", "k1": False, "k2_wanted": True,
            "flag": False, "trip_c": 57.0, "pressure_kpa": KPA, "hash": "d1", **self.message}
        if self.silent_since_s is not None:
            whole["at_s"] = self.silent_since_s
        return ControllerReport(**whole)

    def cycle(self, count: int = 1) -> rule.GuardDecision:
        for _ in range(count):
            self.now_s += 0.25
            reading = self.probe or ProbeReading(self.c, self.now_s)
            decision = rule.step(self.config, self.state, self.now_s, "b", self.inputs, reading,
                                 self.barometer_kpa, self.report(), self.stored)
            self.stored = self.stores and decision.write is not None
            if decision.write is not None:
                assert not decision.enable and self.inputs.k2_open
                self.written.append(decision.write)
        return decision

    def press(self, seconds: float, *names: str) -> rule.GuardDecision:
        self.inputs = replace(self.inputs, **dict.fromkeys(names, True))
        self.cycle(round(seconds * 4) + 1)
        self.inputs = replace(self.inputs, **dict.fromkeys(names, False))
        return self.cycle()


def test_all_good_enables() -> None:
    assert Bench().cycle().enable


def test_not_wanted_is_not_enabled() -> None:
    bench = Bench()
    bench.message["k2_wanted"] = False
    assert not bench.cycle().enable
    assert bench.state.latches == []


# change of the inputs -> the cause named, in the very next cycle
@pytest.mark.parametrize(("changes", "code"), [
    ({"estop_closed": False}, "e-stop"),
    ({"cutout_closed": False}, "cut-out"),
    ({"level_wet": False}, "level"),
])
def test_a_bad_input_drops_the_enable_in_the_same_cycle(changes: dict[str, bool],
                                                        code: str) -> None:
    bench = Bench()
    bench.inputs = replace(bench.inputs, **changes)
    decision = bench.cycle()
    assert not decision.enable and bench.state.latches[0] == code


def test_level_dry_is_no_cause_while_k1_is_open_and_not_asked() -> None:
    bench = Bench()
    bench.message["k1"] = False
    bench.inputs = replace(bench.inputs, k1_open=True, level_wet=False)
    assert bench.cycle().enable


def test_k1_closed_against_command_is_named_after_its_read_back_time() -> None:
    bench = Bench()
    bench.message["k1"] = False
    bench.cycle()
    assert bench.cycle().enable, "0.5 s is within the contactor's time"
    assert not bench.cycle(2).enable
    assert bench.state.latches == ["k1"]


def test_k1_that_closes_just_before_its_message_is_read_is_no_cause() -> None:
    bench = Bench()
    bench.message["k1"] = False
    bench.inputs = replace(bench.inputs, k1_open=True)
    bench.cycle(20)
    bench.inputs = replace(bench.inputs, k1_open=False)
    assert bench.cycle(2).enable
    bench.message["k1"] = True
    assert bench.cycle(8).enable
    assert bench.state.latches == []


def test_a_message_of_two_seconds_is_heard_and_an_older_one_is_silence() -> None:
    bench = Bench()
    bench.silent_since_s = bench.now_s
    assert bench.cycle(8).enable
    assert not bench.cycle().enable
    assert bench.state.latches == ["silent"]


@pytest.mark.parametrize("message", [{"at_s": 1e9}, {"boot": "other"}, {"at_s": math.nan}])
def test_a_stamp_from_the_future_or_another_boot_is_silence(message: dict[str, Any]) -> None:
    bench = Bench()
    bench.message.update(message)
    assert not bench.cycle().enable


@pytest.mark.parametrize(("flag", "limit_c"), [(False, boiling.CLEAR_GUARD_TRIP_C),
                                               (True, GUARD_TRIP_C)])
def test_the_limit_of_each_regime_trips_at_the_limit_and_not_below(flag: bool,
                                                                   limit_c: float) -> None:
    for below_k, enabled in ((0.001, True), (0.0, False), (-0.001, False)):
        bench = Bench(flag=flag)
        bench.state.good_c = bench.c = limit_c - below_k
        assert bench.cycle().enable is enabled
        assert ("over-limit" in bench.state.latches) is not enabled


@pytest.mark.parametrize("c", [None, math.nan, math.inf, -math.inf, -20.01, 125.01, 57.0])
def test_an_unbelievable_probe_b_is_bridged_for_less_than_five_seconds(
    c: float | None,
) -> None:
    bench = Bench()
    bench.cycle()
    bench.c = c
    seconds_on = 0.0
    while bench.cycle().enable:
        seconds_on += 0.25
        assert seconds_on <= 4.25
        if c == 57.0 and seconds_on >= 1.0:
            break  # three agreeing conversions after a step are believed
    assert c == 57.0 or bench.state.latches == ["probe"]


def test_a_probe_that_stands_still_in_time_is_stale() -> None:
    bench = Bench()
    bench.probe = ProbeReading(50.0, bench.now_s)
    assert bench.cycle(17).enable
    assert not bench.cycle(1).enable


def test_one_stamp_of_probe_b_from_the_future_does_not_deafen_the_guard_to_the_next() -> None:
    bench = Bench()
    bench.probe = ProbeReading(54.0, bench.now_s + 3600.0)
    bench.cycle(4)
    assert bench.state.good_c == 50.0, "not believed"
    bench.probe = None
    assert bench.cycle(40).enable and bench.state.latches == []


def test_k1_is_never_allowed_with_the_flag_set_without_warm_hold() -> None:
    bench = Bench(flag=True)
    assert bench.cycle().enable, "the mixer may run"
    bench.message["k1"] = True
    assert not bench.cycle().enable
    assert bench.state.latches == ["methanol-heat"]


def test_warm_hold_needs_the_second_cut_out_proven_closed() -> None:
    full = replace(REACTOR, rig_level="full", warm_hold=True, fitted=OPTIONAL_INPUTS)
    for closed, enabled in ((True, True), (False, False), (None, False)):
        bench = Bench(full, flag=True)
        bench.message["k1"] = True
        bench.inputs = replace(bench.inputs, k1_open=False, lid_closed=True,
                               cutout2_closed=closed)
        assert bench.cycle().enable is enabled


@pytest.mark.parametrize("changes", [
    {"rig_level": "small"}, {"warm_hold": False}, {"fitted": OPTIONAL_INPUTS[:-1]}])
def test_warm_hold_needs_the_full_rig_with_all_of_it_and_the_word_for_it(
    changes: dict[str, Any],
) -> None:
    full = replace(REACTOR, rig_level="full", warm_hold=True, fitted=OPTIONAL_INPUTS)
    assert rule.config_of(full).warm_hold
    assert not rule.config_of(replace(full, **changes)).warm_hold


def test_the_report_carries_the_pressure_behind_the_limit_or_none() -> None:
    assert Bench().cycle().report.pressure_kpa == KPA
    nowhere = Bench(replace(REACTOR, altitude_m=None))
    assert nowhere.cycle().report.pressure_kpa is None


def test_the_lid_counts_when_fitted_and_the_flag_is_set() -> None:
    lidded = replace(REACTOR, fitted=("lid_closed",))
    for closed, enabled in ((True, True), (False, False), (None, False)):
        bench = Bench(lidded, flag=True)
        bench.inputs = replace(bench.inputs, lid_closed=closed)
        assert bench.cycle().enable is enabled


@pytest.mark.parametrize(("message", "cycles"), [
    ({"hash": "other"}, 1), ({"pressure_kpa": KPA + 0.51}, 243),
    ({"pressure_kpa": None}, 243),
])
def test_disagreement_is_a_cause_after_its_time(message: dict[str, Any], cycles: int) -> None:
    bench = Bench()
    bench.message.update(message)
    assert bench.cycle(max(1, cycles - 3)).enable is (cycles > 3)
    assert not bench.cycle(cycles).enable


def test_a_clear_word_against_the_guards_flag_disagrees_after_five_seconds() -> None:
    bench = Bench(flag=True)
    bench.message["flag"] = False
    assert bench.cycle(20).enable
    assert not bench.cycle(2).enable
    assert bench.state.flag and bench.state.latches == ["disagreement"]


def test_pressures_half_a_kilopascal_apart_agree() -> None:
    bench = Bench()
    bench.message["pressure_kpa"] = KPA + 0.49
    assert bench.cycle(260).enable


# -- flag and file -----------------------------------------------------------------------------


@pytest.mark.parametrize("text", [None, "", "{", "[]", "null", '{"version": 1}',
                                  '{"version": 2, "flag": false, "latches": []}',
                                  '{"version": 1, "flag": 0, "latches": []}',
                                  '{"version": 1, "flag": false, "latches": ["invented"]}'])
def test_a_file_that_cannot_be_read_means_set_and_is_written_anew(text: str | None) -> None:
    state = rule.read_file(text)
    assert state.flag and state.unwritten
    assert state.latches == ([] if text is None else ["memory"])


def test_the_latch_of_an_unreadable_file_is_reset_by_hand_like_any_other() -> None:
    bench = Bench(flag=True)
    bench.state = rule.read_file("{")
    bench.message["k2_wanted"] = False
    bench.inputs = replace(bench.inputs, k2_open=True)
    bench.cycle(4)
    assert bench.state.latches == ["memory"]
    bench.press(6.0, "blue")
    assert bench.state.latches == []
    assert json.loads(bench.written[-1])["latches"] == []


def test_the_file_comes_back_as_it_was_written() -> None:
    state = rule.GuardState(flag=False, latches=["e-stop", "probe"])
    again = rule.read_file(rule.file_text(state))
    assert (again.flag, again.latches, again.unwritten) == (False, ["e-stop", "probe"], False)


def test_set_is_reported_only_once_it_is_on_disk() -> None:
    bench = Bench()
    bench.message.update(k1=False, flag=True, k2_wanted=False)
    bench.inputs = replace(bench.inputs, k1_open=True, k2_open=True)
    bench.stores = False
    assert not bench.cycle(20).report.flag
    bench.stores = True
    assert bench.cycle(2).report.flag
    assert json.loads(bench.written[-1])["flag"] is True


def test_the_file_is_never_written_with_k2_closed() -> None:
    bench = Bench()
    bench.message.update(k1=False, flag=True)
    bench.inputs = replace(bench.inputs, k1_open=True, k2_open=False)
    bench.cycle(20)
    assert bench.written == []


@pytest.mark.parametrize(("last_kpa", "stricter"), [(87.0, "none"), (83.0, "its last word")])
def test_a_barometer_that_dies_counts_as_none_after_its_age(last_kpa: float,
                                                            stricter: str) -> None:
    bench = Bench(replace(REACTOR, barometer=True))
    bench.barometer_kpa = last_kpa
    bench.cycle()
    with_it = boiling.limits(1120.0, last_kpa)
    assert bench.state.limits == with_it
    for silence in (None, math.nan, 1013.0):
        bench.barometer_kpa = last_kpa
        bench.cycle()
        bench.barometer_kpa = silence
        bench.cycle(round(rule.BAROMETER_AGE_S * 4))
        assert bench.state.limits == with_it
        bench.cycle(2)
        assert bench.state.limits == (with_it if stricter == "its last word"
                                      else boiling.limits(1120.0))
    bench.barometer_kpa = last_kpa
    bench.cycle()
    assert bench.state.limits == with_it


def test_guard_and_controller_give_up_a_barometer_at_the_same_age() -> None:
    assert rule.BAROMETER_AGE_S == controller_limits.BAROMETER_AGE_S


def test_silence_sets_the_flag() -> None:
    bench = Bench()
    bench.silent_since_s = bench.now_s - 3.0
    bench.cycle()
    assert bench.state.flag


def test_only_both_buttons_and_the_controllers_word_together_clear_the_flag() -> None:
    idle = {"k2_wanted": False, "k1": False}

    def fresh() -> Bench:
        bench = Bench(flag=True)
        bench.message.update(idle, flag=True)
        bench.inputs = replace(bench.inputs, k2_open=True)
        bench.cycle(4)
        return bench

    word_alone = fresh()
    word_alone.message["flag"] = False
    word_alone.cycle(80)
    assert word_alone.state.flag
    gesture_alone = fresh()
    gesture_alone.press(6.0, "green", "blue")
    gesture_alone.cycle(80)
    assert gesture_alone.state.flag
    too_late = fresh()
    too_late.press(6.0, "green", "blue")
    too_late.cycle(45)
    too_late.message["flag"] = False
    too_late.cycle(8)
    assert too_late.state.flag
    both = fresh()
    both.press(6.0, "green", "blue")
    both.message["flag"] = False
    assert not both.cycle(4).report.flag
    assert json.loads(both.written[-1])["flag"] is False, "and the file says so too"


def test_latches_survive_in_the_file_and_are_reset_one_at_a_time_with_the_cause_gone() -> None:
    bench = Bench()
    bench.inputs = replace(bench.inputs, estop_closed=False, cutout_closed=False)
    bench.cycle()
    bench.message.update(k1=False, k2_wanted=False)
    bench.inputs = replace(bench.inputs, k1_open=True, k2_open=True)
    bench.cycle(4)
    assert json.loads(bench.written[-1])["latches"] == ["e-stop", "cut-out"]
    bench.press(6.0, "blue")
    assert bench.state.latches == ["e-stop", "cut-out"]
    bench.inputs = replace(bench.inputs, estop_closed=True)
    bench.press(6.0, "blue")
    assert bench.state.latches == ["cut-out"]
    bench.inputs = replace(bench.inputs, cutout_closed=True)
    bench.message["k2_wanted"] = True
    assert not bench.cycle(4).enable, "a latch holds although its cause is gone"
    bench.press(6.0, "blue")
    assert bench.cycle(4).enable


def test_silence_before_anything_was_enabled_is_not_latched() -> None:
    bench = Bench(flag=True)
    bench.message["k2_wanted"] = False
    bench.cycle()
    bench.silent_since_s = bench.now_s - 10.0
    bench.cycle(8)
    assert bench.state.latches == []


def test_a_message_cannot_loosen_a_limit() -> None:
    bench = Bench(flag=True)
    bench.message.update(trip_c=500.0)
    bench.state.good_c = bench.c = GUARD_TRIP_C
    assert not bench.cycle().enable


def believed(*readings: float) -> float | None:
    """What the guard holds for true after these conversions, from 50 degC."""
    bench = Bench()
    for c in readings:
        bench.c = c
        bench.cycle()
    return bench.state.good_c


def test_a_step_is_believed_once_three_conversions_agree_and_never_when_they_do_not() -> None:
    assert believed(50.0, 55.0) == 55.0
    bench = Bench()
    for _ in range(rule.PROBE_CONFIRM - 1):
        bench.c = 55.125
        bench.cycle()
        assert bench.state.good_c == 50.0
    bench.cycle()
    assert bench.state.good_c == 55.125
    bench = Bench()
    for c in (60.0, 70.0, 60.0, 70.0, 60.0, 70.0):
        bench.c = c
        bench.cycle()
    assert bench.state.good_c == 50.0


@pytest.mark.parametrize(("c", "taken"), [
    (-20.0, True), (-20.0625, False), (125.0, True), (125.0625, False), (math.nan, False)])
def test_the_ends_of_the_believable_range_belong_to_it(c: float, taken: bool) -> None:
    state = rule.GuardState()
    rule._take_probe(state, ProbeReading(c, 10.0), 10.0)
    assert (state.good_c == c) is taken


def test_a_tenth_of_a_kilopascal_moves_the_limit() -> None:
    bench = Bench(replace(REACTOR, barometer=True))
    bench.barometer_kpa = 88.0
    first = bench.cycle().report
    bench.barometer_kpa = 87.9
    second = bench.cycle().report
    assert first.trip_c is not None and second.trip_c == first.trip_c  # flag clear: no matter
    assert first.pressure_kpa is not None and second.pressure_kpa is not None
    assert second.pressure_kpa == pytest.approx(first.pressure_kpa - 0.1)


def test_two_that_know_no_pressure_agree_and_one_that_does_disagrees_after_a_minute() -> None:
    bench = Bench(replace(REACTOR, altitude_m=None))
    bench.message["pressure_kpa"] = None
    assert bench.cycle(300).enable
    bench.message["pressure_kpa"] = KPA
    assert not bench.cycle(300).enable and bench.state.latches == ["disagreement"]


def test_a_silent_controller_that_leaves_k1_closed_is_latched_for_its_silence_alone() -> None:
    """Stopped, its lines stay as they are: no command, so none that K1 could be against."""
    bench = Bench()
    bench.silent_since_s = bench.now_s
    bench.cycle(60)
    assert bench.state.latches == ["silent"]
    bench.silent_since_s = None
    bench.message["k1"] = False
    bench.cycle(4)
    assert bench.state.latches == ["silent", "k1"], "heard again, it is closed against command"


@pytest.mark.parametrize("gap_s", [2.25, 60.0, 3600.0])
def test_a_guard_that_stood_still_latches_nothing_of_what_it_could_not_see(gap_s: float) -> None:
    """Its probe's worker, and its socket, stood still with it; the timer has opened K2."""
    bench = Bench()
    bench.probe, bench.silent_since_s = ProbeReading(50.0, bench.now_s), bench.now_s
    bench.now_s += gap_s
    assert not bench.cycle().enable
    bench.probe = bench.silent_since_s = None
    bench.cycle(4)
    assert bench.state.latches == []


def test_pressures_first_seen_apart_after_a_gap_have_not_been_so_for_all_of_it() -> None:
    bench = Bench()
    bench.message["pressure_kpa"] = KPA - 0.6
    bench.now_s += 120.0
    bench.cycle(8)
    assert bench.state.latches == [] and bench.cycle().enable


def test_every_latch_of_the_guard_has_words_for_people() -> None:
    assert set(GUARD_LATCHES) == set(rule.CAUSES)


def test_one_wild_conversion_seen_in_many_cycles_confirms_nothing_three_that_agree_do() -> None:
    bench = Bench()
    bench.probe = ProbeReading(57.0, bench.now_s + 0.25)
    bench.cycle(12)
    assert bench.state.good_c == 50.0
    bench.probe, bench.c = None, 57.0
    bench.cycle()
    assert bench.state.good_c == 50.0
    bench.cycle()
    assert bench.state.good_c == 57.0


@pytest.mark.parametrize(("correction_k", "enable"), [(1.0, False), (0.4, True), (-1.0, True)])
def test_a_correction_of_probe_b_counts_towards_its_limit_and_only_upward(
    correction_k: float, enable: bool,
) -> None:
    bench = Bench(replace(REACTOR, probe_b_correction_k=correction_k))
    bench.c = boiling.CLEAR_GUARD_TRIP_C - 0.5
    assert bench.cycle(4).enable is enable
    assert bench.state.latches == ([] if enable else ["over-limit"])
