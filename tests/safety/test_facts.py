"""Each fact by itself: what proves it, and at which limit it is lost.

The numbers are typed here and not read from safety/limits.py; where they come from stands in
test_limits.py. What is counted for them is in test_facts_counted.py.
"""

from __future__ import annotations

from dataclasses import fields
from math import inf, nan
from typing import Any

import pytest

from esterward.safety import effects, plausibility
from esterward.safety import facts as proof
from esterward.safety.contactors import Contactor
from esterward.safety.effects import EffectState
from esterward.safety.facts import SafetyFacts
from esterward.safety.gaps import Gaps
from esterward.safety.plausibility import ProbeJudge
from esterward.safety.supply import SupplyState
from esterward.values.readings import OPTIONAL_INPUTS
from facts_rig import LIMITS, NO_INPUTS, NOW_S, Given

CONDITIONS = {"wanted", "flowed", "energised", "energised_asked", "heating", "mixing",
              "known_clear", "known_set", "known", "heard", "energised_flag", "never", "always"}
AT_REST = {"presence_asked"}


def test_nothing_is_proven_before_it_was_looked_at() -> None:
    facts = SafetyFacts()
    assert {f.name for f in fields(facts) if getattr(facts, f.name) is not False} == {"always"}
    assert facts.always is True


def test_a_reactor_that_heats_and_is_well_proves_every_fact() -> None:
    facts = Given().prove()
    assert {f.name for f in fields(facts) if not getattr(facts, f.name)} - CONDITIONS == AT_REST
    assert facts.known and facts.known_clear and not facts.known_set


STILL = {"o_mixer": False, "i_mixer_proof": False}
PULSE = {"w_pulse": True, "n_fat_set": True, **STILL, "n_a_c": 45.0, "n_b_c": 45.0}
FILL = {"w_hand_pump": True, "i_green": True, "i_level_wet": False, "i_k1_open": True,
        "o_k1": False}
FULL = {"r_rig_level": "full", "r_warm_hold": True, "r_fitted": OPTIONAL_INPUTS, "n_flag": True,
        **{"i_" + name: True for name in OPTIONAL_INPUTS}}
RUNS_ON = {"o_mixer": False, "s_mixer_off_s": 5.0}
WELD_1 = {"o_k1": False, "s_k1_off_s": 1.0}
WELD_2 = {"s_enable_off_s": 1.5}
DEAD_1 = {"s_k1_on_s": 1.5, "i_k1_open": True}
DEAD_2 = {"s_enable_on_s": 1.5, "i_k2_open": True}
OPEN_LID = {"r_fitted": ("lid_closed",), "i_lid_closed": False}
# the guard's report and the probes at the beginning of all clocks, where 0.6 s is 0.6 s
EARLY = {"n_now_s": 0.6, "g_at_s": 0.0, "n_a_s": 0.0, "n_b_s": 0.0}
LATE = {**EARLY, "n_now_s": 0.625}

# fact, changes from a reactor that is well, whether it is still proven
CASES: list[tuple[str, dict[str, Any], bool]] = [
    ("guard_heard", {"n_heard": False}, False),
    ("guarded", {"r_rig_level": "watch"}, False),
    ("guard_enables", {"s_refused_s": nan}, False),
    ("guard_enables", {"s_refused_s": 1.5}, True),
    ("guard_enables", {"s_refused_s": 1.5625}, False),
    ("guard_agrees", {"n_guard": None}, False),
    ("guard_agrees", {"g_hash": "other"}, False),
    ("guard_agrees", {"s_flags_apart_s": 5.0, "s_pressures_apart_s": 60.0}, True),
    ("guard_agrees", {"s_flags_apart_s": 5.0625}, False),
    ("guard_agrees", {"s_pressures_apart_s": 60.0625}, False),
    ("guard_agrees", {"s_pressures_apart_s": nan}, False),
    ("estop_closed", {"i_estop_closed": False}, False),
    ("cutout_closed", {"i_cutout_closed": False}, False),
    ("level_now", {"i_level_wet": False}, False),
    ("level_wet", {"i_level_wet": False}, False),
    ("level_wet", {"s_wet_s": 10.0}, True),
    ("level_wet", {"s_wet_s": 9.9375}, False),
    ("level_or_hand", {"i_level_wet": False}, False),
    ("level_or_hand", FILL, True),
    ("level_or_hand", {**FILL, "i_k1_open": False}, False),
    ("level_or_hand", {**FILL, "w_hand_pump": False}, False),
    ("level_or_hand", {**FILL, "i_green": False}, False),
    ("mixer_proven", {"i_mixer_proof": False}, False),
    ("mixer_proven", {"o_mixer": False}, False),
    ("lid_ok", OPEN_LID, False),
    ("lid_ok", {**OPEN_LID, "n_flag": True}, False),
    ("lid_ok", {**OPEN_LID, **FILL}, True),
    ("lid_ok", {**OPEN_LID, **FILL, "i_green": False}, False),
    ("lid_ok", {**OPEN_LID, **FILL, "i_k1_open": False}, False),
    ("lid_ok", {**OPEN_LID, **FILL, "n_flag": True}, False),
    ("steady", {"s_waited_s": 120.0}, True),
    ("steady", {"s_waited_s": 120.0625}, False),
    ("steady", {"s_waited_s": nan}, False),
    *((fact, {"s_" + gaps: Gaps(late_s, told)}, not told)
      for fact, gaps in (("probe_a_quick", "gaps_a"), ("probe_b_quick", "gaps_b"),
                         ("ticks_steady", "gaps_ticks"))
      for late_s, told in ((9.9375, False), (0.0625, True))),
    ("vent_ok", {"s_vent_unproven_s": nan}, False),
    ("vent_ok", {"s_vent_unproven_s": 4.9375}, True),
    ("vent_ok", {"s_vent_unproven_s": 5.0}, False),
    *((fact, {"r_fitted": (name,), "i_" + name: level}, level is True)
      for fact, name in (("lid_ok", "lid_closed"), ("vapour_ok", "vapour_low"),
                         ("sump_ok", "sump_dry"), ("drain_ok", "drain_closed"))
      for level in (True, False, None)),
    *(("cutout2_ok", {"r_fitted": ("cutout2_closed",), "i_cutout2_closed": level, "n_flag": flag},
       level is True or not flag) for level in (True, False, None) for flag in (True, False)),
    # mixer
    ("mixer_or_melt", STILL, False),
    ("mixer_or_melt", PULSE, True),
    ("mixer_or_melt", {**PULSE, "w_pulse": False}, False),
    ("mixer_or_melt", {**PULSE, "n_fat_set": False}, False),
    ("mixer_or_melt", {**PULSE, "n_flag": True}, False),
    ("mixer_or_melt", {**PULSE, "s_wet_s": 9.0}, False),
    ("mixer_or_melt", {**PULSE, "n_a_s": NOW_S - 5.0}, False),
    ("mixer_or_melt", {**PULSE, "n_b_s": NOW_S - 5.0}, False),
    ("mixer_or_melt", {**PULSE, "n_b_c": 50.0}, True),
    ("mixer_or_melt", {**PULSE, "n_b_c": 50.0625}, False),
    ("mixer_or_melt", {**PULSE, "s_melt_s": 6.0}, True),
    ("mixer_or_melt", {**PULSE, "s_melt_s": 6.0625}, False),
    ("mixer_starts", {"s_unproven_s": nan}, False),
    ("mixer_starts", {"s_unproven_s": 4.9375}, True),
    ("mixer_starts", {"s_unproven_s": 5.0}, False),
    ("mixer_starts", {"s_unproven_s": 5.0, **FILL}, True),
    ("mixer_starts", {"s_unproven_s": 5.0, **FILL, "i_k1_open": False}, False),
    ("mixer_starts", {"s_unproven_s": 5.0, **FILL, "w_hand_pump": False}, False),
    ("mixer_starts", {"s_unproven_s": 5.0, **FILL, "i_green": False}, False),
    ("mixer_starts", {"s_unproven_s": 5.0, **FILL, **NO_INPUTS}, False),
    ("mixer_stops", RUNS_ON, False),
    ("mixer_stops", {**RUNS_ON, "s_mixer_off_s": nan}, False),
    ("mixer_stops", {**RUNS_ON, "s_mixer_off_s": 4.9375}, True),
    ("mixer_stops", {**RUNS_ON, "i_mixer_proof": False}, True),
    ("mixer_stops", {**RUNS_ON, **NO_INPUTS}, True),
    ("mixer_stops", {**RUNS_ON, "n_guard": None}, True),
    ("mixer_stops", {**RUNS_ON, "s_heard_s": 2.0}, False),
    ("mixer_stops", {**RUNS_ON, "s_heard_s": 1.9375}, True),
    ("mixer_stops", {**RUNS_ON, **EARLY}, False),
    ("mixer_stops", {**RUNS_ON, **LATE}, True),
    # contactors
    ("k1_obeys_off", WELD_1, False),
    ("k1_obeys_off", {**WELD_1, "s_k1_off_s": nan}, False),
    ("k1_obeys_off", {**WELD_1, "s_k1_off_s": 0.9375}, True),
    ("k1_obeys_off", {**WELD_1, "i_k1_open": True}, True),
    ("k1_obeys_off", {**WELD_1, **NO_INPUTS}, True),
    ("k1_obeys_on", DEAD_1, False),
    ("k1_obeys_on", {**DEAD_1, "s_k1_on_s": nan}, False),
    ("k1_obeys_on", {**DEAD_1, "s_k1_on_s": 1.4375}, True),
    ("k1_obeys_on", {**DEAD_1, "i_k1_open": False}, True),
    ("k1_obeys_on", {**DEAD_1, **NO_INPUTS}, True),
    ("k2_obeys_off", WELD_2, False),
    ("k2_obeys_off", {**WELD_2, "s_enable_off_s": nan}, False),
    ("k2_obeys_off", {**WELD_2, "s_enable_off_s": 1.4375}, True),
    ("k2_obeys_off", {**WELD_2, "i_k2_open": True}, True),
    ("k2_obeys_off", {**WELD_2, **NO_INPUTS}, True),
    ("k2_obeys_on", DEAD_2, False),
    ("k2_obeys_on", {**DEAD_2, "s_enable_on_s": nan}, False),
    ("k2_obeys_on", {**DEAD_2, "s_enable_on_s": 1.4375}, True),
    ("k2_obeys_on", {**DEAD_2, "i_k2_open": False}, True),
    ("k2_obeys_on", {**DEAD_2, **NO_INPUTS}, True),
    *((f"{which}_quiet", {f"s_{which}": Contactor(edges_s=[1.0] * edges)}, edges == 4)
      for which in ("k1", "k2") for edges in (4, 5)),
    # temperatures: without methanol 112 and 113 degC, with it what hangs on the pressure
    ("below_trip", {"n_a_c": 112.9375}, True),
    ("below_trip", {"n_a_c": 113.0}, False),
    ("below_trip", {"n_b_c": 113.0}, False),
    ("below_trip", {"n_a_c": 112.5, "r_probe_a_correction_k": 0.5}, False),
    ("below_trip", {"n_b_c": 112.5, "r_probe_b_correction_k": 0.5}, False),
    ("below_trip", {"n_a_c": 113.0, "r_probe_a_correction_k": -1.0}, False),
    ("below_trip", {"n_a_c": LIMITS.trip_c - 0.0625, "n_flag": True}, True),
    ("below_trip", {"n_a_c": LIMITS.trip_c, "n_flag": True}, False),
    ("below_trip", {"n_a_c": 20.0, "n_b_c": 20.0, "n_flag": True, "n_limits": None}, False),
    ("below_trip", {"n_a_s": NOW_S - 5.0, "n_b_s": NOW_S - 5.0}, False),
    ("below_trip", {"n_a_c": 120.0, "n_a_s": NOW_S - 5.0}, True),
    ("below_alarm", {"n_a_c": 111.9375}, True),
    ("below_alarm", {"n_a_c": 112.0}, False),
    ("below_alarm", {"n_a_c": LIMITS.alarm_c - 0.0625, "n_flag": True}, True),
    ("below_alarm", {"n_a_c": LIMITS.alarm_c, "n_flag": True}, False),
    ("below_alarm", {"n_a_c": 20.0, "n_b_c": 20.0, "n_flag": True, "n_limits": None}, False),
    ("below_alarm", {"n_a_s": NOW_S - 5.0, "n_b_s": NOW_S - 5.0}, False),
    ("below_alarm", {"s_alarm_rest_s": 0.0625}, False),
    ("vapour_ok", {"s_vapour_rest_s": 0.0625}, False),
    ("vapour_ok", {"s_vapour_rest_s": nan}, False),
    ("known", {"n_a_s": NOW_S - 5.0}, True),
    ("known", {"n_a_s": NOW_S - 5.0, "n_b_s": NOW_S - 5.0}, False),
    ("known_clear", {"n_flag": True}, False),
    ("known_clear", {"n_a_s": NOW_S - 5.0, "n_b_s": NOW_S - 5.0}, False),
    ("known_set", {"n_flag": True}, True),
    ("known_set", {"n_flag": True, "n_a_s": NOW_S - 5.0, "n_b_s": NOW_S - 5.0}, False),
    # probes: fresh for 4.4 s, together within 2 K up to 85 degC and within 4 K above
    ("probe_a_fresh", {"n_now_s": 4.4, "n_a_s": 0.0}, True),
    ("probe_a_fresh", {"n_now_s": 4.4375, "n_a_s": 0.0}, False),
    ("probe_a_fresh", {"n_now_s": 0.0, "n_a_s": 0.1}, True),
    ("probe_a_fresh", {"n_a_s": NOW_S + 0.0625}, True),
    ("probe_a_fresh", {"n_a_s": NOW_S + 0.125}, False),
    ("probe_a_fresh", {"n_a_s": nan}, False),
    ("probe_a_fresh", {"n_a_s": None}, False),
    ("probe_b_fresh", {"n_now_s": 4.4, "n_b_s": 0.0}, True),
    ("probe_b_fresh", {"n_now_s": 4.4375, "n_b_s": 0.0}, False),
    *((fact, {"n_a_c": a_c, "n_b_c": b_c}, good) for fact in ("probes_together", "probes_agree")
      for a_c, b_c, good in (
          (54.0, 56.0, True), (54.0, 56.0625, False), (56.0625, 54.0, False),
          (85.0, 83.0, True), (85.0, 82.9375, False), (82.9375, 85.0, False),
          (85.0625, 81.0625, True), (81.0625, 85.0625, True), (85.0625, 81.0, False),
          (54.0, nan, False))),
    ("probes_together", {"n_b_c": 60.0, "s_proven_s": 60.0}, False),
    ("probes_together", {"n_b_c": 60.0, "s_proven_s": 59.9375}, True),
    ("probes_together", {"n_b_c": 60.0, "n_a_s": NOW_S - 5.0}, True),
    ("probes_together", {"n_b_c": 60.0, "n_b_s": NOW_S - 5.0}, True),
    ("probes_agree", {"n_a_s": NOW_S - 5.0}, False),
    ("probes_agree", {"n_b_s": NOW_S - 5.0}, False),
    ("probes_agree", {"n_a_s": NOW_S - 5.0, "s_proven_s": 0.0}, False),
    ("probes_agree", {"s_proven_s": 0.0}, True),
    ("probes_agree", {"n_b_c": 60.0, "s_proven_s": 59.9375}, False),
    ("probes_agree", {"s_apart_noted": True, "s_proven_s": 119.9375}, False),
    ("probes_agree", {"s_apart_noted": True, "s_proven_s": 120.0}, True),
    ("probes_agree", {"s_apart_noted": True, "n_b_c": 57.0}, False),
    ("probes_agree", {**PULSE, "n_b_c": 49.0, "s_proven_s": 0.0}, True),
    ("probes_agree", {**PULSE, "n_b_c": 51.0, "s_proven_s": 0.0}, False),
    ("probes_move", {"s_probe_a": ProbeJudge(54.0, NOW_S, stuck=True), "s_proven_s": 0.0}, False),
    ("probes_move", {"s_probe_b": ProbeJudge(54.0, NOW_S, stuck=True), "s_proven_s": 0.0}, False),
    # the rest
    ("presence", {"s_presence_age_s": None}, False),
    ("presence", {"s_presence_age_s": 3600.0}, True),
    ("presence", {"s_presence_age_s": 3600.0625}, False),
    ("presence", {"s_presence_age_s": 1800.0, "n_flag": True}, True),
    ("presence", {"s_presence_age_s": 1800.0625, "n_flag": True}, False),
    ("presence", {"s_presence_age_s": nan}, False),
    ("presence_asked", {"s_presence_asked_s": 299.9375}, False),
    ("presence_asked", {"s_presence_asked_s": 300.0}, True),
    ("methanol_allows_heat", {"n_flag": True}, False),
    ("methanol_allows_heat", FULL, True),
    ("methanol_allows_heat", {**FULL, "r_rig_level": "small"}, False),
    ("methanol_allows_heat", {**FULL, "r_warm_hold": False}, False),
    ("methanol_allows_heat", {**FULL, "i_cutout2_closed": False}, False),
    ("methanol_allows_heat", {**FULL, "i_cutout2_closed": None}, False),
    *(("methanol_allows_heat", {**FULL, "r_fitted": tuple(
        other for other in OPTIONAL_INPUTS if other != name)}, False) for name in OPTIONAL_INPUTS),
    ("methanol_allows_heat", {**FULL, **NO_INPUTS}, False),
    ("record_stores", {"s_record_fault_s": 10.0, "s_unsaved": [(8, 10.0), (9, 9.0)]}, True),
    ("record_stores", {"s_record_fault_s": 10.0625}, False),
    ("record_stores", {"s_unsaved": [(8, 10.0625), (9, 1.0)]}, False),
    ("record_stores", {"s_unsaved": [(8, nan)]}, False),
    ("supply_good", {"s_supply": SupplyState(0.0625, 9.9375)}, False),
    ("supply_recovers", {"s_supply": SupplyState(30.0)}, True),
    ("supply_recovers", {"s_supply": SupplyState(30.0625)}, False),
    ("supply_good", {"s_supply": SupplyState(nan)}, False),
    ("supply_recovers", {"s_supply": SupplyState(nan)}, False),
    ("limits_known", {"n_limits": None}, False),
    ("starts_clean", {"s_unclean_starts": 2}, True),
    ("starts_clean", {"s_unclean_starts": 3}, False),
    ("starts_clean", {"s_unclean_starts": 3, "s_latches": ["e-stop", "restarts"]}, True),
    ("past_known", {"s_past_lost": True}, False),
    ("past_known", {"s_past_lost": True, "s_latches": ["e-stop", "record-lost"]}, True),
    ("guard_resets_left", {"s_guard_latches": ["probe"], "s_guard_resets": {"probe": 2}}, True),
    ("guard_resets_left", {"s_guard_latches": ["probe"], "s_guard_resets": {"probe": 3}}, False),
    ("guard_resets_left", {"s_guard_latches": ["e-stop", "probe"],
                           "s_guard_resets": {"probe": 4}}, False),
    ("guard_resets_left", {"s_guard_latches": ["probe"], "s_guard_resets": {"k1": 3}}, True),
    ("guard_resets_left", {"s_guard_resets": {"probe": 3}}, True),
    ("tick_on_time", {"n_dt_s": 2.0}, True),
    ("tick_on_time", {"n_dt_s": 2.0625}, False),
    ("tick_on_time", {"n_dt_s": nan}, False),
    ("tick_on_time", {"n_dt_s": -0.0625}, False),
]


@pytest.mark.parametrize(("fact", "changes", "proven"), CASES, ids=lambda given: str(given)[:60])
def test_a_fact_is_proven_by_this_and_by_nothing_less(
    fact: str, changes: dict[str, Any], proven: bool,
) -> None:
    assert getattr(Given(**changes).prove(), fact) is proven


def test_a_guard_that_falls_silent_takes_back_what_was_proven_by_its_inputs() -> None:
    given = Given()
    given.prove()
    given.seen.inputs, given.seen.heard = None, False
    facts = given.prove()
    lost = {f.name for f in fields(facts) if not getattr(facts, f.name)} - CONDITIONS - AT_REST
    assert lost == {
        "guard_heard", "estop_closed", "cutout_closed", "level_wet", "level_now", "level_or_hand",
        "mixer_proven", "mixer_or_melt", "lid_ok", "vent_ok", "vapour_ok", "sump_ok",
        "drain_ok", "cutout2_ok"}


def test_ten_minutes_of_rest_begin_over_the_alarm_limit_and_not_for_want_of_a_reading() -> None:
    over, silent = Given(n_a_c=112.0), Given(n_a_s=NOW_S - 5.0, n_b_s=NOW_S - 5.0)
    over.prove()
    silent.prove()
    assert (over.state.alarm_rest_s, silent.state.alarm_rest_s) == (600.0, 0.0)


@pytest.mark.parametrize(("changes", "noted"), [
    ({"n_b_c": 60.0, "s_proven_s": 59.9375}, True), ({"n_b_c": 60.0, "s_proven_s": 60.0}, False),
    ({"n_b_c": 60.0, "s_proven_s": 0.0, "n_a_s": NOW_S - 5.0}, False),
    ({"n_b_c": 60.0, "s_proven_s": 0.0, "n_b_s": NOW_S - 5.0}, False),
    ({"s_proven_s": 0.0}, False)])
def test_apart_is_noted_of_two_good_readings_before_the_oil_was_mixed_long_enough(
    changes: dict[str, Any], noted: bool,
) -> None:
    given = Given(**changes)
    given.prove()
    assert given.state.apart_noted is noted


@pytest.mark.parametrize("stale", ["n_a_s", "n_b_s"])
def test_apart_is_taken_back_only_by_two_good_readings(stale: str) -> None:
    given = Given(s_apart_noted=True, **{stale: NOW_S - 5.0})
    given.prove()
    assert given.state.apart_noted
    given = Given(s_apart_noted=True)
    given.prove()
    assert not given.state.apart_noted


@pytest.mark.parametrize(("proven_s", "stuck"), [(900.0, True), (59.0, False)])
@pytest.mark.parametrize("which", ["a", "b"])
def test_a_probe_that_repeats_is_looked_for_only_in_mixed_oil(
    which: str, proven_s: float, stuck: bool,
) -> None:
    given = Given(s_proven_s=proven_s)
    judges = {"a": given.state.probe_a, "b": given.state.probe_b}
    other = judges["b" if which == "a" else "a"]
    for second in range(62):
        other.good_c = 54.0 + second / 40.0
        given.seen.now_s = NOW_S + second
        facts = given.prove()
    assert (judges[which].stuck, other.stuck) == (stuck, False)
    assert facts.probes_move is not stuck


def test_unclean_starts_are_counted_until_they_are_latched_and_then_from_none() -> None:
    given = Given(s_unclean_starts=3)
    given.prove()
    assert given.state.unclean_starts == 3
    given.state.latches = ["restarts"]
    given.prove()
    assert given.state.unclean_starts == 0


def test_a_lost_past_is_latched_once_and_then_a_persons() -> None:
    given = Given(s_past_lost=True)
    given.prove()
    assert given.state.past_lost
    given.state.latches = ["record-lost"]
    given.prove()
    assert not given.state.past_lost


# -- what the effect check is told -------------------------------------------------------------


def told(monkeypatch: pytest.MonkeyPatch, *verdicts: str, **changes: Any) -> dict[str, Any]:
    """What prove() hands to effects.step, and the facts it makes of the verdicts."""
    seen: dict[str, Any] = {}

    def step(state: EffectState, dt_s: float, **named: Any) -> tuple[str, ...]:
        seen.update(named, dt_s=dt_s)
        return verdicts
    monkeypatch.setattr(effects, "step", step)
    facts = Given(**changes).prove()
    names = ("element_warms", "element_not_double", "element_not_half", "rests_when_off")
    return seen | {"lost": [name for name in names if not getattr(facts, name)]}


@pytest.mark.parametrize(("changes", "on"), [
    ({}, True), ({"o_k1": False}, False), ({"i_k1_open": True}, False),
    ({"i_k2_open": True}, False), (NO_INPUTS, False), ({"o_ssr": False}, True),
    ({"o_ssr": False, "r_element_switch": "ssr"}, False), ({"r_element_switch": "ssr"}, True),
    ({"o_k1": False, "r_element_switch": "ssr"}, False)])
def test_the_element_counts_as_on_only_when_proven_closed_all_the_way(
    changes: dict[str, Any], on: bool, monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert told(monkeypatch, **changes)["element_on"] is on


@pytest.mark.parametrize(("changes", "mixed"), [
    ({"s_proven_s": 60.0}, True), ({"s_proven_s": 59.9375}, False),
    ({"i_mixer_proof": False}, False), ({"n_adding": True}, True),
    ({"n_adding": True, "o_k1": False}, False), ({"n_adding": True, "i_k1_open": True}, False)])
def test_oil_is_mixed_after_a_minute_of_proof_and_an_inflow_excuses_no_element_that_is_on(
    changes: dict[str, Any], mixed: bool, monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert told(monkeypatch, **changes)["mixed"] is mixed


def test_the_effect_check_is_told_power_litres_loss_and_a_fresh_reading(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    usual = told(monkeypatch, n_dt_s=1.0, r_room_c=14.0)
    assert usual == {
        "dt_s": 1.0, "element_on": True, "oil_c": 54.0, "mixed": True, "swallows": False,
        "power_w": 3000.0, "volume_l": 120.0, "loss_w": 320.0, "loss_doubt": 2.0, "lost": []}
    assert told(monkeypatch, n_a_s=NOW_S - 5.0)["oil_c"] is None
    assert told(monkeypatch, r_lagging_mm=40.0)["loss_doubt"] == 1.0
    assert told(monkeypatch, r_lagging_mm=0.0)["loss_doubt"] == 1.0, "bare is a word too"


@pytest.mark.parametrize(("verdict", "fact"), [
    ("no-response", "element_warms"), ("over-response", "element_not_double"),
    ("half-power", "element_not_half"), ("warming-off", "rests_when_off")])
def test_each_verdict_takes_one_fact(
    verdict: str, fact: str, monkeypatch: pytest.MonkeyPatch,
) -> None:
    assert told(monkeypatch, verdict)["lost"] == [fact]


# a second of 3000 W into 120 L of oil: 0.0134 K
PAID_K = 3000.0 / (120.0 * 0.918 * 2030.0)


@pytest.mark.parametrize(("changes", "swallows", "short_k"), [
    ({}, True, PAID_K), ({"n_fat_set": False}, False, 0.0), ({"n_a_c": 50.0}, True, PAID_K),
    ({"n_a_c": 50.0625}, False, 0.0), ({"n_a_s": NOW_S - 5.0}, False, 0.0),
    ({"n_volume_l": 0.0}, False, 0.0), ({"n_volume_l": nan}, False, 0.0),
    ({"n_volume_l": 0.5}, True, 240.0 * PAID_K),
    ({"n_a_c": nan}, False, 0.0), ({"n_dt_s": 2.0}, True, 2.0 * PAID_K),
    ({"o_k1": False}, True, 0.0), ({"n_adding": True}, True, PAID_K),
    ({"s_melt_short_k": 100e3 / 2030.0, "o_k1": False}, True, 100e3 / 2030.0),
    ({"s_melt_short_k": 49.2}, True, 49.2 + PAID_K),
    ({"s_melt_short_k": 49.25}, False, 49.25 + PAID_K),
    ({"s_melt_seen_c": 44.0, "s_melt_short_k": 3.0}, True, 2.0 + PAID_K),
    ({"s_melt_seen_c": 40.0, "s_melt_short_k": 3.0}, True, 0.0),
    ({"s_melt_seen_c": 46.0, "s_melt_short_k": 3.0}, True, 3.0 + PAID_K)])
def test_set_fat_may_swallow_what_was_paid_in_and_not_seen_up_to_its_heat_of_melting(
    changes: dict[str, Any], swallows: bool, short_k: float, monkeypatch: pytest.MonkeyPatch,
) -> None:
    given = Given(**{"n_fat_set": True, "n_a_c": 45.0, "n_dt_s": 1.0, **changes})
    seen: list[bool] = []
    monkeypatch.setattr(
        effects, "step", lambda *_, **named: (seen.append(named["swallows"]), ())[1])
    given.prove()
    assert seen == [swallows]
    assert given.state.melt_short_k == pytest.approx(short_k, abs=1e-5)


def test_the_warmest_set_fat_was_seen_at_is_remembered_and_never_falls() -> None:
    given = Given(n_fat_set=True, n_a_c=45.0)
    for a_c, seen_c in ((45.0, 45.0), (46.0, 46.0), (44.0, 46.0)):
        given.state.probe_a.good_c = a_c
        given.prove()
        assert given.state.melt_seen_c == seen_c


@pytest.mark.parametrize("value", [inf, -inf, nan])
def test_a_reading_time_that_is_no_time_is_not_fresh(value: float) -> None:
    assert not plausibility.fresh(ProbeJudge(good_c=54.0, good_at_s=value), NOW_S)


def test_without_a_fresh_value_there_is_no_hottest() -> None:
    given = Given(n_a_c=60.0, n_b_c=70.0)
    hottest = [proof.hottest_c(given.state, NOW_S + after_s, given.reactor)
               for after_s in (0.0, 5.0)]
    assert hottest == [70.0, None]
    given.state.probe_b.good_c = None
    assert proof.hottest_c(given.state, NOW_S, given.reactor) == 60.0
