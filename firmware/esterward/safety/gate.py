"""The gate: what of the wish is let through, what is latched, and what people are told.

It can only take away. Every reason is named; the first cause of a trip stays first until a
person resets it at the reactor. Nothing here knows a stage.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from esterward.safety import alarms, limits
from esterward.safety.facts import SafetyFacts
from esterward.safety.faults import FAULTS
from esterward.safety.interlocks import AIR, ALL, HEAT, INTERLOCKS, MIXER, Interlock
from esterward.safety.state import SafetyState
from esterward.values.events import EventLog
from esterward.values.messages import GUARD_LATCHES, GuardReport

GUARD_RESETS: Final = "guard-resets"


@dataclass(slots=True)
class Grant:
    """What may be energised in this tick."""

    heat: bool = False
    mixer: bool = False
    air: bool = False


def judge(
    state: SafetyState, facts: SafetyFacts, dt_s: float, log: EventLog,
    interlocks: tuple[Interlock, ...] = INTERLOCKS,
) -> dict[str, str]:
    """Walk the table: raise and return faults; gives output -> code of the first that removes."""
    removed: dict[str, str] = {}
    first: dict[str, str] = {}  # reaction -> code of the first row that asks for it
    raised: set[str] = set()  # and what was latched and is still bad, whether wanted or not
    bad_s = state.bad_s
    for row in interlocks:
        if getattr(facts, row.needs) is True:
            if bad_s:
                bad_s.pop(row.name, None)
            continue
        for output in row.removes:
            removed.setdefault(output, row.code)
        if row.latches and row.code in state.latches:
            raised.add(row.code)
        if getattr(facts, row.when) is not True:
            bad_s.pop(row.name, None)
            continue
        # Counted from the look that first saw it: what was before nobody saw.
        lasted_s = bad_s[row.name] = bad_s[row.name] + dt_s if row.name in bad_s else 0.0
        if lasted_s < row.after_s:
            continue
        raised.add(row.code)
        first.setdefault(row.reaction, row.code)
        alarms.raise_alarm(state.alarms, row.code, log)
        if row.latches:
            latch(state, row.code, log)
    for code in list(state.alarms):
        if code not in raised:
            alarms.return_alarm(state.alarms, code, code in state.latches, log)
    if state.latches:
        removed = dict.fromkeys(ALL, state.latches[0]) | removed
    state.hold, state.abort, state.pause = (
        reaction in first for reaction in ("hold", "abort", "pause"))
    state.reason = first.get("abort") or first.get("hold") or first.get("pause") or ""
    return removed


def latch(state: SafetyState, code: str, log: EventLog) -> None:
    """Latch a cause once; the first one stays first."""
    if code not in state.latches:
        state.latches.append(code)
        log.add("latched", code=code, first_out=state.latches[0] == code)


def grant(
    state: SafetyState, removed: dict[str, str], *, heat: bool, mixer: bool, air: bool,
    dt_s: float, log: EventLog,
) -> Grant:
    """The AND of wish and table; notes each newly withheld output with its reason.

    What the table takes away is back only after BACK_S without a reason: a contactor that followed
    a flickering proof would weld. A hold ends the wish, and so the wait: a person goes on.
    """
    withheld: dict[str, str] = {}
    granted = []
    dt_s = min(dt_s, limits.TICK_S)  # of a longer one nobody saw the rest
    waits = False
    for output, wished in ((HEAT, heat), (MIXER, mixer), (AIR, air)):
        why = removed.get(output, "")
        if not wished:
            state.waits_s.pop(output, None)
            continue
        if why and (output in state.waits_s or output in state.granted):
            state.waits_s[output] = limits.BACK_S
        elif not why and output in state.waits_s:
            state.waits_s[output] -= dt_s
            if state.waits_s[output] <= 0.0:
                del state.waits_s[output]
            else:
                why, waits = state.withheld.get(output, "unsteady"), True
        if not why:
            granted.append(output)
            continue
        withheld[output] = why
        if state.withheld.get(output) != why:
            log.add("grant_withheld", output=output, why=why)
    state.withheld, state.granted = withheld, granted
    if waits:
        state.waited_s = min(limits.BACK_TOLD_S + limits.BACK_S, state.waited_s + dt_s)
    elif not state.waits_s:
        state.waited_s = max(0.0, state.waited_s - dt_s)
    return Grant(HEAT in granted, MIXER in granted, AIR in granted)


def ask_reset(state: SafetyState, facts: SafetyFacts, log: EventLog,
              interlocks: tuple[Interlock, ...] = INTERLOCKS, *, counts: bool = True) -> str:
    """Blue held: reset the first-out latch if its cause is gone; says why not otherwise.

    The reset counts only when its event is on disk: see finish_reset. After RESETS_ALLOWED of
    one cause in one batch every further one needs a reason typed on the machine: a lock-out.
    counts: a batch is under way; before one a person tries the e-stop as often as they like.
    """
    if not state.latches or state.pending_reset:
        return ""
    code = state.latches[0]
    if cause_present(state, facts, code, interlocks):
        return f"{code}: its cause is still there"
    if needs_word(state, code) and code not in state.reasons_age_s:
        return f"{code}: type `esterward record reset {code} --why TEXT` on the machine first"
    state.pending_reset = code
    state.pending_number = log.add("latch_reset", code=code,
                                   resets=_count(state.resets, code, counts))
    return ""


def asks_word(state: SafetyState, code: str) -> bool:
    """Whether a person is told to type a reason.

    Told on after it was typed, as it lapses while the cause is looked for; only what was typed
    under another name for the guard's lock-out too is not asked for again.
    """
    return needs_word(state, code) and not (
        code == GUARD_RESETS and code in state.reasons_age_s)


def needs_word(state: SafetyState, code: str) -> bool:
    """True when blue alone does not reset this latch: a reason must be typed on the machine."""
    return (FAULTS[code].reset == "service"
            or state.resets.get(code, 0) >= limits.RESETS_ALLOWED)


def _count(resets: dict[str, int], code: str, counts: bool) -> int:
    """How many resets of this cause the batch has had, this one included.

    Outside a batch none counts, and one there ends what was counted in the last.
    """
    if not counts:
        resets.pop(code, None)
        return 0
    resets[code] = resets.get(code, 0) + 1
    return resets[code]


def follow_guard(state: SafetyState, heard: GuardReport | None, log: EventLog, *,
                 counts: bool = True) -> tuple[str, ...]:
    """The guard's latches, () while it is not heard; one that went was reset at the reactor.

    The guard asks nobody for a reset and knows no batch, so its resets are counted here, and what
    comes of too many is a latch of this side. Nothing of it goes back to the guard. counts: as in
    ask_reset.
    """
    if heard is None:
        return ()
    if heard.latches or state.guard_latches:
        now = [code for code in heard.latches if code in GUARD_LATCHES]
        for code in [code for code in state.guard_latches if code not in now]:
            log.add("guard_reset", code=code, resets=_count(state.guard_resets, code, counts))
        for code in [code for code in now if code not in state.guard_latches]:
            log.add("guard_latched", code=code)
        state.guard_latches = now
    return heard.latches


def take_reason(state: SafetyState, code: str) -> None:
    """A reason for this code was typed: it counts for the next LOCAL_WORD_S, for one reset.

    A cause that both sides latch under one name is explained once: where it is all that the
    guard's lock-out is about, the reason serves that too.
    """
    state.reasons_age_s[code] = 0.0
    if state.guard_over == [code]:
        state.reasons_age_s[GUARD_RESETS] = 0.0


def finish_reset(state: SafetyState, stored: int) -> None:
    """Drop the latch whose reset is on disk."""
    code = state.pending_reset
    if not code or stored < state.pending_number:
        return
    state.pending_reset = ""
    if code in state.latches:
        state.latches.remove(code)
    state.reasons_age_s.pop(code, None)
    if code == GUARD_RESETS:
        state.guard_over.clear()
    entry = state.alarms.get(code)
    if entry is not None and not entry.present:
        del state.alarms[code]


def cause_present(state: SafetyState, facts: SafetyFacts, code: str,
                  interlocks: tuple[Interlock, ...] = INTERLOCKS) -> bool:
    """True while a row of this code is bad now, whether or not it would be raised now."""
    return any(row.code == code and row.latches and getattr(facts, row.needs) is not True
               for row in interlocks) or (code in state.alarms and state.alarms[code].present)
