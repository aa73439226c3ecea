"""Does the element do what it is told? On must warm the oil, off must stop warming it.

A ledger counts the kelvin that the element's power should give to the declared litres, once as
paid in and once through the slowest lags we serve (element 90 s, thermowell 60 s). Rises of the
reading are compared with both, so that neither a slow nor a fast vessel is accused. It knows
nothing of the heater law, and judges only readings of mixed oil. What a person
should look at is said in faults.py under the same codes.

Two windows look at the heating: a quick one over 2 K paid in, which must let much pass for the sake
of lags and grain, and a slow one over 3 K, which judges closer and remembers the best it has seen,
so that a later change is seen against this very vessel.

Shares of the expected rise. A voltage 10 % low gives 81 % of the power and a heavy wall takes
another tenth: 73 % is a healthy vessel. A voltage 10 % high gives 121 %. One of two elements
gives 50 %, twice the power or half the oil about 190 %. The two limits lie between.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from esterward.chemistry.substances import OIL_KG_PER_L
from esterward.safety.limits import OIL_J_PER_KG_K

NO_RESPONSE: Final = "no-response"
OVER_RESPONSE: Final = "over-response"
HALF_POWER: Final = "half-power"
WARMING_OFF: Final = "warming-off"

VERDICTS: Final = (NO_RESPONSE, OVER_RESPONSE, HALF_POWER, WARMING_OFF)

# Shares and windows of one judgement: they were chosen together, on simulated vessels
# (esterward_sim.effect_trials; what it showed stands beside them and in
# docs/explanation/heater-law.md), nothing else uses them, and so they stand here and not in limits.
# All [design] unless a source is named.
OIL_J_PER_L_K: Final = OIL_KG_PER_L * OIL_J_PER_KG_K
MARK_K: Final = 0.4  # a mark is set every so often
MARKS: Final = 6  # first to last is the window: 2 K paid in
# 30 % of this is 0.2 K, three steps of the probe: less is not yet a judgement.
ARRIVED_K: Final = 0.65
ON_SHARE: Final = 0.5  # of the window; below, losses and not the element decide the rise
NONE_SHARE: Final = 0.30
HALF_SHARE: Final = 0.60
HALF_MARKS: Final = 3  # more halved than healthy; as many healthy ones end it
OVER_SHARE: Final = 1.60
GRAIN_K: Final = 0.25
# The slow window sees what the quick one must let pass for the sake of lags and grain. Healthy
# reactors of esterward_sim.effect_trials stay under 1.21 of the expected rise, doubled ones come
# over 1.42 (mains 10 % low). Halved ones and the weakest healthy ones overlap from 0.60 to 0.70,
# which is why half-power warns and does not trip: docs/explanation/heater-law.md.
SLOW_MARK_K: Final = 1.0
SLOW_MARKS: Final = 4
SLOW_HALF_SHARE: Final = 0.65
SLOW_OVER_SHARE: Final = 1.31
SETTLED_SHARE: Final = 0.85  # of what was paid in has arrived: the lags no longer matter
CHANGED_HALF: Final = 0.68  # of the best settled window before: mains may swing, not halve
CHANGED_OVER: Final = 1.5
PLAINLY_WHOLE: Final = 0.70  # below, a halved element with high mains is possible too
SLOW_IN_A_ROW: Final = 2
LOSS_SHARE: Final = 0.30  # a loss explains no more than this of what was paid in
PLATEAU_C: Final = 90.0  # above, water leaving the oil takes the power: nothing can be judged
OFF_ENDS_S: Final = 30.0

SLOW_ELEMENT_S: Final = 90.0
SLOW_PROBE_S: Final = 60.0
SLOW_LAG_S: Final = SLOW_ELEMENT_S + SLOW_PROBE_S
STORED_DOUBT: Final = 1.25  # mains 10 % high
ALL_FREED_K: Final = 0.02
WARMING_K: Final = 1.0
SURE_LOSS_SHARE: Final = 0.5  # of the expected loss: so much is surely lost
# Pump, room, sun and reaction warm too, but less than this share of the element's rate, and first
# they have to make up for what is surely lost.
OTHER_HEAT_SHARE: Final = 0.25
TICK_AT_MOST_S: Final = 5.0


@dataclass(slots=True)
class EffectState:
    """The ledger and the window; plain numbers of bounded count.

    coldest_c: the coldest reading so far, no room is warmer than a vessel that stood in it.
    paid_k: kelvin paid in by the element; through_k, arrived_k: the same behind the slow
    element and the slow thermowell. marks: [paid_k, arrived_k, oil_c, on_s, age_s, loss_k]
    rows, oldest first; slow_marks: the same at wider spacing; slow_code, slow_count: what they
    say, how often in a row; best_share: best share of the expected rise in a settled slow
    window, 0.0 until there was one. off_base_c: lowest oil since the element went off;
    off_stored_k: what it may still rise from there, off_freed_k how much of that
    has had the time to come.
    """

    coldest_c: float | None = None
    paid_k: float = 0.0
    through_k: float = 0.0
    arrived_k: float = 0.0
    on_s: float = 0.0
    age_s: float = 0.0
    loss_k: float = 0.0
    off_s: float = 0.0
    marks: list[list[float]] = field(default_factory=list)
    half_marks: int = 0
    slow_marks: list[list[float]] = field(default_factory=list)
    slow_code: str = ""
    slow_count: int = 0
    best_share: float = 0.0
    off_base_c: float | None = None
    off_stored_k: float = 0.0
    off_freed_k: float = 0.0
    verdicts: tuple[str, ...] = ()


def loss_w(state: EffectState, w_per_k: float, room_c: float, oil_c: float | None) -> float:
    """Expected loss in W to a room as told in degC, or as cold as the oil was once found."""
    if oil_c is None:
        return 0.0
    if state.coldest_c is None or oil_c < state.coldest_c:
        state.coldest_c = oil_c
    return max(0.0, w_per_k * (oil_c - min(room_c, state.coldest_c)))


def step(
    state: EffectState,
    dt_s: float,
    *,
    element_on: bool,
    oil_c: float | None,
    mixed: bool,
    power_w: float,
    volume_l: float,
    loss_w: float = 0.0,
    swallows: bool = False,
    loss_doubt: float = 1.0,
) -> tuple[str, ...]:
    """What is wrong now, as VERDICTS; empty when nothing is.

    dt_s: s since the last call; element_on: proven closed all the way; oil_c: a good reading
    in degC or None; mixed: the mixer proves itself long enough, and nothing is being added;
    power_w: rated; volume_l: what is in the vessel; loss_w: expected loss at oil_c; loss_doubt:
    how many times that it may be before a weak rise means a weak element; swallows: set fat may
    be taking the heat to melt, so that no rise says anything.
    """
    if not (0.0 <= dt_s <= TICK_AT_MOST_S):
        _forget(state)
        state.off_base_c = None
        return ()
    if not (0.0 < power_w < 1e6 and 0.0 < volume_l < 1e6 and 0.0 <= loss_w < 1e6
            and 1.0 <= loss_doubt < 100.0):
        return (NO_RESPONSE,) if element_on else ()
    capacity_j_k = volume_l * OIL_J_PER_L_K
    rate_k_s = power_w / capacity_j_k
    if element_on:
        state.paid_k += rate_k_s * dt_s
        state.on_s += dt_s
        state.off_s = 0.0
    else:
        state.off_s += dt_s
    state.age_s += dt_s
    state.loss_k += loss_w / capacity_j_k * dt_s
    state.through_k += (state.paid_k - state.through_k) * dt_s / (SLOW_ELEMENT_S + dt_s)
    state.arrived_k += (state.through_k - state.arrived_k) * dt_s / (SLOW_PROBE_S + dt_s)
    if not mixed:
        _forget(state)
        state.off_base_c, state.best_share = None, 0.0
        return ()
    if oil_c is None or not (-55.0 <= oil_c <= 125.0):
        return state.verdicts
    if element_on:
        if state.off_base_c is not None:
            state.off_base_c = None
            if state.verdicts == (WARMING_OFF,):
                state.verdicts = ()
        if oil_c > PLATEAU_C or swallows:
            _forget(state)
        elif not state.marks:
            _mark(state, oil_c, loss_doubt)
        elif state.paid_k - state.marks[-1][0] >= MARK_K:
            _judge(state, oil_c, loss_doubt)
            if state.slow_code and not state.verdicts:
                state.verdicts = (state.slow_code,)
    elif state.off_base_c is None:
        state.off_base_c = oil_c
        state.off_stored_k = STORED_DOUBT * (state.paid_k - state.arrived_k)
        state.off_freed_k = 0.0
    else:
        _judge_off(state, dt_s, oil_c, rate_k_s, loss_w / capacity_j_k)
    return state.verdicts


def _forget(state: EffectState) -> None:
    """End the window: what was judged no longer stands."""
    if state.marks:
        state.marks, state.slow_marks = [], []
    state.half_marks, state.slow_code, state.slow_count = 0, "", 0
    state.verdicts = ()


def _mark(state: EffectState, oil_c: float, loss_doubt: float) -> None:
    mark = [state.paid_k, state.arrived_k, oil_c, state.on_s, state.age_s, state.loss_k]
    state.marks.append(mark)
    if len(state.marks) > MARKS:
        del state.marks[0]
    if not state.slow_marks or state.paid_k - state.slow_marks[-1][0] >= SLOW_MARK_K:
        state.slow_marks.append(mark)
        if len(state.slow_marks) >= SLOW_MARKS:
            del state.slow_marks[:-SLOW_MARKS]
            _judge_slow(state, loss_doubt)


def _judge_slow(state: EffectState, loss_doubt: float) -> None:
    """Half or double over the last three kelvin paid in, by itself and beside what was before."""
    paid_k, arrived_k, rise_k, on_s, age_s, loss_k = (
        now - then for now, then in zip(state.slow_marks[-1], state.slow_marks[0], strict=True))
    if on_s < ON_SHARE * age_s:
        state.slow_marks, state.slow_code, state.slow_count = [], "", 0
        return
    most_k = LOSS_SHARE * paid_k
    share = (rise_k + min(loss_k, most_k)) / paid_k
    settled = arrived_k >= SETTLED_SHARE * paid_k
    known = settled and state.best_share > 0.0
    gained_k = rise_k + min(loss_doubt * loss_k, most_k)
    code = ""
    sure_k = rise_k + SURE_LOSS_SHARE * min(loss_k, most_k)
    if (sure_k > SLOW_OVER_SHARE * max(paid_k, arrived_k)
            or (known and share > CHANGED_OVER * state.best_share)):
        code = OVER_RESPONSE
    elif (share < CHANGED_HALF * state.best_share if known
            else gained_k < SLOW_HALF_SHARE * min(paid_k, arrived_k)):
        code = HALF_POWER
    state.slow_count = state.slow_count + 1 if code else 0
    state.slow_code = code if state.slow_count >= SLOW_IN_A_ROW else ""
    if settled and not code and share > PLAINLY_WHOLE:
        state.best_share = max(state.best_share, share)


def _judge(state: EffectState, oil_c: float, loss_doubt: float) -> None:
    """Compare the rise over the last 2 K paid in with what should have arrived."""
    _mark(state, oil_c, loss_doubt)
    paid_0, arrived_0, oil_0, on_0, age_0, loss_0 = state.marks[0]
    paid_k, arrived_k = state.paid_k - paid_0, state.arrived_k - arrived_0
    if state.on_s - on_0 < ON_SHARE * (state.age_s - age_0):
        _forget(state)
        _mark(state, oil_c, loss_doubt)
        return
    if len(state.marks) < MARKS or arrived_k < ARRIVED_K:
        return
    rise_k = oil_c - oil_0
    loss_k = state.loss_k - loss_0
    gained_k = rise_k + min(loss_doubt * loss_k, LOSS_SHARE * paid_k)
    share_k = rise_k + min(loss_k, LOSS_SHARE * paid_k)
    if gained_k < NONE_SHARE * min(paid_k, arrived_k):
        state.verdicts = (NO_RESPONSE,)
        return
    most_k = max(paid_k, arrived_k)
    sure_k = rise_k + SURE_LOSS_SHARE * min(loss_k, LOSS_SHARE * paid_k)
    if (sure_k > OVER_SHARE * most_k + GRAIN_K
            or (state.best_share and share_k > CHANGED_OVER * state.best_share * most_k + GRAIN_K)):
        state.verdicts = (OVER_RESPONSE,)
        return
    halved = gained_k < HALF_SHARE * min(paid_k, arrived_k)
    if state.best_share:  # it has done better: then only a change counts, not a poor loss figure
        halved = halved and share_k < CHANGED_HALF * state.best_share * paid_k
    state.half_marks = min(HALF_MARKS, max(0, state.half_marks + (1 if halved else -1)))
    if state.half_marks == HALF_MARKS:
        state.verdicts = (HALF_POWER,)
    elif state.half_marks == 0 or state.verdicts != (HALF_POWER,):
        state.verdicts = ()


def _judge_off(state: EffectState, dt_s: float, oil_c: float, rate_k_s: float,
               loss_k_s: float) -> None:
    """The oil may rise by what was stored, never much further."""
    if state.off_s >= OFF_ENDS_S and state.marks:
        _forget(state)
    assert state.off_base_c is not None
    state.off_freed_k += (state.off_stored_k - state.off_freed_k) * dt_s / (SLOW_LAG_S + dt_s)
    if state.off_stored_k > 0.0 and state.off_stored_k - state.off_freed_k < ALL_FREED_K:
        # All has come over: from here on the oil may only fall.
        state.off_base_c, state.off_stored_k, state.off_freed_k = oil_c, 0.0, 0.0
    drift_k_s = max(0.0, OTHER_HEAT_SHARE * rate_k_s - SURE_LOSS_SHARE * loss_k_s)
    state.off_base_c = min(oil_c, state.off_base_c + drift_k_s * dt_s)
    above_k = oil_c - state.off_base_c - state.off_freed_k
    if above_k > WARMING_K:
        state.verdicts = (WARMING_OFF,)
    elif state.verdicts == (WARMING_OFF,) and above_k < 0.5 * WARMING_K:
        state.verdicts = ()
