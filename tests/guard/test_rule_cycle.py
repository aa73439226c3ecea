"""One cycle of the guard's rule at a time, from a state typed by hand: each boundary, each default.

The numbers are typed here and not read from the code; where they come from stands in
tests/safety/test_limits.py. How cycles follow each other is in the test_rule files beside this.
"""

from __future__ import annotations

import json
from dataclasses import replace
from math import inf, nan
from typing import Any

import pytest

from esterward.chemistry import boiling
from esterward.guard import rule
from esterward.guard.rule import GuardConfig, GuardState
from esterward.values.buttons import Button, Buttons
from esterward.values.messages import ControllerReport
from esterward.values.reactor import Reactor
from esterward.values.readings import OPTIONAL_INPUTS, Inputs, ProbeReading
from facts_rig import by_place

NOW_S = 4096.0
HERE = boiling.limits(1120.0)
CONFIG = GuardConfig(altitude_m=1120.0, barometer=False, probe_correction_k=0.0, fitted=(),
                     warm_hold=False, hash="d1")
HEATS = Inputs(estop_closed=True, level_wet=True, cutout_closed=True, mixer_proof=True)
PLACE = {"s": "state", "i": "inputs", "m": "message", "c": "config", "n": "now"}


class Cycle:
    """A guard that lets a batch heat, flag clear, all on disk; PLACE_NAME=value changes it."""

    def __init__(self, **changes: Any) -> None:
        parts = by_place(PLACE, changes)
        now = {"now_s": NOW_S, "dt_s": 0.25, "c": 54.0, "at_s": None, "kpa": None, "silent": False,
               "stored": False, **parts["now"]}
        self.now, self.now_s = now, now["now_s"]
        self.config = replace(CONFIG, **parts["config"])
        self.state = GuardState(**{
            "last_s": self.now_s - now["dt_s"], "flag": False, "flag_reported": False,
            "enabled": True, "good_c": 54.0, "good_at_s": self.now_s, "limits": HERE,
            "buttons": Buttons(blind=False, seen_s=self.now_s - 0.25), **parts["state"]})
        self.inputs = replace(HEATS, **parts["inputs"])
        at_s = self.now_s if now["at_s"] is None else now["at_s"]
        self.reading = ProbeReading(now["c"], at_s)
        self.said = None if now["silent"] else ControllerReport(**{
            "count": 1, "at_s": self.now_s, "boot": "b", "k1": True, "k2_wanted": True,
            "flag": False, "trip_c": None, "pressure_kpa": HERE.p_eff_kpa, "hash": "d1",
            **parts["message"]})
        self.decision = rule.step(self.config, self.state, self.now_s, "b", self.inputs,
                                  self.reading, now["kpa"], self.said, now["stored"])


SET = {"s_flag": True, "s_flag_reported": True, "m_flag": True, "m_k1": False, "i_k1_open": True}
WARM = {**SET, "m_k1": True, "i_k1_open": False, "c_warm_hold": True, "i_cutout2_closed": True,
        "c_fitted": ("cutout2_closed",)}
LID = {"c_fitted": ("lid_closed",), "i_lid_closed": False}
COLD = {"m_k1": False, "i_k1_open": True}
NOWHERE = {"c_altitude_m": None, "s_limits": None, "m_pressure_kpa": None}
WELDED = {"m_k1": False}
LIMIT_C = HERE.guard_trip_c

# changes, the causes that must be there
CASES: list[tuple[dict[str, Any], list[str]]] = [
    ({}, []), (SET, []), (COLD, []),
    ({"i_estop_closed": False}, ["e-stop"]), ({"i_cutout_closed": False}, ["cut-out"]),
    ({"i_estop_closed": None}, ["e-stop"]), ({"i_cutout_closed": None}, ["cut-out"]),
    # level: dry with K1 closed, or asked for
    ({"i_level_wet": False}, ["level"]), ({"i_level_wet": None}, ["level"]),
    ({"i_level_wet": False, **COLD}, []),
    ({"i_level_wet": False, "i_k1_open": True}, ["level"]),
    ({"i_level_wet": False, "m_k1": False}, ["level"]),
    ({"i_level_wet": False, "m_k1": False, "i_k1_open": None}, ["level"]),
    # lid: only with the flag set
    (LID, []), ({**SET, **LID}, ["lid"]), ({**SET, **LID, "i_lid_closed": None}, ["lid"]),
    ({**SET, **LID, "i_lid_closed": True}, []),
    # the limit of each regime
    ({"n_c": 58.0}, []),
    ({"s_good_c": 114.9375, "n_c": 114.9375}, []),
    ({"s_good_c": 115.0, "n_c": 115.0}, ["over-limit"]),
    ({"s_good_c": 114.5, "n_c": 114.5, "c_probe_correction_k": 0.5}, ["over-limit"]),
    ({"s_good_c": 114.5, "n_c": 114.5, "c_probe_correction_k": 0.4375}, []),
    ({**SET, "s_good_c": LIMIT_C - 0.0625, "n_c": LIMIT_C - 0.0625}, []),
    ({**SET, "s_good_c": LIMIT_C, "n_c": LIMIT_C}, ["over-limit"]),
    ({**SET, **NOWHERE, "n_c": 20.0, "s_good_c": 20.0}, ["over-limit"]),
    (NOWHERE, []),
    # probe: 4.4 s old at most
    ({"s_good_at_s": 4091.625, "n_c": None}, []), ({"s_good_at_s": 4091.5, "n_c": None}, ["probe"]),
    ({"n_now_s": 4.4, "s_good_at_s": 0.0, "n_c": None}, []),
    ({"s_good_at_s": None, "n_c": None}, ["probe"]), ({"s_good_c": None, "n_c": None}, ["probe"]),
    ({"s_good_at_s": nan, "n_c": None}, ["probe"]),
    ({"s_good_at_s": NOW_S + 0.0625, "n_c": None}, []),
    ({"n_now_s": 0.0, "s_good_at_s": 0.1, "n_c": None}, []),
    ({"s_good_at_s": NOW_S + 0.125, "n_c": None}, ["probe"]),
    ({"s_good_at_s": 4091.0, "s_good_c": 120.0, "n_c": None}, ["probe"]),
    # K1 closed against command for more than 0.6 s
    ({**WELDED, "s_k1_against_s": 0.34375}, []), ({**WELDED, "s_k1_against_s": 0.375}, ["k1"]),
    ({**WELDED, "s_k1_against_s": 0.35}, []),
    ({"s_k1_against_s": 9.0}, []), ({**COLD, "s_k1_against_s": 9.0}, []),
    ({**WELDED, "i_k1_open": None, "s_k1_against_s": 9.0}, ["k1"]),
    # silence: more than 2 s, of another boot, of the future
    ({"n_silent": True}, ["silent"]), ({"m_boot": "other"}, ["silent"]),
    ({"m_at_s": NOW_S - 2.0}, []), ({"m_at_s": NOW_S - 2.0625}, ["silent"]),
    ({"m_at_s": NOW_S + 0.0625}, []), ({"m_at_s": NOW_S + 0.125}, ["silent"]),
    ({"n_now_s": 0.0, "m_at_s": 0.1}, []),
    ({"m_at_s": nan}, ["silent"]), ({"m_at_s": -inf}, ["silent"]),
    ({"n_silent": True, "s_k1_against_s": 9.0}, ["silent"]),
    # heat with methanol
    (WARM, []), ({**WARM, "c_warm_hold": False}, ["methanol-heat"]),
    ({**WARM, "i_cutout2_closed": False}, ["methanol-heat"]),
    ({**WARM, "i_cutout2_closed": None}, ["methanol-heat"]),
    ({**WARM, "m_k1": False, "i_k1_open": True, "c_warm_hold": False}, []),
    # disagreement: at once for the file, 5 s for the flag, 60 s for the pressure
    ({"m_hash": "other"}, ["disagreement"]),
    ({**SET, "m_flag": False, "s_flags_apart_s": 4.75}, []),
    ({**SET, "m_flag": False, "s_flags_apart_s": 4.8125}, ["disagreement"]),
    ({**SET, "s_flags_apart_s": 99.0}, []),
    ({"m_pressure_kpa": HERE.p_eff_kpa + 0.5625, "s_pressures_apart_s": 59.75}, []),
    ({"m_pressure_kpa": HERE.p_eff_kpa + 0.5625, "s_pressures_apart_s": 59.8125},
     ["disagreement"]),
    ({"m_pressure_kpa": HERE.p_eff_kpa - 0.5625, "s_pressures_apart_s": 99.0}, ["disagreement"]),
    ({"m_pressure_kpa": HERE.p_eff_kpa + 0.4375, "s_pressures_apart_s": 99.0}, []),
    ({"m_pressure_kpa": HERE.p_eff_kpa - 0.4375, "s_pressures_apart_s": 99.0}, []),
    ({"s_limits": replace(HERE, p_eff_kpa=85.0), "m_pressure_kpa": 85.5,
      "s_pressures_apart_s": 99.0}, []),
    ({"m_pressure_kpa": nan, "s_pressures_apart_s": 99.0}, ["disagreement"]),
    ({"m_pressure_kpa": None, "s_pressures_apart_s": 99.0}, ["disagreement"]),
    ({**NOWHERE, "s_pressures_apart_s": 99.0}, []),
    ({**NOWHERE, "m_pressure_kpa": 85.0, "s_pressures_apart_s": 99.0}, ["disagreement"]),
]
LATCHES_ALWAYS = {"e-stop", "cut-out", "over-limit", "k1"}


@pytest.mark.parametrize(("changes", "causes"), CASES, ids=lambda given: str(given)[:60])
def test_a_cause_is_found_at_its_limit_and_keeps_k2_open_and_latches(
    changes: dict[str, Any], causes: list[str],
) -> None:
    cycle = Cycle(**changes)
    assert cycle.state.latches == causes
    assert cycle.decision.enable is cycle.state.enabled is (not causes)
    unasked = Cycle(**{**changes, "s_enabled": False})
    assert unasked.state.latches == [code for code in causes if code in LATCHES_ALWAYS]


def test_of_several_causes_the_most_telling_is_first_and_each_is_latched_once() -> None:
    cycle = Cycle(**{
        **WARM, "c_fitted": ("lid_closed",), "i_estop_closed": False, "i_cutout_closed": False,
        "i_level_wet": False, "i_lid_closed": False, "s_good_c": 120.0, "n_c": None,
        "c_warm_hold": False, "m_hash": "other", "s_latches": ["probe", "level"]})
    telling = ["e-stop", "cut-out", "over-limit", "level", "lid", "methanol-heat", "disagreement"]
    assert cycle.state.latches == ["probe", "level"] + [c for c in telling if c != "level"]


# -- enable, file, report ----------------------------------------------------------------------


@pytest.mark.parametrize(("changes", "enable"), [
    ({}, True), ({"m_k2_wanted": False}, False), ({"s_latches": ["memory"]}, False),
    ({"s_unwritten": True}, False), ({"s_unwritten": True, "n_stored": True}, True)])
def test_k2_is_let_in_when_wanted_with_no_latch_and_all_on_disk(
    changes: dict[str, Any], enable: bool,
) -> None:
    cycle = Cycle(**changes)
    assert cycle.decision.enable is cycle.state.enabled is cycle.decision.report.enable is enable
    assert cycle.state.latches == changes.get("s_latches", [])


@pytest.mark.parametrize(("changes", "writes"), [
    ({"s_unwritten": True, "i_k2_open": True}, True), ({"s_unwritten": True}, False),
    ({"i_k2_open": True}, False),
    ({"s_unwritten": True, "i_k2_open": True, "n_stored": True}, False)])
def test_it_asks_for_its_file_with_k2_open_and_something_to_write_and_only_then(
    changes: dict[str, Any], writes: bool,
) -> None:
    written = Cycle(**changes).decision.write
    assert (written is not None) is writes
    if written is not None:
        assert json.loads(written) == {"version": 1, "flag": False, "latches": []}


def test_a_latch_is_written_before_it_is_forgotten() -> None:
    cycle = Cycle(i_estop_closed=False, i_k2_open=True)
    assert cycle.state.unwritten and cycle.decision.write is not None
    assert json.loads(cycle.decision.write)["latches"] == ["e-stop"]


@pytest.mark.parametrize(("unwritten", "reported"), [(True, False), (False, True)])
def test_a_flag_is_reported_once_it_is_on_disk(unwritten: bool, reported: bool) -> None:
    cycle = Cycle(**{**SET, "s_flag_reported": False, "s_unwritten": unwritten})
    assert cycle.decision.report.flag is reported


def test_the_report_says_what_was_seen_and_counts() -> None:
    cycle = Cycle(s_count=41, s_latches=["memory"], n_c=55.0)
    report = cycle.decision.report
    assert (report.count, report.at_s, report.boot, report.hash) == (42, NOW_S, "b", "d1")
    assert (report.inputs, report.probe_b) == (HEATS, ProbeReading(55.0, NOW_S))
    assert (report.latches, report.trip_c) == (("memory",), 115.0)
    assert report.pressure_kpa == HERE.p_eff_kpa and cycle.state.last_s == NOW_S
    assert Cycle(**SET).decision.report.trip_c == LIMIT_C
    assert Cycle(**SET, **NOWHERE).decision.report.trip_c is None


def test_before_its_first_cycle_a_guard_knows_nothing_and_says_methanol() -> None:
    state = GuardState()
    assert state == GuardState(
        count=0, last_s=None, buttons=Buttons(), flag=True, flag_reported=True, latches=[],
        unwritten=False, enabled=False, clear_at_s=None, good_c=None, good_at_s=None,
        newest_at_s=None, doubts=0, doubted_c=None, flags_apart_s=0.0, pressures_apart_s=0.0,
        k1_against_s=0.0, kpa=None, kpa_age_s=0.0, limits=None)
    first = rule.read_file(None)
    decision = rule.step(CONFIG, first, NOW_S, "b", replace(HEATS, k2_open=True),
                         ProbeReading(54.0, NOW_S), None, Cycle(**SET).said)
    assert not decision.enable and decision.report.flag and decision.report.count == 1
    assert decision.write is not None, "nothing is taken for stored that was not said to be"
    assert first.latches == [] and first.limits == HERE


def test_in_its_first_cycle_nothing_has_lasted_yet() -> None:
    cycle = Cycle(**{**SET, "m_flag": False, "s_last_s": None, "m_pressure_kpa": 1.0,
                     "i_k1_open": False})
    state = cycle.state
    assert (state.flags_apart_s, state.pressures_apart_s, state.k1_against_s) == (0.0, 0.0, 0.0)


@pytest.mark.parametrize(("dt_s", "counted_s"), [(0.25, 0.25), (0.125, 0.125), (2.0, 0.25),
                                                 (-1.0, 0.0)])
def test_what_is_first_seen_has_lasted_a_cycle_at_most(dt_s: float, counted_s: float) -> None:
    cycle = Cycle(**{**SET, "m_flag": False, "n_dt_s": dt_s})
    assert cycle.state.flags_apart_s == counted_s
    assert Cycle(**{**SET, "m_flag": False, "n_dt_s": 2.0, "s_flags_apart_s": 1.0}
                 ).state.flags_apart_s == 3.0


@pytest.mark.parametrize(("dt_s", "latches"), [(2.0, ["level"]), (2.0625, [])])
def test_what_is_found_after_the_timer_has_lapsed_was_let_in_by_nobody(
    dt_s: float, latches: list[str],
) -> None:
    cycle = Cycle(n_dt_s=dt_s, i_level_wet=False)
    assert cycle.state.latches == latches and not cycle.decision.enable


# -- buttons: reset and flag -------------------------------------------------------------------


def held(*names: str) -> dict[str, Any]:
    """These buttons complete their hold of five seconds in this cycle."""
    pressed = {name: Button(since_s=NOW_S - 5.0) for name in names}
    both = NOW_S - 5.0 if len(names) == 2 else None
    return {"s_buttons": Buttons(**pressed, both_since_s=both, blind=False, seen_s=NOW_S - 0.25),
            **{"i_" + name: True for name in names}}


@pytest.mark.parametrize(("code", "blind", "goes"), [
    *((code, {"n_c": None, "s_good_at_s": None}, code != "over-limit")
      for code in ("e-stop", "over-limit", "k1", "disagreement")),
    *((code, {"n_silent": True}, code not in ("k1", "methanol-heat", "disagreement"))
      for code in ("e-stop", "over-limit", "k1", "methanol-heat", "disagreement", "memory"))])
def test_what_cannot_be_seen_to_be_gone_is_not_reset(
    code: str, blind: dict[str, Any], goes: bool,
) -> None:
    cycle = Cycle(**{"s_latches": [code], "i_k2_open": True, "i_k1_open": True, "m_k1": False,
                     **held("blue"), **blind})
    assert (code not in cycle.state.latches) is goes


def test_blue_held_resets_the_first_latch_and_only_that_and_asks_to_write_it() -> None:
    cycle = Cycle(s_latches=["e-stop", "probe"], i_k2_open=True, **held("blue"))
    assert cycle.state.latches == ["probe"] and cycle.decision.write is not None
    last = Cycle(s_latches=["probe"], i_k2_open=True, **held("blue"))
    assert last.state.latches == [] and not last.decision.enable, "not before it is on disk"
    assert last.state.unwritten
    nothing = Cycle(**held("blue"))
    assert nothing.decision.enable and not nothing.state.unwritten


def test_a_latch_whose_cause_is_there_is_not_reset_whatever_else_is() -> None:
    still = Cycle(s_latches=["e-stop"], i_estop_closed=False, **held("blue"))
    assert still.state.latches == ["e-stop"] and not still.state.unwritten
    other = Cycle(s_latches=["probe", "e-stop"], i_estop_closed=False, **held("blue"))
    assert other.state.latches == ["e-stop"]
    assert Cycle(s_latches=["probe"]).state.latches == ["probe"], "and never by itself"


@pytest.mark.parametrize(("changes", "flag"), [
    ({"s_clear_at_s": NOW_S - 10.0, "m_flag": False}, False),
    ({"s_clear_at_s": NOW_S - 10.0625, "m_flag": False}, True),
    ({"s_clear_at_s": NOW_S + 0.25, "m_flag": False}, True),
    ({"s_clear_at_s": None, "m_flag": False}, True), ({"s_clear_at_s": nan, "m_flag": False}, True),
    ({"s_clear_at_s": NOW_S, "m_flag": True}, True),
    ({"s_clear_at_s": NOW_S, "m_flag": None}, True),
    ({"s_clear_at_s": NOW_S, "n_silent": True, "s_enabled": False}, True),
    ({**held("green", "blue"), "m_flag": False}, False)])
def test_the_flag_is_cleared_by_the_controllers_word_within_ten_seconds_of_the_gesture(
    changes: dict[str, Any], flag: bool,
) -> None:
    cycle = Cycle(**{**SET, "i_k2_open": True, **changes})
    assert cycle.state.flag is flag and cycle.state.unwritten is (not flag)


def test_one_gesture_clears_once() -> None:
    cycle = Cycle(**{**SET, "s_clear_at_s": NOW_S - 1.0, "m_flag": False})
    assert cycle.state.clear_at_s is None
    seen = Cycle(**{**SET, **held("green", "blue")})
    assert seen.state.clear_at_s == NOW_S and seen.state.flag


@pytest.mark.parametrize("changes", [{"m_flag": True}, {"m_flag": None}, {"n_silent": True},
                                     {"m_at_s": NOW_S - 3.0}])
def test_whatever_is_not_a_clear_word_sets_the_flag_and_it_is_to_be_written(
    changes: dict[str, Any],
) -> None:
    cycle = Cycle(**{**COLD, "s_enabled": False, **changes})
    assert cycle.state.flag and cycle.state.unwritten and cycle.state.latches == []
    already = Cycle(**{**SET, "s_enabled": False, **changes})
    assert already.state.flag and not already.state.unwritten


# -- probe B -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("changes", "taken"), [
    ({}, True), ({"s_newest_at_s": NOW_S}, False), ({"s_newest_at_s": NOW_S + 1.0}, False),
    ({"s_newest_at_s": NOW_S - 1.0}, True), ({"n_at_s": NOW_S + 0.0625}, True),
    ({"n_now_s": 0.0, "n_at_s": 0.1}, True),
    ({"n_at_s": NOW_S + 0.125}, False), ({"n_at_s": nan}, False), ({"n_c": None}, False),
    ({"n_c": nan}, False), ({"n_c": inf}, False), ({"s_good_c": -19.0, "n_c": -20.0}, True),
    ({"s_good_c": -19.0, "n_c": -20.0625}, False), ({"s_good_c": 124.0, "n_c": 125.0}, True),
    ({"s_good_c": 124.0, "n_c": 125.0625}, False), ({"n_c": 58.0}, True), ({"n_c": 50.0}, True),
    ({"s_good_c": 53.0, "n_c": 58.0}, True), ({"s_good_c": 53.0, "n_c": 58.0625}, False),
    ({"s_good_c": 53.0, "n_c": 48.0}, True), ({"s_good_c": 53.0, "n_c": 47.9375}, False),
    ({"s_good_c": None, "n_c": 90.0}, True)])
def test_a_conversion_of_probe_b_is_believed_when_it_is_new_possible_and_no_leap(
    changes: dict[str, Any], taken: bool,
) -> None:
    cycle = Cycle(**{"s_good_at_s": 7.0, "s_doubts": 2, "s_doubted_c": 11.0, **changes})
    state = cycle.state
    assert (state.good_at_s == cycle.reading.at_s) is taken
    if taken:
        assert (state.good_c, state.doubts, state.doubted_c) == (cycle.reading.c, 0, None)
    else:
        assert state.good_at_s == 7.0


@pytest.mark.parametrize(("changes", "newest_s"), [
    ({"n_c": None}, NOW_S), ({"n_at_s": NOW_S + 1.0}, 9.0), ({"n_at_s": 8.0}, 9.0),
    ({"n_c": 99.0}, NOW_S)])
def test_what_was_seen_is_not_looked_at_again_and_what_cannot_be_blocks_nothing(
    changes: dict[str, Any], newest_s: float,
) -> None:
    assert Cycle(s_newest_at_s=9.0, **changes).state.newest_at_s == newest_s


@pytest.mark.parametrize(("doubts", "doubted_c", "c", "after"), [
    (0, None, 70.0, (1, 70.0, 54.0)), (1, 65.0, 70.0, (2, 70.0, 54.0)),
    (1, 64.9375, 70.0, (1, 70.0, 54.0)), (2, 70.0, 75.0, (0, None, 75.0)),
    (2, 70.0, 75.0625, (1, 75.0625, 54.0)), (2, None, 70.0, (1, 70.0, 54.0))])
def test_a_leap_is_believed_when_three_in_a_row_are_each_near_the_one_before(
    doubts: int, doubted_c: float | None, c: float, after: tuple[int, float | None, float],
) -> None:
    state = Cycle(s_doubts=doubts, s_doubted_c=doubted_c, n_c=c).state
    assert (state.doubts, state.doubted_c, state.good_c) == after


# -- pressure ----------------------------------------------------------------------------------

BAROMETER = {"c_barometer": True, "s_kpa": 87.0, "s_limits": boiling.limits(1120.0, 87.0),
             "m_pressure_kpa": 86.0}


@pytest.mark.parametrize(("changes", "kpa", "age_s"), [
    ({"n_kpa": 87.04}, 87.0, 0.0), ({"n_kpa": 87.0625}, 87.0625, 0.0),
    ({"n_kpa": 86.9375}, 86.9375, 0.0), ({"s_kpa": 50.2, "n_kpa": 50.0}, 50.0, 0.0),
    ({"n_kpa": 49.9375}, 87.0, 3.25), ({"s_kpa": 109.8, "n_kpa": 110.0}, 110.0, 0.0),
    ({"n_kpa": 110.0625}, 87.0, 3.25), ({"n_kpa": nan}, 87.0, 3.25), ({"n_kpa": None}, 87.0, 3.25),
    ({"n_kpa": 85.0, "c_barometer": False}, 87.0, 3.25),
    ({"s_kpa": None, "n_kpa": 85.0}, 85.0, 0.0),
    ({"n_kpa": 85.0, "c_altitude_m": None}, 87.0, 3.0)])
def test_a_pressure_is_taken_when_it_can_be_one_and_is_no_noise_and_else_the_last_ages(
    changes: dict[str, Any], kpa: float, age_s: float,
) -> None:
    state = Cycle(**{**BAROMETER, "s_kpa_age_s": 3.0, **changes}).state
    assert (state.kpa, state.kpa_age_s) == (kpa, age_s)
    if age_s == 0.0:
        assert state.limits == boiling.limits(1120.0, kpa)
    else:
        assert state.limits == BAROMETER["s_limits"]


@pytest.mark.parametrize(("changes", "limits"), [
    ({"s_kpa_age_s": 599.75}, boiling.limits(1120.0, 87.0)),
    ({"s_kpa_age_s": 600.0}, boiling.limits(1120.0)),
    ({"s_kpa_age_s": 600.0, "s_kpa": 83.0}, boiling.limits(1120.0, 83.0)),
    ({"s_kpa_age_s": 0.0, "s_kpa": None, "s_limits": None}, boiling.limits(1120.0)),
    ({"s_kpa_age_s": 601.0, "n_kpa": 86.0, "s_limits": HERE}, boiling.limits(1120.0, 86.0))])
def test_the_limits_change_when_the_last_word_becomes_too_old_and_when_one_comes_again(
    changes: dict[str, Any], limits: boiling.Limits,
) -> None:
    assert Cycle(**{**BAROMETER, **changes}).state.limits == limits


# -- configuration and file --------------------------------------------------------------------

RIG = Reactor(altitude_m=300.0, barometer=True, rig_level="full", warm_hold=True, digest="x",
              fitted=OPTIONAL_INPUTS, probe_b_correction_k=0.5)


def test_the_guards_part_of_the_reactor_file() -> None:
    assert rule.config_of(RIG) == GuardConfig(
        altitude_m=300.0, barometer=True, probe_correction_k=0.5,
        fitted=tuple(sorted(OPTIONAL_INPUTS)), warm_hold=True, hash="x")


@pytest.mark.parametrize("changes", [
    {"rig_level": "small"}, {"warm_hold": False}, {"fitted": OPTIONAL_INPUTS[:-1]},
    {"fitted": OPTIONAL_INPUTS[1:]}, {"warm_hold": False, "fitted": ()}])
def test_warm_hold_is_for_a_full_rig_with_all_of_it_fitted_and_asked_for(
    changes: dict[str, Any],
) -> None:
    assert not rule.config_of(replace(RIG, **changes)).warm_hold


@pytest.mark.parametrize(("correction_k", "counts_k"), [(0.5, 0.5), (0.0, 0.0), (-0.5, 0.0)])
def test_a_correction_only_raises(correction_k: float, counts_k: float) -> None:
    reactor = replace(RIG, probe_b_correction_k=correction_k)
    assert rule.config_of(reactor).probe_correction_k == counts_k


GOOD = {"version": 1, "flag": False, "latches": ["probe"]}


@pytest.mark.parametrize("changes", [
    {"version": 2}, {"version": None}, {"flag": 0}, {"flag": None}, {"latches": {}},
    {"latches": None}, {"latches": ["probe", "invented"]}, {"latches": [[]]}])
def test_a_file_with_one_thing_wrong_is_no_file(changes: dict[str, Any]) -> None:
    good = rule.read_file(json.dumps(GOOD))
    assert (good.flag, good.flag_reported, good.latches) == (False, False, ["probe"])
    assert not good.unwritten
    state = rule.read_file(json.dumps({**GOOD, **changes}))
    assert (state.flag, state.flag_reported, state.latches) == (True, True, ["memory"])
    assert state.unwritten


def test_a_file_nested_too_deep_to_read_is_no_file() -> None:
    assert rule.read_file("[" * 100_000).latches == ["memory"]


def test_which_cause_is_latched_when_is_kept_here_by_hand() -> None:
    assert {(row.code, row.latches) for row in rule.CAUSES.values()} == {
        ("e-stop", "always"), ("cut-out", "always"), ("over-limit", "always"),
        ("level", "enabled"), ("lid", "enabled"), ("probe", "enabled"), ("silent", "enabled"),
        ("k1", "always"), ("methanol-heat", "enabled"), ("disagreement", "enabled"),
        ("memory", "always")}


def test_a_moment_that_is_not_a_number_opens_k2_and_spoils_no_count() -> None:
    cycle = Cycle()
    assert cycle.decision.enable
    said = replace(cycle.said, pressure_kpa=None) if cycle.said is not None else None
    against = replace(cycle.inputs, k1_open=False)
    decision = rule.step(cycle.config, cycle.state, nan, "b", against, cycle.reading, None, said)
    state = cycle.state
    assert not decision.enable and state.latches
    assert {state.k1_against_s, state.flags_apart_s, state.pressures_apart_s} == {0.0}


@pytest.mark.parametrize(("step_kpa", "taken"), [
    (0.0546875, True), (-0.0546875, True), (0.046875, False), (-0.046875, False)])
def test_a_barometer_that_moves_less_than_a_twentieth_of_a_kilopascal_changes_nothing(
    step_kpa: float, taken: bool,
) -> None:
    cycle = Cycle(c_barometer=True, s_kpa=88.0, n_kpa=88.0 + step_kpa)
    assert cycle.state.kpa == (88.0 + step_kpa if taken else 88.0)
