"""What one tick saw, and the counters it moves: for how long each thing has been so.

First half of the facts: safety.facts proves from these counters what the interlocks ask.
"""

from __future__ import annotations

from dataclasses import dataclass

from esterward.chemistry.boiling import Limits
from esterward.safety import contactors, gaps, limits, plausibility, supply
from esterward.safety.state import SafetyState
from esterward.values.messages import GuardReport
from esterward.values.outputs import Outputs
from esterward.values.reactor import Reactor
from esterward.values.readings import Inputs, ProbeReading, optional_good


@dataclass(slots=True)
class Seen:
    """What the facts are made from in one tick. inputs None: the guard is not heard."""

    now_s: float
    dt_s: float
    probe_a: ProbeReading
    guard: GuardReport | None
    heard: bool
    inputs: Inputs | None
    commanded: Outputs
    flag: bool
    limits: Limits | None
    pressure_kpa: float | None
    record_fault: bool
    stored: int                  # the last event on disk
    last_event: int              # and the last there is
    volume_l: float              # what may be in the vessel
    fat_set: bool                # declared, and no dose was begun
    loss_w_per_k: float          # of the lagging, never fitted: see figures.declared_loss
    adding: bool                 # something may be flowing in, so that no rise says anything
    supply_low: bool | None      # of the board; None: it cannot tell

    @property
    def late(self) -> bool:
        """This controller itself stood still, so that nobody knows what was so meanwhile."""
        return not 0.0 <= self.dt_s <= limits.TICK_GAP_S


def count(state: SafetyState, seen: Seen, reactor: Reactor) -> bool:
    """Judge the probes and add one tick to every counter; True when probe A is new.

    A late tick counts as a whole for what only makes things stricter: time since an output was
    commanded off, presence, age of a typed reason. What was observed to last begins anew: a
    command given before the gap has lapsed with its lease, and how long it has been so is not
    known.
    """
    dt_s, inputs, guard, out = seen.dt_s, seen.inputs, seen.guard, seen.commanded
    late = seen.late
    fresh_a = plausibility.judge(state.probe_a, seen.probe_a, seen.now_s)
    if guard is not None and seen.heard:  # the stamps of another boot mean nothing here
        plausibility.judge(state.probe_b, guard.probe_b, seen.now_s)
    _count_gaps(state, seen)
    if out.k1:
        state.k1_on_s, state.k1_off_s = 0.0 if late else state.k1_on_s + dt_s, 0.0
    else:
        state.k1_on_s, state.k1_off_s = 0.0, state.k1_off_s + dt_s
    closed = out.k1 or inputs is None or not inputs.k1_open
    # In these orders NaN stays NaN, or becomes the most: it never ends a wait.
    state.melt_s = min(limits.MELT_UNKNOWN_S, max(
        state.melt_s + dt_s * ((1.0 if closed else 0.0) - limits.MELT_SHARE), 0.0))
    enabled = seen.heard and guard is not None and guard.enable
    first_s = dt_s if state.heard_s > 0.0 else min(dt_s, limits.TICK_S)
    state.heard_s = state.heard_s + first_s if seen.heard else 0.0
    state.enable_on_s = _lasted_s(state.enable_on_s, enabled, seen)
    state.enable_off_s = _lasted_s(state.enable_off_s, not enabled, seen)
    state.refused_s = _lasted_s(state.refused_s, out.k2_wanted and not enabled, seen)
    proof = inputs is not None and inputs.mixer_proof
    if out.mixer:
        state.mixer_off_s = 0.0
        # With K2 open the pump has no supply: that has rows of its own, and is not its fault.
        supplied = inputs is None or not inputs.k2_open
        state.unproven_s = _lasted_s(state.unproven_s, supplied and not proof, seen)
    else:
        state.mixer_off_s += dt_s
        state.unproven_s = 0.0
    state.proven_s = _lasted_s(state.proven_s, proof and out.mixer, seen)
    vented = optional_good(inputs, "vent_proof", reactor.fitted)
    state.vent_unproven_s = _lasted_s(state.vent_unproven_s, out.vent and not vented, seen)
    wet = inputs is not None and inputs.level_wet
    state.wet_s = _lasted_s(state.wet_s, wet, seen)
    contactors.watch_both(state.k1, state.k2, 0.0 if late else dt_s, None if late else inputs,
                          k1=out.k1, k2=enabled, latches=state.latches)
    apart = seen.heard and guard is not None and guard.flag is not seen.flag
    state.flags_apart_s = _lasted_s(state.flags_apart_s, apart, seen)
    state.pressures_apart_s = _lasted_s(state.pressures_apart_s, not _pressures_agree(seen), seen)
    watched_s = min(dt_s, limits.TICK_GAP_S)
    state.alarm_rest_s = max(state.alarm_rest_s - watched_s, 0.0)
    if inputs is not None:
        state.vapour_rest_s = max(state.vapour_rest_s - watched_s, 0.0)
    state.record_fault_s = _lasted_s(state.record_fault_s, seen.record_fault, seen)
    _count_unsaved(state, seen)
    if not late:
        supply.count(state.supply, seen.supply_low, dt_s)
    if state.presence_age_s is not None:
        state.presence_age_s += dt_s
    left_s = presence_left_s(state, seen.flag)
    asked = state.energised and (left_s is None or left_s <= limits.PRESENCE_WARN_S)
    state.presence_asked_s = _lasted_s(state.presence_asked_s, asked, seen)
    for code in list(state.reasons_age_s):
        state.reasons_age_s[code] += dt_s
        if not state.reasons_age_s[code] <= limits.LOCAL_WORD_S:
            del state.reasons_age_s[code]
    return fresh_a


def presence_left_s(state: SafetyState, flag: bool) -> float | None:
    """Seconds until a press is overdue, below zero after; None: nobody since the boot."""
    if state.presence_age_s is None:
        return None
    return (limits.PRESENCE_SET_S if flag else limits.PRESENCE_CLEAR_S) - state.presence_age_s


def _lasted_s(before_s: float, is_so: bool, seen: Seen) -> float:
    """Seconds something is seen to last: at most a tick's worth when it is seen first."""
    if not is_so or seen.late:
        return 0.0
    return before_s + (seen.dt_s if before_s > 0.0 else min(seen.dt_s, limits.TICK_S))


def _count_gaps(state: SafetyState, seen: Seen) -> None:
    """How late readings and ticks come. Of readings nobody knows through a late tick."""
    gaps.count(state.gaps_ticks, not seen.late, seen.dt_s)
    for counted, judge, looked in ((state.gaps_a, state.probe_a, not seen.late),
                                   (state.gaps_b, state.probe_b, not seen.late and seen.heard)):
        in_time = gaps.reads_in_time(plausibility.age_s(judge, seen.now_s))
        gaps.count(counted, in_time if looked else None, seen.dt_s)


def _count_unsaved(state: SafetyState, seen: Seen) -> None:
    """How long which event has waited for the disk: one entry a second, the oldest first.

    Later than RECORD_FAULT_S after the oldest, all go into one entry: so the list stays short in
    any outage, and says at most too old, until those before that entry are on disk.
    """
    rest = [(number, 0.0 if seen.late else age_s + seen.dt_s)
            for number, age_s in state.unsaved if number > seen.stored]
    if seen.last_event > (rest[-1][0] if rest else seen.stored):
        if rest and rest[-1][1] < max(limits.TICK_S, rest[0][1] - limits.RECORD_FAULT_S):
            rest[-1] = (seen.last_event, rest[-1][1])
        else:
            rest.append((seen.last_event, min(seen.dt_s, limits.TICK_S)))
    state.unsaved = rest


def _pressures_agree(seen: Seen) -> bool:
    guard = seen.guard
    if guard is None or not seen.heard:
        return True  # silence has a row of its own
    if guard.pressure_kpa is None or seen.pressure_kpa is None:
        return guard.pressure_kpa is None and seen.pressure_kpa is None
    return abs(guard.pressure_kpa - seen.pressure_kpa) <= limits.PRESSURES_APART_KPA
