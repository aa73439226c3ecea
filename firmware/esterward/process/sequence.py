"""The transition rules: where the batch goes next, given facts that are plain booleans.

It decides the step and the batch state (IEC 61512) and nothing else: it holds no clock, no
temperature and no output, so that its whole state space can be searched.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Final, get_type_hints

from esterward.process.stages import DONE, STEPS


@dataclass(slots=True)
class Facts:
    """The booleans of one tick; every one is False until it is proven."""

    yes: Annotated[bool, "the open question was answered yes"] = False
    no: Annotated[bool, "the open question was answered no"] = False
    answered: Annotated[bool, "the open question was answered yes or no"] = False
    gate: Annotated[bool, "green was held while the question allowed it"] = False
    level_wet: Annotated[bool, "the level input proves the element covered"] = False
    fat_set: Annotated[bool, "the batch file says that the oil is set fat"] = False
    flow_proven: Annotated[bool, "the pump, run by hand, has proven its flow for 10 s"] = False
    dewater_off: Annotated[bool, "the batch file says no dewatering, or it is done"] = False
    dewater_boil: Annotated[bool, "the batch file says boil the water off"] = False
    time_met: Annotated[bool, "the step's time is over"] = False
    at_target: Annotated[
        bool, "the oil has been at the step's temperature for a minute, mixed"] = False
    below_setpoint: Annotated[bool, "the oil is at or below the reaction setpoint"] = False
    below_limit: Annotated[bool, "the oil is at or below the highest setpoint"] = False
    sheet_ready: Annotated[
        bool, "the batch sheet is complete, altitude and probe check on record"] = False
    methoxide_cool: Annotated[bool, "no methoxide temperature above 45 degC has been told"] = False
    heat_off_proven: Annotated[bool, "the element has been proven off for 120 s"] = False
    flag_stored: Annotated[bool, "the methanol flag is set, on disk here and at the guard"] = False
    flag_cleared: Annotated[
        bool, "the methanol flag is clear, on disk here and at the guard"] = False
    mixer_proven: Annotated[bool, "the mixer proves itself"] = False
    dose_permitted: Annotated[bool, "everything the dosing gate needs is true"] = False
    pour_expired: Annotated[bool, "the armed time for pouring has run out"] = False
    credit_met: Annotated[bool, "60 equivalent and 60 real minutes of proven mixing"] = False
    mix_at_most: Annotated[bool, "3 h of mixing, whatever the credit"] = False
    share_left: Annotated[bool, "the plan has two stages and the second share is not in"] = False
    second_allowed: Annotated[bool, "a further dose may be computed"] = False
    settled: Annotated[bool, "the settle time is proven"] = False
    first_drain_allowed: Annotated[bool, "1 h settled and at most 49 degC"] = False
    wash_stirred: Annotated[bool, "this wash is stirred, not a mist"] = False
    washes_left: Annotated[bool, "the plan holds further washes after this one"] = False
    evidence_met: Annotated[bool, "two kinds of evidence that the washing is done"] = False
    evidence_half: Annotated[bool, "one kind of evidence"] = False
    start_ready: Annotated[
        bool, "green held in idle, every start check seen, no latch, flag clear"] = False
    abort_wanted: Annotated[bool, "a trip that aborts"] = False
    stop_wanted: Annotated[bool, "black held 5 s"] = False
    hold_wanted: Annotated[bool, "black pressed, a hold asked for, or a fault that holds"] = False
    pause_wanted: Annotated[bool, "presence ran out while energy was wanted"] = False
    off_proven: Annotated[bool, "contactors and mixer read back open"] = False
    off_overdue: Annotated[bool, "contactors and mixer did not read back open within 10 s"] = False
    press: Annotated[bool, "a green press"] = False
    pause_over: Annotated[bool, "paused for 15 min"] = False
    release: Annotated[bool, "green held after a hold, no latch"] = False
    restart_ready: Annotated[bool, "what the step needs is good again"] = False
    restart_overdue: Annotated[bool, "what the step needs was not good within 60 s"] = False
    latches_clear: Annotated[bool, "no latch is left"] = False


FACTS: Final[dict[str, str]] = {
    name: hint.__metadata__[0] for name, hint in get_type_hints(Facts, include_extras=True).items()}


# state -> ((fact, next state), ...); the first that holds wins.
BATCH_STATES: Final[dict[str, tuple[tuple[str, str], ...]]] = {
    "idle": (("start_ready", "running"),),
    "running": (("abort_wanted", "aborting"), ("stop_wanted", "stopping"),
                ("hold_wanted", "holding"), ("pause_wanted", "pausing")),
    "pausing": (("abort_wanted", "aborting"), ("stop_wanted", "stopping"),
                ("hold_wanted", "holding"), ("off_proven", "paused"),
                ("off_overdue", "aborting")),
    "paused": (("abort_wanted", "aborting"), ("stop_wanted", "stopping"),
               ("hold_wanted", "holding"), ("pause_over", "holding"), ("press", "running")),
    "holding": (("abort_wanted", "aborting"), ("stop_wanted", "stopping"),
                ("off_proven", "held"), ("off_overdue", "aborting")),
    "held": (("abort_wanted", "aborting"), ("stop_wanted", "stopping"),
             ("release", "restarting")),
    "restarting": (("abort_wanted", "aborting"), ("stop_wanted", "stopping"),
                   ("hold_wanted", "holding"), ("restart_ready", "running"),
                   ("restart_overdue", "holding")),
    # A trip whose cause stays for good asks to abort in every tick: what is proven off may end.
    "stopping": (("off_proven", "stopped"), ("abort_wanted", "aborting"),
                 ("off_overdue", "aborting")),
    "stopped": (),
    "aborting": (("off_proven", "aborted"), ("off_overdue", "aborted")),
    "aborted": (("stop_wanted", "stopping"), ("latches_clear", "held")),
    "complete": (),
}
FINAL_STATES: Final = ("stopped", "complete")


def _parse(condition: str) -> tuple[tuple[str, bool], ...]:
    pairs = []
    for part in condition.split("&"):
        name = part.strip()
        pairs.append((name.lstrip("!"), not name.startswith("!")))
    return tuple(pairs)


_NEXT: Final = {
    name: tuple((_parse(condition), target) for condition, target in step.next)
    for name, step in STEPS.items()
}
_NAMES: Final = {
    name: tuple(sorted({fact for condition, _ in rows for fact, _ in condition}))
    for name, rows in _NEXT.items()
}


def facts_used(step: str) -> tuple[str, ...]:
    """The facts that the step's row looks at."""
    return _NAMES[step]


def next_step(step: str, facts: Facts) -> str | None:
    """The step that follows now, DONE, or None to stay."""
    for condition, target in _NEXT[step]:
        for name, wanted in condition:
            if getattr(facts, name) is not wanted:
                break
        else:
            return target
    return None


def next_state(state: str, facts: Facts) -> tuple[str, str] | None:
    """The batch state that follows now and the fact that made it so, or None to stay."""
    for fact, target in BATCH_STATES[state]:
        if getattr(facts, fact) is True:
            return target, fact
    return None


def advance(step: str, state: str, facts: Facts) -> tuple[str, str, str]:
    """One move: (step, state, why). The state moves first; a step moves only while running."""
    moved = next_state(state, facts)
    if moved is not None:
        return step, moved[0], moved[1]
    if state == "running":
        target = next_step(step, facts)
        if target == DONE:
            return step, "complete", "the last step is done"
        if target is not None:
            return target, state, ""
    return step, state, ""
