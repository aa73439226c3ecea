"""What the batch wants: one step of the process, from facts about the world to a wish.

It counts the timers, asks the questions, moves the sequence and runs the heater law. It knows
nothing of interlocks: it is told that a hold, a pause or an abort is wanted, and why is not
its business. Whatever it wishes, the gate decides.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from esterward.chemistry.sheet import Sheet
from esterward.process import asking, start
from esterward.process.heating import HeaterControl
from esterward.process.learnt import EVENT, guess_of, lesson
from esterward.process.mixing import doubt
from esterward.process.observations import UNREACTED, forget, methoxide_cool
from esterward.process.sequence import FACTS, FINAL_STATES, Facts, advance
from esterward.process.stages import STEPS, Step
from esterward.process.state import HAND_PUMP_S, ProcessState, Wish, World
from esterward.process.targets import MOLTEN_C, melt_pulse, target_c
from esterward.process.timers import (
    AT_TARGET_S,
    CREDIT_S,
    FIRST_DRAIN_C,
    FIRST_DRAIN_S,
    HEAT_OFF_PROOF_S,
    MIX_AT_MOST_S,
    MIXED_S,
    POUR_EXTRA_S,
    step_seconds,
)
from esterward.values import buttons
from esterward.values.batch import Batch, Wash
from esterward.values.events import EventLog
from esterward.values.reactor import Reactor
from esterward.values.readings import optional_good

# Sources as in timers.py.
OFF_OVERDUE_S: Final = 10.0     # [design] a contactor follows in 0.1 s, a mixer runs down in 5 s
PAUSE_S: Final = 15 * 60.0      # [design] one press within it goes on
RESTART_S: Final = 60.0         # [design] twice the rest of what an interlock took away
STORE_S: Final = 10.0           # [design] what is not stored by then holds
PUMP_REST_S: Final = 600.0      # [design] an element that heats unasked shows itself before
SECOND_DOSES: Final = 2         # [design] a third would not mend what two did not
STATEMENTS: Final = ("wash.statement", "dry.statement")
BY_HAND: Final = ("fill.pump", "fill.try")
FLOW_S: Final = 10.0            # [design]
# After a hold set fat may be stiff again. From the methoxide on it is not gone back to.
RETRIED: Final = ("dewater.warm", "dewater.boil", "heat.warm", "methoxide.sheet")
REST_STARTS: Final = ("settle.between", "settle.first", "wash.stand", "dewater.stand")


class Process:
    """The process of one batch; `state` is all of its memory but the live heater law."""

    def __init__(self, reactor: Reactor, batch: Batch, state: ProcessState | None = None) -> None:
        self.reactor, self.batch = reactor, batch
        self.state = state if state is not None else ProcessState()
        self.facts = Facts()
        self.heater: HeaterControl | None = None
        if self.state.heater is not None:
            self.heater = HeaterControl.from_plain(self.state.heater)

    @property
    def row(self) -> Step:
        return STEPS[self.state.step]

    def save_heater(self) -> None:
        """Put the live heater law into the state, before a checkpoint."""
        self.state.heater = self.heater.to_plain() if self.heater is not None else None

    def take_learnt(self, told: object) -> None:
        """Start from what an earlier batch learnt: the data of its last event, None for none.

        For a batch not yet started. What cannot serve is left out; a note of the batch's
        start says which of the two.
        """
        guess, why = guess_of(told, self.reactor) if told is not None else ({}, "")
        self.state.learnt = guess or None
        self.state.learnt_note = (
            f"heater: what an earlier batch learnt is not used: {why}" if why else
            "heater: starts from what an earlier batch learnt, as a guess" if guess else "")

    def count_batch_time(self, dt_s: float) -> None:
        """Batch time runs while the batch is under way."""
        if self.state.under_way:
            self.state.elapsed_s += dt_s

    # -- one tick ---------------------------------------------------------------------------

    def tick(self, world: World, sheet: Sheet, words: Callable[[], dict[str, str]],
             log: EventLog) -> Wish:
        """One step of the process; logs its events and returns the wish."""
        state = self.state
        running = state.state == "running"
        target = self._target(world, sheet, world.dt_s) if running else None
        stood_s, doubtful = state.timers.unmixed_s, bool(state.doubt)
        state.timers.count(
            world.dt_s, running=running, mixing=state.should_mix,
            mixer_proven=world.mixer_proven,
            mixer_rests=world.mixer_rests, element_rests=world.element_rests, oil_c=world.oil_c,
            target_c=target if state.target.final else None,
        )
        if state.timers.unmixed_s == 0.0 and doubt(stood_s):
            log.add("note", text=doubt(stood_s))
        if state.asked == "check" and state.doubt and not doubtful:
            state.asked = ""  # asked anew, with the doubt in its words
        if state.state == "idle":
            self._idle(world, log)
        else:
            self.facts.start_ready = False
        state.target.judge(world.oil_c, world.limits)
        asking.answer(state, self.facts, world, log)
        self._prove(world, sheet)
        self._move(world, log)
        if self.reactor.rig_level != "watch":  # it has no buttons to answer with
            asking.ask(state, self.facts, self.row, world, words, log)
        return self._wish(world, sheet)

    def _idle(self, world: World, log: EventLog) -> None:
        checks, facts = self.state.checks, self.facts
        facts.start_ready = False
        if world.inputs is None:
            checks.k2_test_s = None
            return
        for name in start.see(checks, self.reactor, world.inputs, world):
            log.add("check_seen", check=name)
        outcome = start.step_k2_test(checks, world.dt_s, world.inputs.k2_open)
        if outcome == "passed":
            log.add("check_seen", check="K2")
            facts.start_ready = not world.latched and not world.flag
        elif outcome:
            log.add("note", text=outcome)
        if buttons.GREEN_HELD in world.gestures and checks.k2_test_s is None:
            missing = start.missing(checks, self.reactor, self.batch, world)
            if missing:
                log.add("note", text="start refused: " + "; ".join(missing))
            elif not facts.start_ready:
                start.begin_k2_test(checks)

    def _prove(self, world: World, sheet: Sheet) -> None:
        """Turn the world, the timers and the sheet into the sequence's facts."""
        facts, state, batch = self.facts, self.state, self.batch
        timers, row, oil_c, limits = state.timers, self.row, world.oil_c, world.limits
        planned_s = step_seconds(row.timer, batch)
        setpoint = sheet.setpoint_c
        facts.level_wet = world.level_wet
        facts.fat_set = batch.oil_set
        facts.flow_proven = state.step == "fill.try" and state.flow_s >= FLOW_S
        facts.dewater_off = batch.dewater == "none" or "heat" in state.repeats
        facts.dewater_boil = batch.dewater == "boil"
        facts.time_met = (planned_s is not None
                          and timers.done_s(row.timer, sits=row.sits) >= planned_s)
        facts.at_target = timers.at_target_s >= AT_TARGET_S
        facts.below_setpoint = oil_c is not None and setpoint is not None and oil_c <= setpoint
        facts.below_limit = (oil_c is not None and limits is not None
                             and oil_c <= limits.setpoint_max_c)
        facts.sheet_ready = (sheet.complete and limits is not None
                             and self.reactor.probes_checked)
        facts.methoxide_cool = methoxide_cool(state.observed)
        facts.heat_off_proven = timers.heat_off_s >= HEAT_OFF_PROOF_S
        facts.flag_stored, facts.flag_cleared = world.flag_stored, world.flag_cleared
        facts.mixer_proven = world.mixer_proven
        facts.dose_permitted = state.step == "dose.gate" and not self.dose_waits(world, sheet)
        facts.pour_expired = (state.step == "dose.pour"
                              and timers.step_s >= batch.pour_min * 60.0 + POUR_EXTRA_S)
        facts.credit_met = timers.credit_s >= CREDIT_S and timers.mixed_s >= MIXED_S
        facts.mix_at_most = timers.step_s >= MIX_AT_MOST_S
        facts.share_left = batch.first_share is not None and not state.second_share
        facts.second_allowed = state.second_doses < SECOND_DOSES
        facts.settled = timers.settled_s >= batch.settle_h * 3600.0
        facts.first_drain_allowed = (timers.settled_s >= FIRST_DRAIN_S and oil_c is not None
                                     and oil_c <= FIRST_DRAIN_C)
        facts.washes_left = state.washes_done + 1 < len(batch.washes)
        facts.wash_stirred = self.wash().stirred
        facts.evidence_met = len(state.evidence) >= 2
        facts.evidence_half = len(state.evidence) == 1
        off = world.mixer_rests and world.element_rests and world.k2_rests
        facts.abort_wanted, facts.pause_wanted = world.abort, world.pause
        facts.stop_wanted = buttons.BLACK_HELD in world.gestures
        flag_late = state.step == "dose.flag" and state.flag_wait_s > STORE_S
        facts.hold_wanted = (world.hold or world.remote_hold or flag_late
                             or buttons.BLACK_SHORT in world.gestures)
        facts.off_proven = off
        # With the guard not heard nothing reads back at all: that is waited for, not aborted.
        unread = world.inputs is None and self.reactor.rig_level != "watch"
        if unread and state.state in ("pausing", "holding", "stopping", "aborting"):
            timers.state_s = 0.0
        facts.off_overdue = timers.state_s > OFF_OVERDUE_S
        facts.press = buttons.GREEN_SHORT in world.gestures
        facts.pause_over = timers.state_s >= PAUSE_S
        facts.release = (buttons.GREEN_HELD in world.gestures and not world.latched
                         and not state.lost)
        facts.restart_ready = world.restart_ok
        facts.restart_overdue = timers.state_s > RESTART_S
        facts.latches_clear = not world.latched
        waits = state.step == "dose.flag" and state.state == "running"
        state.flag_wait_s = state.flag_wait_s + world.dt_s if waits else 0.0

    def dose_waits(self, world: World, sheet: Sheet) -> tuple[str, ...]:
        """What the dosing gate still waits for, in words."""
        facts, inputs = self.facts, world.inputs
        waits = []
        if not sheet.complete:
            waits.append("the batch sheet")
        if not self.reactor.probes_checked:
            waits.append("the probe check ([probes] checked = true)")
        if not world.mixer_proven:
            waits.append("proof of the mixer")
        if not self.state.timers.heat_off_s >= HEAT_OFF_PROOF_S:
            waits.append("the heater proven off for 120 s")
        if not facts.below_limit:
            waits.append("oil at or below the highest setpoint")
        if not world.probes_gapless:
            waits.append("both probes reading without gaps")
        if not world.flag_stored:
            waits.append("the methanol flag on disk")
        if inputs is None:
            waits.append("the guard")
        else:
            for name, word in (("lid_closed", "the lid shut"), ("drain_closed", "the drain shut"),
                               ("vent_proof", "the vent proven")):
                if not optional_good(inputs, name, self.reactor.fitted):
                    waits.append(word)
        return tuple(waits)

    def mixer_rests(self) -> bool:
        """True while the mixer of this row stands still so that the oil can cool.

        Not before the element has been proven off, and the oil stirred, so long that the effect
        checks, which need mixed oil, would have told of one that heats all the same.
        """
        return self._too_warm() and self.state.timers.stirred_off_s >= PUMP_REST_S

    def _too_warm(self) -> bool:
        return self.row.rests_warm and self.state.target.too_warm

    def wash_index(self) -> int:
        """Which of the planned washes is under way or next; the last one again beyond the plan."""
        return min(self.state.washes_done, len(self.batch.washes) - 1)

    def wash(self) -> Wash:
        """The wash under way or next."""
        return self.batch.washes[self.wash_index()]

    # -- moving -----------------------------------------------------------------------------

    def _move(self, world: World, log: EventLog) -> None:
        state = self.state
        step, batch_state, why = advance(state.step, state.state, self.facts)
        if not world.stores and STEPS[step].stage != self.row.stage:
            step = state.step  # a stage that cannot be recorded does not begin
        if batch_state != state.state:
            old = state.state
            told_before = why in ("off_proven", "latches_clear")
            why = self._why(why, world)
            started = state.state == "idle"
            log.add("state_changed", old=state.state, new=batch_state, why=why)
            state.state, state.timers.state_s = batch_state, 0.0
            if not told_before:  # held for what stopped it, not because all is off or reset
                state.why = why
            if started:
                log.add("batch_started", batch=self.batch.name)
                if state.learnt_note:
                    log.add("note", text=state.learnt_note)
                state.elapsed_s = 0.0
                self._enter(state.step, world, log, first=True)
            elif batch_state in FINAL_STATES:
                self._end_heating(self.row.heat, log)
                self._end_row("done" if batch_state == "complete" else batch_state, log)
                log.add("batch_ended", state=batch_state)
            elif batch_state == "running" and step == "dose.pour":
                step = "dose.gate"  # after any stop the gate to dosing is asked for again
            elif old == "restarting" and batch_state == "running":
                state.interrupted = True
                if self.facts.fat_set and step in RETRIED:
                    step = "fill.try"
        if step != state.step:
            self._leave(step)
            self._enter(step, world, log)

    def _why(self, fact: str, world: World) -> str:
        """The reason of a change of state in words: the fault's code, else who asked."""
        if fact in ("abort_wanted", "pause_wanted") or (fact == "hold_wanted" and world.hold):
            return world.reason
        if fact == "hold_wanted":
            if world.remote_hold:
                return "a hold was asked for"
            if self.state.step == "dose.flag" and self.state.flag_wait_s > STORE_S:
                return "the methanol flag could not be stored"
            return "black was pressed"
        return FACTS.get(fact, fact)

    def _leave(self, to_step: str) -> None:
        state = self.state
        if state.step == "dose.pour" and to_step == "mix.run":
            state.timers.credit_s = state.timers.mixed_s = state.poured_s = 0.0
            state.timers.unmixed_s = state.timers.stood_s = 0.0
            forget(state.observed, UNREACTED)  # it was of the check before this dose
        elif state.step == "dose.pour":
            state.poured_s += state.timers.step_s
        if to_step == "methoxide.second":
            state.second_doses += 1
        if to_step == "methoxide.share":
            state.second_share = True
        if to_step == "check.failed":
            state.unconverted = True
        if state.step.startswith("wash.") and to_step in ("wash.water", "wash.statement"):
            state.washes_done += 1
        if to_step == "wash.water":
            state.evidence.clear()
        if state.step in STATEMENTS and self.facts.flag_cleared:
            state.methanol_in = False

    def _enter(self, step: str, world: World, log: EventLog, first: bool = False) -> None:
        state, row, before = self.state, STEPS[step], self.row
        if first or row.stage != before.stage or row.new_row:
            if not first:
                self._end_row("held" if row.stage == "fill" else "done", log)
            state.repeats[row.stage] = state.repeats.get(row.stage, 0) + 1
            state.row_started_s = state.elapsed_s
            log.add("stage_started", stage=row.stage, repeat=state.repeats[row.stage])
        log.add("step_started", stage=row.stage, step=step)
        state.step, state.gate_number, state.interrupted = step, 0, False
        state.methanol_in = state.methanol_in or row.sets_flag
        timers = state.timers
        timers.step_s = timers.worked_s = timers.at_target_s = 0.0
        if step in REST_STARTS:
            timers.settled_s = 0.0
        state.target.entered()
        if row.heat != before.heat:
            self._end_heating(before.heat, log)

    def _end_heating(self, heat: str, log: EventLog) -> None:
        if self.heater is None:
            return
        data = lesson(self.heater, heat, self.reactor)
        if data and not self.batch.oil_set:  # fat that melts is no property of the vessel
            log.add(EVENT, **data)
            self.state.learnt = self.heater.learnt()
        self.heater = None

    def _end_row(self, outcome: str, log: EventLog) -> None:
        state, stage = self.state, self.row.stage
        log.add("stage_ended", stage=stage, repeat=state.repeats.get(stage, 1),
                started_s=round(state.row_started_s, 3), outcome=outcome)

    # -- wishing ----------------------------------------------------------------------------

    def _hand_pump(self, world: World) -> bool:
        """True while the pump runs by hand: one press, begun in this step, up to HAND_PUMP_S."""
        state, inputs = self.state, world.inputs
        flows = world.mixer_proven and 0.0 < state.hand_s < HAND_PUMP_S
        state.flow_s = state.flow_s + world.dt_s if flows else 0.0
        if state.state != "running" or state.step not in BY_HAND or inputs is None:
            state.hand_s = HAND_PUMP_S  # what is down now was pressed for something else
        elif not inputs.green:
            state.hand_s = 0.0
        elif state.hand_s < HAND_PUMP_S:
            state.hand_s += world.dt_s
            return True
        return False

    def _wish(self, world: World, sheet: Sheet) -> Wish:
        state, row = self.state, self.row
        wish = Wish(hand_pump=self._hand_pump(world))
        if state.state == "idle":
            wish.k2_only = start.wants_k2(state.checks)
            wish.vent = start.wants_vent(state.checks, self.reactor, world)
            return wish
        if state.state != "running":
            return wish
        wish.mixer = (row.mixer and not self.mixer_rests()) or wish.hand_pump
        wish.air = row.air
        if row.heat == "melt":
            wish.melting, state.molten = True, False
            wish.heating = wish.element = melt_pulse(state.timers.step_s, world.oil_c)
            return wish
        target = self._target(world, sheet, 0.0)  # the ramp has taken its step already
        if target is None or self._too_warm():
            return wish
        wish.heating = True
        state.target.judge_aim(world.oil_c, target)
        wish.over_aim = state.target.over_aim
        ceiling = state.target.ceiling_c
        if self.batch.oil_set and not state.molten and (world.oil_c or 0.0) > MOLTEN_C:
            state.molten, self.heater = True, None  # what melting taught does not hold any more
        if self.heater is None:
            self.heater = HeaterControl(target, ceiling, element=self.reactor.element_switch,
                                        learnt=state.learnt)
        self.heater.setpoint_c, self.heater.ceiling_c = target, ceiling
        if world.periodic:
            state.target.asked_on = self.heater.update(
                world.now_s, world.new_oil_c, world.element_was_on)
        wish.element = state.target.asked_on
        return wish

    def _target(self, world: World, sheet: Sheet, dt_s: float) -> float | None:
        heat = self.row.heat
        if heat == "warm_hold" and not self.reactor.warm_hold:
            return None
        target = target_c(heat, self.state.target, sheet, self.batch, world.limits,
                          world.oil_c, dt_s)
        if target is None or not world.flag:
            return target
        if world.limits is None:
            return None
        # With methanol about, no row may aim above the methanol limits, dry and boil included.
        self.state.target.ceiling_c = min(self.state.target.ceiling_c, world.limits.alarm_c)
        return min(target, world.limits.setpoint_max_c)
