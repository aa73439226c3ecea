"""The transition rules: where the batch goes next, given facts that are plain booleans.

It decides the step and the batch state (IEC 61512) and nothing else: it holds no clock, no
temperature and no output, so that its whole state space can be searched.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Final

from esterward.process.stages import DONE, STEPS


def _fact(means: str) -> bool:
    made: bool = field(default=False, metadata={"means": means})
    return made


@dataclass(slots=True)
class Facts:
    """The booleans of one tick; every one is False until it is proven."""

    yes: bool = _fact("the open question was answered yes")
    no: bool = _fact("the open question was answered no")
    answered: bool = _fact("the open question was answered yes or no")
    gate: bool = _fact("green was held while the question allowed it")
    level_wet: bool = _fact("the level input proves the element covered")
    fat_set: bool = _fact("the batch file says that the oil is set fat")
    flow_proven: bool = _fact("the pump, run by hand, has proven its flow for 10 s")
    dewater_off: bool = _fact("the batch file says no dewatering, or it is done")
    dewater_boil: bool = _fact("the batch file says boil the water off")
    time_met: bool = _fact("the step's time is over")
    at_target: bool = _fact("the oil has been at the step's temperature for a minute, mixed")
    below_setpoint: bool = _fact("the oil is at or below the reaction setpoint")
    below_limit: bool = _fact("the oil is at or below the highest setpoint")
    sheet_ready: bool = _fact("the batch sheet is complete, altitude and probe check on record")
    methoxide_cool: bool = _fact("no methoxide temperature above 45 degC has been told")
    heat_off_proven: bool = _fact("the element has been proven off for 120 s")
    flag_stored: bool = _fact("the methanol flag is set, on disk here and at the guard")
    flag_cleared: bool = _fact("the methanol flag is clear, on disk here and at the guard")
    mixer_proven: bool = _fact("the mixer proves itself")
    dose_permitted: bool = _fact("everything the dosing gate needs is true")
    pour_expired: bool = _fact("the armed time for pouring has run out")
    credit_met: bool = _fact("60 equivalent and 60 real minutes of proven mixing")
    mix_at_most: bool = _fact("3 h of mixing, whatever the credit")
    share_left: bool = _fact("the plan has two stages and the second share is not in")
    second_allowed: bool = _fact("a further dose may be computed")
    settled: bool = _fact("the settle time is proven")
    first_drain_allowed: bool = _fact("1 h settled and at most 49 degC")
    wash_stirred: bool = _fact("this wash is stirred, not a mist")
    washes_left: bool = _fact("the plan holds further washes after this one")
    evidence_met: bool = _fact("two kinds of evidence that the washing is done")
    evidence_half: bool = _fact("one kind of evidence")
    start_ready: bool = _fact("green held in idle, every start check seen, no latch, flag clear")
    abort_wanted: bool = _fact("a trip that aborts")
    stop_wanted: bool = _fact("black held 5 s")
    hold_wanted: bool = _fact("black pressed, a hold asked for, or a fault that holds")
    pause_wanted: bool = _fact("presence ran out while energy was wanted")
    off_proven: bool = _fact("contactors and mixer read back open")
    off_overdue: bool = _fact("contactors and mixer did not read back open within 10 s")
    press: bool = _fact("a green press")
    pause_over: bool = _fact("paused for 15 min")
    release: bool = _fact("green held after a hold, no latch")
    restart_ready: bool = _fact("what the step needs is good again")
    restart_overdue: bool = _fact("it was not within 60 s")
    latches_clear: bool = _fact("no latch is left")


FACTS: Final[dict[str, str]] = {f.name: f.metadata["means"] for f in fields(Facts)}


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
    "stopping": (("abort_wanted", "aborting"), ("off_proven", "stopped"),
                 ("off_overdue", "aborting")),
    "stopped": (),
    "aborting": (("off_proven", "aborted"), ("off_overdue", "aborted")),
    "aborted": (("latches_clear", "held"),),
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
