"""The guard's rule by itself: every cause, both sides of each limit, silence and disagreement."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import pytest

from esterward.chemistry import boiling
from esterward.guard import rule
from esterward.safety import limits as controller_limits
from esterward.values.messages import GUARD_LATCHES
from esterward.values.readings import OPTIONAL_INPUTS, ProbeReading
from rule_bench import GUARD_TRIP_C, KPA, REACTOR, Bench


def test_all_good_enables() -> None:
    assert Bench().cycle().enable


def test_not_wanted_is_not_enabled() -> None:
    bench = Bench()
    bench.message["k2_wanted"] = False
    assert not bench.cycle().enable
    assert bench.state.latches == []


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
