"""The guard's own short list: whether heat may flow, decided without the controller's help.

PURE. It owns every input and probe B, and takes from the controller only what can tighten:
that energy is wanted, what K1 is commanded, that methanol may be there. It refuses to know
stages, setpoints, batches and networks. None, NaN and silence always read as a cause.

Methanol flag. Set when the controller says set, when its message is absent or invalid, and when
the copy on disk could not be read. Silence therefore sets it; that costs a question at the
reactor, and the other way round could cost a fire. It is cleared only when the guard itself saw
green and blue held together and the controller says clear within CLEAR_WINDOW_S of that. A
controller that restarts with a clear flag after a silence so meets a guard that says set: they
disagree, and the question is asked again.

The file (flag and latches) is written only with K2 open: `write` asks for it, the shell says
`stored` in the next step, and only then is a new flag reported. A file that is there but cannot
be read may have held latches, so it is a latch itself ("memory"); no file at all is a first
start, with the flag set and no latch.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Final

from esterward.chemistry import boiling
from esterward.values.buttons import BLUE_HELD, GREEN_BLUE, Buttons
from esterward.values.messages import ControllerReport, GuardReport
from esterward.values.reactor import Reactor
from esterward.values.readings import OPTIONAL_INPUTS, Inputs, ProbeReading, optional_good

SILENCE_S: Final = 2.0          # a controller message older than this is silence
LAPSED_S: Final = 2.0           # the timer in front of K2 lapses when a cycle is this late
CYCLE_S: Final = 0.25           # what is new to a cycle began at most this long ago
FUTURE_S: Final = 0.1           # a stamp further ahead is not of this clock
PROBE_AGE_S: Final = 4.4         # with a cycle and K2's own time the energy is off within 5 s
PROBE_LOW_C: Final = -20.0
PROBE_HIGH_C: Final = 125.0
PROBE_STEP_K: Final = 5.0
PROBE_CONFIRM: Final = 3
READBACK_S: Final = 0.6         # K1 follows its coil in 0.1 s
FLAGS_APART_S: Final = 5.0
PRESSURE_STEP_KPA: Final = 0.05
PRESSURES_APART_KPA: Final = 0.5
PRESSURES_APART_S: Final = 60.0
BAROMETER_AGE_S: Final = 600.0  # then it counts as none; reason in safety/limits.py
CLEAR_WINDOW_S: Final = 10.0


@dataclass(frozen=True, slots=True)
class GuardConfig:
    """What guard.json holds: plain floats and booleans, units in the names."""

    altitude_m: float | None
    barometer: bool
    probe_correction_k: float
    fitted: tuple[str, ...]
    warm_hold: bool
    hash: str


def config_of(reactor: Reactor) -> GuardConfig:
    """The guard's part of the reactor file. A correction may only raise the reading."""
    return GuardConfig(
        altitude_m=reactor.altitude_m, barometer=reactor.barometer,
        probe_correction_k=max(reactor.probe_b_correction_k, 0.0),
        fitted=tuple(sorted(reactor.fitted)),
        warm_hold=(reactor.warm_hold and reactor.rig_level == "full"
                   and all(name in reactor.fitted for name in OPTIONAL_INPUTS)),
        hash=reactor.digest)


@dataclass(slots=True)
class GuardState:
    """Everything the guard remembers. flag and latches are what its file holds."""

    count: int = 0
    last_s: float | None = None
    buttons: Buttons = field(default_factory=Buttons)
    flag: bool = True
    flag_reported: bool = True
    latches: list[str] = field(default_factory=list)
    unwritten: bool = False
    enabled: bool = False
    clear_at_s: float | None = None
    good_c: float | None = None
    good_at_s: float | None = None
    newest_at_s: float | None = None
    doubts: int = 0
    doubted_c: float | None = None
    flags_apart_s: float = 0.0
    pressures_apart_s: float = 0.0
    k1_against_s: float = 0.0
    kpa: float | None = None
    kpa_age_s: float = 0.0
    limits: boiling.Limits | None = None


@dataclass(frozen=True, slots=True)
class GuardDecision:
    """enable: K2 may close now; write: text for the guard's file, None when it is up to date."""

    enable: bool
    report: GuardReport
    write: str | None


@dataclass(frozen=True, slots=True)
class Cause:
    """One row: latches "always", "enabled" (only when K2 was let in at that moment) or never.

    unseen_with: while that is a cause nobody can see that this one is gone, so no reset.
    """

    code: str
    latches: str
    unseen_with: str = ""


CAUSES: Final = {row.code: row for row in (
    Cause("e-stop", "always"),
    Cause("cut-out", "always"),
    Cause("over-limit", "always", "probe"),
    Cause("level", "enabled"),
    Cause("lid", "enabled"),
    Cause("probe", "enabled"),
    Cause("silent", "enabled"),
    Cause("k1", "always", "silent"),
    Cause("methanol-heat", "enabled", "silent"),
    Cause("disagreement", "enabled", "silent"),
    Cause("memory", "always"),
)}


def file_text(state: GuardState) -> str:
    """What the guard's file holds."""
    return json.dumps({"version": 1, "flag": state.flag, "latches": list(state.latches)})


def read_file(text: str | None) -> GuardState:
    """The state after a start; None: there is no file. Anything doubtful means flag set."""
    state = GuardState(unwritten=True)
    if text is None:
        return state
    try:
        plain = json.loads(text)
        if (type(plain) is dict and plain.get("version") == 1 and type(plain["flag"]) is bool
                and type(plain["latches"]) is list
                and all(code in CAUSES for code in plain["latches"])):
            state.flag = state.flag_reported = plain["flag"]
            state.latches = list(plain["latches"])
            state.unwritten = False
            return state
    except (ValueError, KeyError, TypeError, RecursionError):
        pass
    state.latches = ["memory"]
    return state


def step(
    config: GuardConfig, state: GuardState, now_s: float, boot: str, inputs: Inputs,
    probe_b: ProbeReading, barometer_kpa: float | None, message: ControllerReport | None,
    stored: bool = False,
) -> GuardDecision:
    """One guard cycle. stored: what the last decision asked to write is on disk."""
    dt_s = 0.0 if state.last_s is None else max(0.0, now_s - state.last_s)
    state.last_s = now_s
    state.count += 1
    if not dt_s <= LAPSED_S:
        state.enabled = False  # the timer has opened K2: nothing found only now let it in
    if stored:
        state.unwritten = False
    heard = (message is not None and message.boot == boot
             and -FUTURE_S <= now_s - message.at_s <= SILENCE_S)
    said = message if heard else None
    _take_pressure(config, state, barometer_kpa, dt_s)
    gestures = state.buttons.step(now_s, inputs.green, inputs.black, inputs.blue)
    _take_flag(state, said, GREEN_BLUE in gestures, now_s)
    _take_probe(state, probe_b, now_s)
    causes = _causes(config, state, inputs, said, now_s, dt_s)
    _latch(state, causes)
    if BLUE_HELD in gestures and state.latches and not (
        {state.latches[0], CAUSES[state.latches[0]].unseen_with} & set(causes)
    ):
        state.latches.pop(0)
        state.unwritten = True
    enable = said is not None and said.k2_wanted and not causes and not state.latches
    # A start whose flag or latches are not on disk may not let energy flow, except that it can
    # only write with K2 open: so it stays open until the shell has written.
    enable = enable and not state.unwritten
    state.enabled = enable
    if not state.unwritten:
        state.flag_reported = state.flag
    write = file_text(state) if state.unwritten and not enable and inputs.k2_open else None
    report = GuardReport(
        state.count, now_s, boot, inputs, probe_b, enable, tuple(state.latches),
        state.flag_reported, _limit_c(state),
        state.limits.p_eff_kpa if state.limits is not None else None, config.hash)
    return GuardDecision(enable, report, write)


def _take_pressure(config: GuardConfig, state: GuardState, barometer_kpa: float | None,
                   dt_s: float) -> None:
    if config.altitude_m is None:
        return
    was_old = state.kpa_age_s > BAROMETER_AGE_S
    low, high = boiling.PRESSURE_RANGE_KPA
    if config.barometer and barometer_kpa is not None and low <= barometer_kpa <= high:
        state.kpa_age_s = 0.0
        if was_old or state.kpa is None or abs(barometer_kpa - state.kpa) >= PRESSURE_STEP_KPA:
            state.kpa = barometer_kpa
            state.limits = boiling.limits(config.altitude_m, state.kpa)
    else:
        state.kpa_age_s += dt_s
        if state.limits is None or (not was_old and state.kpa_age_s > BAROMETER_AGE_S):
            state.limits = boiling.limits_of_an_old_reading(config.altitude_m, state.kpa)


def _take_flag(state: GuardState, said: ControllerReport | None, gesture: bool,
               now_s: float) -> None:
    if gesture:
        state.clear_at_s = now_s
    open_window = (state.clear_at_s is not None
                   and 0.0 <= now_s - state.clear_at_s <= CLEAR_WINDOW_S)
    if said is not None and said.flag is False:
        if state.flag and open_window:
            state.flag, state.unwritten, state.clear_at_s = False, True, None
    elif not state.flag:
        state.flag, state.unwritten = True, True


def _take_probe(state: GuardState, reading: ProbeReading, now_s: float) -> None:
    at_s, c = reading.at_s, reading.c
    if state.newest_at_s is not None and not at_s > state.newest_at_s:
        return
    if not at_s <= now_s + FUTURE_S:
        return
    state.newest_at_s = at_s
    if c is None or not PROBE_LOW_C <= c <= PROBE_HIGH_C:
        return
    if state.good_c is not None and not abs(c - state.good_c) <= PROBE_STEP_K:
        near = state.doubted_c is not None and abs(c - state.doubted_c) <= PROBE_STEP_K
        state.doubts = state.doubts + 1 if near else 1
        state.doubted_c = c
        if state.doubts < PROBE_CONFIRM:
            return
    state.good_c, state.good_at_s = c, at_s
    state.doubts, state.doubted_c = 0, None


def _limit_c(state: GuardState) -> float | None:
    if not state.flag:
        return boiling.CLEAR_GUARD_TRIP_C
    return state.limits.guard_trip_c if state.limits is not None else None


def _causes(config: GuardConfig, state: GuardState, inputs: Inputs,
            said: ControllerReport | None, now_s: float, dt_s: float) -> list[str]:
    """Every cause that is there now, most telling first."""
    found = []
    if inputs.estop_closed is not True:
        found.append("e-stop")
    if inputs.cutout_closed is not True:
        found.append("cut-out")
    fresh = (state.good_at_s is not None and state.good_c is not None
             and -FUTURE_S <= now_s - state.good_at_s <= PROBE_AGE_S)
    if fresh and state.good_c is not None:
        limit_c = _limit_c(state)
        if limit_c is None or not state.good_c + config.probe_correction_k < limit_c:
            found.append("over-limit")
    k1_closed = inputs.k1_open is not True
    k1_asked = said is not None and said.k1
    if inputs.level_wet is not True and (k1_closed or k1_asked):
        found.append("level")
    if state.flag and not optional_good(inputs, "lid_closed", config.fitted):
        found.append("lid")
    # Counted while both hold: K1 may close a moment before the message that says so is read. A
    # controller that is not heard commands nothing; its silence is the cause, and opens K2.
    against = said is not None and k1_closed and not k1_asked
    state.k1_against_s = _lasted_s(state.k1_against_s, against, dt_s)
    if state.k1_against_s > READBACK_S:
        found.append("k1")
    if not fresh:
        found.append("probe")
    if said is None:
        found.append("silent")
        return found
    if k1_asked and state.flag and not (config.warm_hold and inputs.cutout2_closed is True):
        found.append("methanol-heat")
    if _disagree(config, state, said, dt_s):
        found.append("disagreement")
    return found


def _disagree(config: GuardConfig, state: GuardState, said: ControllerReport,
              dt_s: float) -> bool:
    state.flags_apart_s = _lasted_s(state.flags_apart_s, said.flag is not state.flag, dt_s)
    mine = state.limits.p_eff_kpa if state.limits is not None else None
    theirs = said.pressure_kpa
    agree = (mine is None and theirs is None) or (
        mine is not None and theirs is not None and abs(mine - theirs) <= PRESSURES_APART_KPA)
    state.pressures_apart_s = _lasted_s(state.pressures_apart_s, not agree, dt_s)
    return (said.hash != config.hash or state.flags_apart_s > FLAGS_APART_S
            or state.pressures_apart_s > PRESSURES_APART_S)


def _lasted_s(before_s: float, is_so: bool, dt_s: float) -> float:
    """Seconds something is seen to last: at most a cycle's worth when it is seen first."""
    if not is_so:
        return 0.0
    return before_s + (dt_s if before_s > 0.0 else min(dt_s, CYCLE_S))


def _latch(state: GuardState, causes: list[str]) -> None:
    for code in causes:
        if code in state.latches:
            continue
        if CAUSES[code].latches == "always" or state.enabled:
            state.latches.append(code)
            state.unwritten = True
