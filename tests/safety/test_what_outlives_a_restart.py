"""What the safety layer still knows after a restart, and what it begins anew."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

from esterward.safety.alarms import AlarmEntry
from esterward.safety.contactors import Contactor
from esterward.safety.effects import EffectState
from esterward.safety.gaps import Gaps
from esterward.safety.plausibility import ProbeJudge
from esterward.safety.state import SafetyState, restarted
from esterward.safety.supply import SupplyState

KEPT: dict[str, Any] = {
    "apart_noted": True, "alarm_rest_s": 300.0, "vapour_rest_s": 500.0,
    "latches": ["sump"], "resets": {"sump": 2}, "alarms": {"sump": AlarmEntry()},
    "melt_short_k": 7.0, "melt_seen_c": 31.0,
    "guard_latches": ["probe"], "guard_resets": {"probe": 2}, "guard_over": ["probe"],
    "pending_reset": "sump", "pending_number": 12}


def test_at_the_first_start_nothing_is_proven_known_or_remembered() -> None:
    state = SafetyState()
    assert state.melt_s == 60.0, "seven minutes until a first pulse"
    for field in fields(state):
        if field.name != "melt_s":
            assert getattr(state, field.name) in (
                0.0, None, False, "", [], {}, ProbeJudge(), EffectState(), Contactor(),
                SupplyState(), Gaps()), field.name


def test_latches_alarms_resets_and_doubts_outlive_a_restart_and_nothing_else() -> None:
    before = SafetyState(**KEPT, heard_s=9.0, proven_s=9.0, wet_s=9.0, presence_age_s=9.0,
                         melt_s=0.0, granted=["heat"], waits_s={"air": 9.0}, waited_s=9.0,
                         k1=Contactor(edges_s=[1.0]), k2=Contactor(driven=True),
                         reasons_age_s={"sump": 9.0}, bad_s={"lid": 9.0}, hold=True,
                         unclean_starts=2, past_lost=True, withheld={"heat": "sump"},
                         energised=True,
                         gaps_a=Gaps(10.0, True), gaps_b=Gaps(9.0), gaps_ticks=Gaps(9.0, True),
                         effects=EffectState(paid_k=3.0))
    after = restarted(before)
    assert {name: getattr(after, name) for name in KEPT} == KEPT
    fresh = SafetyState()
    for field in fields(after):
        if field.name not in KEPT:
            assert getattr(after, field.name) == getattr(fresh, field.name), field.name


def test_the_last_temperatures_outlive_it_to_be_compared_with_and_not_as_readings() -> None:
    after = restarted(SafetyState(
        probe_a=ProbeJudge(good_c=54.0, good_at_s=9.0, stuck=True, doubts=2),
        probe_b=ProbeJudge(good_c=55.0, good_at_s=9.0)))
    assert (after.probe_a, after.probe_b) == (ProbeJudge(good_c=54.0), ProbeJudge(good_c=55.0))
