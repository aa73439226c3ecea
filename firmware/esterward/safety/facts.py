"""Proven facts about the reactor: booleans that are True only when shown.

Everything the interlock table looks at is made here, from judged probes, read-backs, the guard's
report, the counters, and the few words of the process in docs/decisions/010. Each line is written
so that None, NaN or silence gives False.
"""

from __future__ import annotations

from dataclasses import dataclass

from esterward.chemistry.boiling import CLEAR_ALARM_C, CLEAR_TRIP_C
from esterward.safety import contactors, effects, limits, plausibility
from esterward.safety.counters import Seen, presence_left_s
from esterward.safety.state import SafetyState
from esterward.values.reactor import Reactor
from esterward.values.readings import OPTIONAL_INPUTS, Inputs, optional_good


@dataclass(slots=True)
class SafetyFacts:
    """The facts of one tick; every one is False until it is proven."""

    guard_heard: bool = False
    guard_enables: bool = False
    guard_agrees: bool = False
    estop_closed: bool = False
    cutout_closed: bool = False
    below_trip: bool = False
    below_alarm: bool = False
    probe_a_fresh: bool = False
    probe_b_fresh: bool = False
    probe_a_quick: bool = False  # without gap after gap
    probe_b_quick: bool = False
    probes_agree: bool = False
    probes_together: bool = False
    probes_move: bool = False
    level_wet: bool = False
    level_now: bool = False
    level_or_hand: bool = False
    mixer_proven: bool = False
    mixer_or_melt: bool = False
    mixer_starts: bool = False
    mixer_stops: bool = False
    k1_obeys_off: bool = False
    k1_obeys_on: bool = False
    k2_obeys_off: bool = False
    k2_obeys_on: bool = False
    k1_quiet: bool = False
    k2_quiet: bool = False
    element_warms: bool = False
    element_not_double: bool = False
    element_not_half: bool = False
    rests_when_off: bool = False
    presence: bool = False
    presence_asked: bool = False  # long enough: who is there has heard the horn
    methanol_allows_heat: bool = False
    lid_ok: bool = False
    vent_ok: bool = False
    vapour_ok: bool = False
    sump_ok: bool = False
    drain_ok: bool = False
    cutout2_ok: bool = False
    record_stores: bool = False
    supply_good: bool = False
    supply_recovers: bool = False
    limits_known: bool = False
    steady: bool = False
    tick_on_time: bool = False
    ticks_steady: bool = False
    starts_clean: bool = False
    past_known: bool = False
    guard_resets_left: bool = False
    # conditions: when a fault may be raised; never stays False, always stays True. With a guard
    # not heard, or in a tick that comes late, nobody knows: energised, heating and mixing then
    # stay False, because all energy is taken off for the one cause that is known.
    wanted: bool = False         # energy is wished for
    flowed: bool = False         # and was in the tick before
    energised: bool = False
    energised_asked: bool = False
    heating: bool = False
    mixing: bool = False
    known_clear: bool = False
    known_set: bool = False
    known: bool = False
    heard: bool = False
    energised_flag: bool = False
    guarded: bool = False        # a rig level with a guard
    never: bool = False
    always: bool = True


def hottest_c(state: SafetyState, now_s: float, reactor: Reactor) -> float | None:
    """The hotter of the two believed probes that are fresh, corrected upward; None if none."""
    best = None
    for judge, correction_k in ((state.probe_a, reactor.probe_a_correction_k),
                                (state.probe_b, reactor.probe_b_correction_k)):
        if judge.good_c is not None and plausibility.fresh(judge, now_s):
            c = judge.good_c + max(correction_k, 0.0)
            if best is None or c > best:
                best = c
    return best


def _apart_limit_k(c: float) -> float:
    return limits.PROBES_APART_K if c <= limits.PROBES_ACCURATE_C else limits.PROBES_APART_HOT_K


def prove(
    facts: SafetyFacts, state: SafetyState, seen: Seen, reactor: Reactor, hand_pump: bool,
    pulse: bool,
) -> None:
    """Fill every fact of this tick (not the conditions).

    pulse: heat is wished, and neither mixer nor air. hand_pump: the process says that green runs
    the pump; believed only while green is read as pressed and K1 as open.
    """
    guard, inputs, out = seen.guard, seen.inputs, seen.commanded
    by_hand = hand_pump and inputs is not None and inputs.green and inputs.k1_open
    facts.guard_heard, facts.guarded = seen.heard, reactor.rig_level != "watch"
    facts.guard_enables = state.refused_s <= limits.GUARD_ENABLES_S
    facts.guard_agrees = (
        guard is not None and guard.hash == reactor.digest
        and state.flags_apart_s <= limits.FLAGS_APART_S
        and state.pressures_apart_s <= limits.PRESSURES_APART_S)
    _prove_inputs(facts, state, seen, reactor, by_hand)
    _prove_temperature(facts, state, seen, reactor)
    melt = pulse and _may_melt(facts, state, seen, reactor)
    facts.mixer_or_melt = facts.mixer_proven or melt
    # Around a still element two honest probes differ; the hotter one holds the limit.
    facts.probes_agree = facts.probes_agree or melt
    proof = facts.mixer_proven
    # A pump run by hand to fill draws air first and last; the hand is its proof.
    facts.mixer_starts = state.unproven_s < limits.MIXER_START_S or by_hand
    # No read-back accuses that may be older than the command: the last word of a guard that stands
    # still, and its first ones after that (the tick that hears it first counts as a whole one).
    told = inputs if (
        state.heard_s >= limits.TICK_S + limits.READBACK_OFF_S
        and guard is not None and seen.now_s - guard.at_s <= limits.READBACK_AGE_S) else None
    facts.mixer_stops = (state.mixer_off_s < limits.MIXER_STOP_S
                         or told is None or not told.mixer_proof)
    facts.k1_obeys_off = (state.k1_off_s < limits.READBACK_OFF_S
                          or told is None or told.k1_open)
    facts.k1_obeys_on = state.k1_on_s < limits.READBACK_S or told is None or not told.k1_open
    facts.k2_obeys_off = (state.enable_off_s < limits.READBACK_S
                          or told is None or told.k2_open)
    facts.k2_obeys_on = (state.enable_on_s < limits.READBACK_S
                         or told is None or not told.k2_open)
    facts.k1_quiet, facts.k2_quiet = contactors.quiet(state.k1), contactors.quiet(state.k2)
    element_on = (out.k1 and (out.ssr or reactor.element_switch != "ssr") and inputs is not None
                  and not inputs.k1_open and not inputs.k2_open)
    oil_c = state.probe_a.good_c if facts.probe_a_fresh else None
    # What flows in excuses no element that is on, only a reading that rises with it off.
    mixed = (proof and state.proven_s >= limits.MIXED_BEFORE_COMPARE_S
             and (element_on or not seen.adding))
    verdict = effects.step(
        state.effects, seen.dt_s, element_on=element_on, oil_c=oil_c, mixed=mixed,
        swallows=seen.fat_set and _melting(state, seen, reactor, oil_c, element_on and mixed),
        power_w=reactor.element_w, volume_l=seen.volume_l,
        loss_w=effects.loss_w(state.effects, seen.loss_w_per_k, reactor.room_c, oil_c),
        loss_doubt=1.0 if reactor.lagging_mm is not None else limits.TYPED_LOSS_DOUBT)
    facts.element_warms = "no-response" not in verdict
    facts.element_not_double = "over-response" not in verdict
    facts.element_not_half = "half-power" not in verdict
    facts.rests_when_off = "warming-off" not in verdict
    left_s = presence_left_s(state, seen.flag)
    facts.presence = left_s is not None and left_s >= 0.0
    facts.presence_asked = state.presence_asked_s >= limits.PRESENCE_WARN_S
    facts.methanol_allows_heat = not seen.flag or warm_hold_allowed(reactor, inputs)
    facts.record_stores = state.record_stores
    facts.supply_good, facts.supply_recovers = state.supply.good, state.supply.recovers
    facts.limits_known = seen.limits is not None
    facts.steady = state.waited_s <= limits.BACK_TOLD_S
    if "restarts" in state.latches:
        state.unclean_starts = 0  # it is said; the rest is a person's
    facts.starts_clean = state.unclean_starts < limits.UNCLEAN_STARTS
    state.past_lost = state.past_lost and "record-lost" not in state.latches
    facts.past_known = not state.past_lost
    over = [code for code in state.guard_latches
            if not state.guard_resets.get(code, 0) < limits.RESETS_ALLOWED]
    facts.guard_resets_left = not over
    if over:
        state.guard_over += [code for code in over if code not in state.guard_over]
    facts.tick_on_time, facts.ticks_steady = not seen.late, state.gaps_ticks.told is False


def _may_melt(facts: SafetyFacts, state: SafetyState, seen: Seen, reactor: Reactor) -> bool:
    """Whether set fat may be given a pulse of heat with nothing stirring it.

    The batch file says that it is set, both probes are read and the hotter one is low, the float
    is wet, no methanol, and the element was on for little of the last minutes by the count of this
    layer.
    """
    hottest = hottest_c(state, seen.now_s, reactor)
    return (seen.fat_set and not seen.flag and facts.level_wet
            and facts.probe_a_fresh and facts.probe_b_fresh
            and hottest is not None and hottest <= limits.MELT_MOST_C
            and state.melt_s <= limits.MELT_BURST_S)


def _melting(state: SafetyState, seen: Seen, reactor: Reactor, oil_c: float | None,
             paying: bool) -> bool:
    """Whether fat that was declared set may still be swallowing heat: cool, and within bounds."""
    if oil_c is None or not oil_c <= limits.MELT_MOST_C or not seen.volume_l > 0.0:
        return False
    if state.melt_seen_c is None:
        state.melt_seen_c = oil_c
    if paying:
        state.melt_short_k += (reactor.element_w * seen.dt_s
                               / (seen.volume_l * effects.OIL_J_PER_L_K))
    if oil_c > state.melt_seen_c:
        state.melt_short_k = max(0.0, state.melt_short_k - (oil_c - state.melt_seen_c))
        state.melt_seen_c = oil_c
    return state.melt_short_k <= limits.MELT_SHORT_K


def _prove_inputs(
    facts: SafetyFacts, state: SafetyState, seen: Seen, reactor: Reactor, by_hand: bool,
) -> None:
    inputs, fitted = seen.inputs, reactor.fitted
    if inputs is None:
        for name in ("estop_closed", "cutout_closed", "level_wet", "level_now", "level_or_hand",
                     "mixer_proven", "lid_ok", "vent_ok", "vapour_ok", "sump_ok",
                     "drain_ok", "cutout2_ok"):
            setattr(facts, name, False)
        return
    facts.estop_closed, facts.cutout_closed = inputs.estop_closed, inputs.cutout_closed
    facts.level_now = inputs.level_wet
    facts.level_wet = inputs.level_wet and state.wet_s >= limits.LEVEL_WET_S
    # Filling: the pump may run dry of the float only by hand and with K1 proven open.
    facts.level_or_hand = inputs.level_wet or by_hand
    facts.mixer_proven = inputs.mixer_proof and seen.commanded.mixer
    facts.lid_ok = optional_good(inputs, "lid_closed", fitted) or (by_hand and not seen.flag)
    facts.vent_ok = state.vent_unproven_s < limits.VENT_START_S
    vapour_low = optional_good(inputs, "vapour_low", fitted)
    if not vapour_low:
        state.vapour_rest_s = limits.VAPOUR_REST_S
    facts.vapour_ok = vapour_low and state.vapour_rest_s == 0.0
    facts.sump_ok = optional_good(inputs, "sump_dry", fitted)
    facts.drain_ok = optional_good(inputs, "drain_closed", fitted)
    # With methanol clear a key bridges it, and it is open whenever the oil is above its own limit.
    facts.cutout2_ok = optional_good(inputs, "cutout2_closed", fitted) or not seen.flag


def _prove_temperature(
    facts: SafetyFacts, state: SafetyState, seen: Seen, reactor: Reactor,
) -> None:
    now_s, a, b = seen.now_s, state.probe_a, state.probe_b
    facts.probe_a_fresh, facts.probe_b_fresh = (
        plausibility.fresh(a, now_s), plausibility.fresh(b, now_s))
    facts.probe_a_quick, facts.probe_b_quick = (
        state.gaps_a.told is False, state.gaps_b.told is False)
    hottest = hottest_c(state, now_s, reactor)
    alarm_c: float | None = CLEAR_ALARM_C
    trip_c: float | None = CLEAR_TRIP_C
    if seen.flag:
        alarm_c = seen.limits.alarm_c if seen.limits is not None else None
        trip_c = seen.limits.trip_c if seen.limits is not None else None
    facts.below_trip = hottest is not None and trip_c is not None and hottest < trip_c
    below_alarm = hottest is not None and alarm_c is not None and hottest < alarm_c
    if hottest is not None and not below_alarm:
        state.alarm_rest_s = limits.ALARM_REST_S
    facts.below_alarm = below_alarm and state.alarm_rest_s == 0.0
    facts.known = hottest is not None
    facts.known_set = facts.known and seen.flag
    facts.known_clear = facts.known and not seen.flag
    together = False
    if facts.probe_a_fresh and facts.probe_b_fresh and a.good_c is not None \
            and b.good_c is not None:
        together = abs(a.good_c - b.good_c) <= _apart_limit_k(max(a.good_c, b.good_c))
    mixed = state.proven_s >= limits.MIXED_BEFORE_COMPARE_S
    if mixed:
        plausibility.watch_stuck(a, b.good_c, now_s)
        plausibility.watch_stuck(b, a.good_c, now_s)
    elif not together and facts.probe_a_fresh and facts.probe_b_fresh:
        state.apart_noted = True
    if state.apart_noted and together and state.proven_s >= limits.UNMIXED_FREE_S:
        state.apart_noted = False
    both = facts.probe_a_fresh and facts.probe_b_fresh
    facts.probes_together = together or not mixed or not both
    facts.probes_agree = both and not state.apart_noted and (together or not mixed)
    facts.probes_move = not a.stuck and not b.stuck


def warm_hold_allowed(reactor: Reactor, inputs: Inputs | None) -> bool:
    """Heating with the methanol flag set: rig full, all of it fitted, second cut-out closed."""
    return (reactor.rig_level == "full" and reactor.warm_hold and inputs is not None
            and all(name in reactor.fitted for name in OPTIONAL_INPUTS)
            and inputs.cutout2_closed is True)


def condition(facts: SafetyFacts, *, wanted: bool, heating: bool, mixing: bool,
              flag: bool, flowed: bool) -> None:
    """Fill the conditions that depend on the wish; flowed: energy was wanted a tick ago."""
    facts.heard = facts.guard_heard
    facts.flowed, facts.wanted = flowed, wanted and facts.tick_on_time
    known = facts.heard and facts.tick_on_time
    facts.energised, facts.heating = wanted and known, heating and known
    facts.energised_asked = facts.energised and facts.presence_asked
    facts.mixing, facts.energised_flag = mixing and known, wanted and known and flag
