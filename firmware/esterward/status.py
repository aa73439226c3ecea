"""The controller's state as one picture for people and for MQTT. PURE."""

from __future__ import annotations

from typing import Final

from esterward.chemistry import boiling
from esterward.chemistry.figures import warming_up
from esterward.process import start
from esterward.process.prompts import ANSWERS, CLEAR_QUESTION, PROMPTS, START_QUESTION, WAITS
from esterward.process.stages import STEPS
from esterward.process.timers import AT_TARGET_S, CREDIT_S, MIXED_S, step_seconds
from esterward.process.words import PROBES_UNCHECKED, broken_off
from esterward.safety import alarms, gate
from esterward.safety.facts import hottest_c
from esterward.safety.faults import FAULTS, HELD_WORDS
from esterward.safety.interlocks import waits_for_the_flag
from esterward.safety.state import SafetyState
from esterward.tick import Controller
from esterward.values.messages import GUARD_LATCHES
from esterward.values.status import GONE, STANDS, Status


def status_of(controller: Controller, now_s: float) -> Status:
    """The picture of now. Nothing is decided here."""
    state, process = controller.state, controller.process
    safety, batch_state, row = state.safety, process.state, process.row
    timers, world = batch_state.timers, controller.world
    oil_c = world.oil_c if world is not None else None
    setpoint_c, ceiling_c = _aims(controller)
    left_s, progress = _left(controller, oil_c, setpoint_c)
    prompt, text, answers = _question(controller)
    out = controller.outputs
    good_at_s = safety.probe_a.good_at_s
    return Status(
        batch=process.batch.name, state=batch_state.state,
        stage=row.stage if batch_state.state != "idle" else "", step=batch_state.step,
        title=_title(controller),
        elapsed_s=batch_state.elapsed_s, step_s=timers.step_s, left_s=left_s, progress=progress,
        oil_c=oil_c if oil_c is not None else hottest_c(safety, now_s, controller.reactor),
        oil_age_s=None if good_at_s is None else max(0.0, now_s - good_at_s),
        setpoint_c=setpoint_c, ceiling_c=ceiling_c,
        boiling_c=controller.limits.boiling_c if controller.limits is not None else None,
        flag=state.flag.set,
        element=out.k1 and (out.ssr or controller.reactor.element_switch != "ssr"),
        mixer=out.mixer, air=out.air,
        withheld=tuple(f"{output}: {why}" for output, why in safety.withheld.items()),
        prompt=prompt, prompt_text=text, answers=answers,
        presence_left_s=controller.presence_left_s(),
        presence_wanted=controller.presence_wanted(),
        alarms=alarms.listed(safety.alarms, safety.latches),
        first_out=safety.latches[0] if safety.latches else "",
        latches=(*safety.latches, *(f"guard: {code}" for code in controller.guard_latches)),
        credit_min=timers.credit_s / 60.0,
        settled_s=timers.settled_s, repeat=batch_state.repeats.get(row.stage, 1),
        unseen=controller.reactor.rig_level != "watch"  # which has no buttons
        and alarms.unacknowledged(safety.alarms),
    )


ENDED = {"complete": "the batch is complete", "stopped": "the batch was stopped"}


def _title(controller: Controller) -> str:
    process = controller.process
    if process.state.state == "idle":
        return "waiting for a start"
    if process.state.state in ENDED:
        return ENDED[process.state.state]
    if process.state.state == "running" and process.mixer_rests():
        return f"{process.row.title}; too warm, so the mixer rests"
    return process.row.title


def _aims(controller: Controller) -> tuple[float | None, float | None]:
    """Setpoint and ceiling. Before methanol the reaction heat already minds its ceiling.

    Oil that stands hot after a warmer heat, with the flag clear, is under that heat's ceiling: a
    person must not see 60 degC over a ceiling of 56 and hear no alarm.
    """
    row, limits, flag = controller.process.row, controller.limits, controller.state.flag.set
    target = controller.process.state.target
    setpoint_c = target.lowest_c if row.heat and not flag else None
    unheated = row.heat == "" and row.stage not in ("dewater", "cool", "dry")
    if flag or unheated or row.heat in ("setpoint", "warm_hold"):
        return setpoint_c, limits.alarm_c if limits is not None else None
    return (target.ramp_c if row.heat == "boil" else setpoint_c), boiling.CLEAR_ALARM_C


def _left(
    controller: Controller, oil_c: float | None, setpoint_c: float | None,
) -> tuple[float | None, float | None]:
    """Expected seconds left in this step and the part done, None where nobody can say."""
    process = controller.process
    state, timers, row = process.state, process.state.timers, process.row
    if state.state in ("idle", "stopped"):
        return None, None
    if state.state == "complete":
        return 0.0, 1.0
    if row.timer:
        planned_s = step_seconds(row.timer, process.batch)
        if planned_s is None:
            return None, None
        done_s = timers.done_s(row.timer, sits=row.sits)
        if row.timer == "pour":
            done_s += state.poured_s
        if row.timer == "mix":
            done_s = min(timers.credit_s, timers.mixed_s)
            rate = timers.credit_s / timers.mixed_s if timers.mixed_s > 60.0 else 1.0
            left_s = max((CREDIT_S - timers.credit_s) / rate if rate > 0.01 else 0.0,
                         MIXED_S - timers.mixed_s)
            return max(0.0, left_s), min(1.0, done_s / planned_s)
        if row.timer == "dewater_stand" and done_s >= planned_s:
            return None, None  # it has stood long enough and is still too warm: nobody can say
        return max(0.0, planned_s - done_s), min(1.0, done_s / planned_s)
    reactor = controller.reactor
    if row.heat and oil_c is not None and setpoint_c is not None:
        start_c = process.batch.oil_start_c
        progress = (oil_c - start_c) / (setpoint_c - start_c) if setpoint_c > start_c else None
        if -20.0 <= oil_c < setpoint_c and process.batch.oil_volume_l > 0.0:
            warming = warming_up(process.batch, reactor, oil_c, setpoint_c)
            if warming is not None:
                return warming.time_min * 60.0 + AT_TARGET_S, _part(progress)
        return None, _part(progress)
    return None, None


def _part(progress: float | None) -> float | None:
    return None if progress is None else min(1.0, max(0.0, progress))


def _reset_too_often(safety: SafetyState) -> str:
    """Which causes of the guard are meant, in words."""
    return "".join(f"It is {code!r}: {GUARD_LATCHES.get(code, code)}. "
                   for code in safety.guard_over)


def _behind_a_lost_past(safety: SafetyState) -> str:
    """What latched since: a past that is not known is no cause, and may not hide one."""
    if safety.latches[:1] != [RECORD_LOST] or len(safety.latches) < 2:
        return ""
    fault = FAULTS[safety.latches[1]]
    return f"{fault.sentence} {fault.action} "


FLAG_FIRST = ("The methanol flag is set, so the stricter rule counts. If only a silence or a "
              "restart set it, look, and answer this first:")
GONE_S: Final = 5.0  # a cause that comes and goes faster stands: one text, no flicker
VALVE, VALVE_FIRST = "valve", "Close the methoxide valve. "
RECORD_LOST: Final = "record-lost"
LOST = "The stage is not known any more, so this batch can only be ended."
ENDS: Final = "hold black 5 s to end this batch"
# No batch ends before these are off (decision 002).
KEEP: Final = {"k1-welded", "k2-welded", "mixer-runs-on"}
UNHEARD_S: Final = 3.0
UNHEARD = "No guard is heard, so no button is read (start it: esterward guard)."


def _question(controller: Controller) -> tuple[str, str, str]:
    """Key of the open question, its words, and how it is answered at the reactor.

    A dose that does not go on, for whatever reason, begins with the valve: the can is in
    somebody's hands and nothing stirs. So does the gate after a pour that was broken off, also by
    its own time. What of it may be in comes last, or in the question itself. Who is asked to
    press what nobody reads is told so.
    """
    state = controller.process.state
    key, text, answers = _question_of_state(controller)
    if answers and controller.unheard_s >= UNHEARD_S and controller.reactor.rig_level != "watch":
        text = f"{text} {UNHEARD}"
    stopped = STEPS[state.step].stage == "dose" and state.state not in ("running", "idle")
    if stopped or (state.step == "dose.gate" and state.poured_s > 0.0):
        poured = broken_off(controller.process, controller.sheet)
        key = key or VALVE  # with no key nobody shows it
        text = f"{VALVE_FIRST}{text} {'' if poured in text else poured}".strip()
    return key, text, answers


def _question_of_state(controller: Controller) -> tuple[str, str, str]:
    state, safety = controller.process.state, controller.state.safety
    held = f"{state.state.capitalize()} ({HELD_WORDS.get(state.why, state.why)})."
    behind = _behind_a_lost_past(safety)
    if state.lost and state.state in ("held", "aborted") and safety.latches[:1] == [RECORD_LOST]:
        return ("held", f"{held} {behind}{LOST}",
                f"once it is gone: {ENDS}" if KEEP & set(safety.latches) else ENDS)
    if safety.latches:
        code = safety.latches[0]
        fault = FAULTS[code]
        typed = (f"type `esterward record reset {code} --why TEXT`, then "
                 if gate.asks_word(safety, code) else "")
        reset = f"{typed}hold blue 5 s"
        stands = controller.gone_s < GONE_S
        told = fault.sentence
        if code != RECORD_LOST:  # nobody can say so of what is not known
            told += f" {STANDS if stands else GONE}"
        if state.asked == CLEAR_QUESTION and waits_for_the_flag(safety.latches):
            return (CLEAR_QUESTION, f"{told} {FLAG_FIRST} {state.asked_text} If not: "
                    f"{fault.action}",
                    f"{ANSWERS[PROMPTS[CLEAR_QUESTION].kind]}; after a yes {reset}")
        which = _reset_too_often(safety) if code == gate.GUARD_RESETS else behind
        ends = f"; or {ENDS}" if state.state == "aborted" and not KEEP & set(safety.latches) else ""
        return ("latch", f"{told} {which}{fault.action}",
                (f"once it is gone: {reset}" if stands else reset) + ends)
    if controller.guard_latches:
        first = controller.guard_latches[0]
        more = len(controller.guard_latches) - 1
        return ("latch", f"The guard has latched {first!r}: {GUARD_LATCHES.get(first, first)}."
                + (f" {more} more behind it." if more else ""),
                "once it is gone: hold blue 5 s")
    if state.state == "idle" and state.asked == START_QUESTION:
        world = controller.world
        missing = start.missing(state.checks, controller.reactor, controller.process.batch,
                                world) if world is not None else ()
        text = "Still to check: " + "; ".join(missing) if missing else "Ready to start."
        minds = start.frost(world.oil_c) if world is not None else ""
        if not controller.reactor.probes_checked:
            minds += f"{PROBES_UNCHECKED} "
        return START_QUESTION, minds + text, "hold green 2 s to start"
    if state.state == "paused":
        return "presence", "Is somebody there? The batch is paused.", "green = here, go on"
    if state.state == "held":
        if state.asked:
            return (state.asked, f"{held} {state.asked_text}",
                    ANSWERS[PROMPTS[state.asked].kind] + "; green held 2 s = go on as it is")
        if state.lost:
            return "held", f"{held} {LOST}", ENDS
        return "held", held, "hold green 2 s to go on"
    if state.state == "running":
        if controller.presence_wanted():
            waits = "Energy goes off soon." if controller.presence_left_s() else "Energy waits."
            return "presence", f"Is somebody there? {waits}", "green = here"
        if state.asked:
            prompt = PROMPTS[state.asked]
            return state.asked, state.asked_text, ANSWERS[prompt.kind]
        waiting = PROMPTS.get(controller.process.row.prompt)
        if waiting is not None and waiting.instead:
            return (WAITS if state.waiting else "",
                    waiting.instead.format_map(controller.words()), "")
    elif state.asked:
        return state.asked, state.asked_text, ANSWERS[PROMPTS[state.asked].kind]
    return "", "", ""
