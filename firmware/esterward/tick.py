"""One step of the whole controller. PURE: no clock, no input, no output. Read this first.

    Snapshot -> judged probes -> what the batch wishes -> facts, interlocks -> gate -> Decision

A Controller is its configuration plus a state that to_plain() turns into numbers, text and
lists; given the same state and the same snapshots it gives the same decisions, byte for byte.
What it refuses to know: drivers, sockets, files, the time of day as anything but a label.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import inf
from typing import Any, Final

from esterward.chemistry import boiling
from esterward.chemistry.figures import declared_loss_w_per_k
from esterward.chemistry.sheet import Sheet, batch_sheet
from esterward.process.control import Process
from esterward.process.observations import CHANGES_SHEET, batch_with, refusal, take
from esterward.process.prompts import CLEAR_QUESTION, PROMPTS
from esterward.process.sequence import FINAL_STATES
from esterward.process.stages import STEPS
from esterward.process.state import Wish, World
from esterward.process.words import words
from esterward.safety import alarms, counters, gate, plausibility
from esterward.safety import facts as proof
from esterward.safety import flag as methanol
from esterward.safety import limits as safety_limits
from esterward.safety.faults import FAULTS
from esterward.safety.interlocks import INTERLOCKS, Interlock, waits_for_the_flag
from esterward.safety.state import restarted as safety_restarted
from esterward.safety.ventilation import fan_runs
from esterward.state import ControllerState, state_of
from esterward.values import buttons, requests
from esterward.values.batch import Batch
from esterward.values.events import Event, EventLog
from esterward.values.messages import ControllerReport
from esterward.values.outputs import OUTPUT_NAMES, SAFE, Outputs
from esterward.values.plain import to_plain as plain
from esterward.values.reactor import Reactor
from esterward.values.readings import Inputs
from esterward.values.snapshot import Snapshot

CHIRP_S: Final = 2.0
CHECKPOINT_S: Final = 60.0
RUNNING_STATES: Final = ("running", "pausing", "paused", "holding", "restarting", "stopping",
                         "aborting")
PLANNED_STATES: Final = ("idle", "running", *FINAL_STATES)  # the others are halts


@dataclass(frozen=True, slots=True)
class Decision:
    """What one tick decided. checkpoint: the state should be stored with these events."""

    outputs: Outputs
    message: ControllerReport
    events: tuple[Event, ...]
    checkpoint: bool


class Controller:
    """Configuration, state, and what is derived from them."""

    def __init__(self, reactor: Reactor, batch: Batch, state: ControllerState | None = None,
                 interlocks: tuple[Interlock, ...] = INTERLOCKS) -> None:
        self.reactor, self.file_batch = reactor, batch
        self.state = state if state is not None else ControllerState()
        self.interlocks = interlocks
        self.loss_w_per_k = declared_loss_w_per_k(reactor)
        self.process = Process(reactor, batch, self.state.process)
        self.facts = proof.SafetyFacts()
        self.world: World | None = None
        self.guard_latches: tuple[str, ...] = ()
        self.gone_s = inf  # since the first latch's cause was there last
        self.unheard_s = 0.0  # the guard, which reads every button
        self.outputs = Outputs(*self.state.commanded)
        self.limits: boiling.Limits | None = None
        self._refresh_limits()
        self._refresh_sheet()

    def _refresh_sheet(self) -> None:
        batch = batch_with(self.file_batch, self.state.process.observed)
        self.process.batch = batch
        self.sheet: Sheet = batch_sheet(batch, self.reactor)

    def _refresh_limits(self) -> None:
        altitude_m = self.reactor.altitude_m
        if altitude_m is not None:
            self.limits = self.state.pressure.limits_at(altitude_m)

    # -- the tick ---------------------------------------------------------------------------

    def tick(self, snapshot: Snapshot) -> Decision:
        """One step: take a snapshot, change the state, say what to do."""
        state = self.state
        now_s = snapshot.now_s
        dt_s = 0.0 if state.last_s is None else max(0.0, now_s - state.last_s)
        state.last_s = now_s
        state.ticks += 1
        self.process.count_batch_time(dt_s)
        log = EventLog(state.last_event, round(state.process.elapsed_s, 3))
        self._take_barometer(snapshot, dt_s, log)
        guard = snapshot.guard
        heard = (guard is not None and guard.boot == snapshot.boot
                 and -0.1 <= now_s - guard.at_s <= safety_limits.GUARD_SILENT_S)
        inputs = guard.inputs if guard is not None and heard else None
        self.guard_latches = gate.follow_guard(state.safety, guard if heard else None, log,
                                               counts=self.process.state.under_way)
        gestures = self._gestures(now_s, inputs)
        flag = state.flag
        seen = counters.Seen(
            now_s=now_s, dt_s=dt_s, probe_a=snapshot.probe_a, guard=guard, heard=heard,
            inputs=inputs, commanded=self.outputs, flag=flag.set, limits=self.limits,
            pressure_kpa=self._pressure_kpa(), record_fault=bool(snapshot.record_fault),
            stored=snapshot.stored, last_event=state.last_event,
            volume_l=self._volume_l(), loss_w_per_k=self.loss_w_per_k, fat_set=self._fat_set(),
            adding=self.process.row.pours, supply_low=snapshot.supply_low)
        new_probe = counters.count(state.safety, seen, self.reactor)
        self._flag(snapshot, heard, gestures, dt_s, log)
        remote_hold = self._requests(snapshot, log)
        wish = self._wish(snapshot, seen, self._answers(gestures), new_probe, remote_hold, log)
        granted = self._gate(seen, wish, gestures, snapshot.stored, log)
        if log.events and any(event.kind == "alarm_raised" for event in log.events):
            state.buttons.spend_blue()
        outputs = self._outputs(granted, wish, dt_s, log)
        self.outputs = outputs
        state.commanded = [getattr(outputs, name) for name in OUTPUT_NAMES]
        state.last_event = log.last
        state.checkpoint_age_s += dt_s
        checkpoint = bool(log.events) or state.checkpoint_age_s >= CHECKPOINT_S
        if checkpoint:
            state.checkpoint_age_s = 0.0
        message = ControllerReport(
            state.ticks, now_s, snapshot.boot, outputs.k1, outputs.k2_wanted, flag.set,
            self._trip_c(), self._pressure_kpa(), self.reactor.digest)
        return Decision(outputs, message, tuple(log.events), checkpoint)

    def probe_lapsed(self, now_s: float) -> bool:
        """Probe A was fresh in the last tick and is too old now: a reason not to wait for one."""
        probe_a = self.state.safety.probe_a
        return self.facts.probe_a_fresh and not plausibility.fresh(probe_a, now_s)

    def _take_barometer(self, snapshot: Snapshot, dt_s: float, log: EventLog) -> None:
        pressure = self.state.pressure
        if self.reactor.barometer and pressure.step(snapshot.barometer_kpa, dt_s):
            self._refresh_limits()
            if pressure.old:
                log.add("note", text="the barometer is silent: limits as if there were none")

    def _pressure_kpa(self) -> float | None:
        return self.limits.p_eff_kpa if self.limits is not None else None

    def _trip_c(self) -> float | None:
        if not self.state.flag.set:
            return boiling.CLEAR_TRIP_C
        return self.limits.trip_c if self.limits is not None else None

    def _volume_l(self) -> float:
        """Oil, and the methanol that may be in it."""
        methanol = self.sheet.methanol if self.state.flag.set else None
        return self.process.batch.oil_volume_l + (methanol.volume_l if methanol else 0.0)

    def _fat_set(self) -> bool:
        """The batch file says set fat, and no dose of this batch was begun: ester does not set."""
        return self.process.batch.oil_set and "dose" not in self.process.state.repeats

    def _gestures(self, now_s: float, inputs: Inputs | None) -> tuple[str, ...]:
        state = self.state
        if inputs is None:
            state.green_down = True
            return state.buttons.step(now_s, None, None, None)
        if inputs.green and not state.green_down:
            # While presence is what is asked for, this press says only that.
            state.presence_press = state.process.state == "running" and self.presence_wanted()
            state.safety.presence_age_s = 0.0  # any green press is somebody there
        state.green_down = inputs.green
        return state.buttons.step(now_s, inputs.green, inputs.black, inputs.blue)

    def _answers(self, gestures: tuple[str, ...]) -> tuple[str, ...]:
        """The gestures that may answer a question: one press never says two things."""
        if not gestures:
            return gestures
        spent = set()
        if alarms.unacknowledged(self.state.safety.alarms):
            spent.add(buttons.BLUE_SHORT)  # blue acknowledges first; then it means "no"
        if self.state.presence_press:
            spent.add(buttons.GREEN_SHORT)
        return tuple(g for g in gestures if g not in spent) if spent else gestures

    def _flag(self, snapshot: Snapshot, heard: bool, gestures: tuple[str, ...], dt_s: float,
              log: EventLog) -> None:
        process, guard = self.process.state, snapshot.guard if heard else None
        methanol.step(
            self.state.flag, log, dt_s=dt_s,
            arming=process.state == "running" and STEPS[process.step].sets_flag,
            gesture=process.asked == CLEAR_QUESTION and buttons.GREEN_BLUE in gestures,
            evidence=", ".join(process.evidence) or "stated by a person at the reactor",
            stored=snapshot.stored, guard_flag=None if guard is None else guard.flag)

    # -- requests ---------------------------------------------------------------------------

    def _requests(self, snapshot: Snapshot, log: EventLog) -> bool:
        """Answer each request; True when one of them asks for a hold."""
        hold = False
        for request in snapshot.requests:
            why = self._take(request, log)
            if why:
                log.add("request_refused", id=request.id, why=why)
                continue
            log.add("request_accepted", id=request.id)
            hold = hold or request.kind == requests.HOLD
        return hold

    def _take(self, request: requests.Request, log: EventLog) -> str:
        kinds = requests.LOCAL_KINDS if request.source == "local" else requests.REMOTE_KINDS
        if request.kind not in kinds:
            return f"{request.kind!r} cannot be asked for here; possible: {', '.join(kinds)}"
        safety, process = self.state.safety, self.state.process
        if request.kind == requests.ACKNOWLEDGE:
            alarms.acknowledge(safety.alarms, safety.latches, log, request.name)
        elif request.kind == requests.RESET:
            if request.name not in FAULTS:
                return f"{request.name!r} is not a fault code"
            if not request.text.strip():
                return "a reset needs a reason"
            gate.take_reason(safety, request.name)
        elif request.kind == requests.OBSERVE:
            if not self.file_batch.oil_volume_l > 0.0:
                return "no batch is loaded; nothing is taken down"
            why = refusal(request.name, request.value, process.step, process.state,
                          process.observed, afar=request.source != "local")
            if why or request.value is None:
                return why or "an observation needs a number"
            take(process.observed, request.name, request.value)
            log.add("observation", name=request.name, value=request.value,
                    source=request.source,
                    counts="with green held" if request.name in CHANGES_SHEET else "at once")
            before = self.sheet
            self._refresh_sheet()
            if self.sheet != before or self._asks_otherwise():
                # What was shown no longer holds: the question is asked anew, with new grams.
                process.asked, process.gate_number = "", 0
            if self.sheet != before:
                base, spirit = self.sheet.catalyst, self.sheet.methanol
                log.add("sheet_changed", mass_g=base.mass_g if base else None,
                        methanol_l=spirit.volume_l if spirit else None)
        return ""

    def _asks_otherwise(self) -> bool:
        """Whether the open question would now be asked in other words."""
        process = self.state.process
        prompt = PROMPTS.get(process.asked)
        return (prompt is not None
                and prompt.text.format_map(self.words()) != process.asked_text)

    # -- wish, gate, outputs ----------------------------------------------------------------

    def _wish(self, snapshot: Snapshot, seen: counters.Seen, gestures: tuple[str, ...],
              new_probe: bool, remote_hold: bool, log: EventLog) -> Wish:
        safety, flag, inputs = self.state.safety, self.state.flag, seen.inputs
        guard, out, now_s = snapshot.guard, self.outputs, snapshot.now_s
        judge_a = safety.probe_a
        oil_c = judge_a.good_c if plausibility.fresh(judge_a, now_s) else None
        correction_k = max(self.reactor.probe_a_correction_k, 0.0)
        if oil_c is not None:
            oil_c += correction_k
        k1_open = inputs.k1_open if inputs is not None else True
        was_on = (out.k1 and (out.ssr or self.reactor.element_switch != "ssr")
                  and not k1_open and inputs is not None and not inputs.k2_open)
        self.world = World(
            dt_s=seen.dt_s, now_s=now_s, boot=snapshot.boot, wall_s=snapshot.wall_s,
            periodic=snapshot.periodic, oil_c=oil_c,
            probes_gapless=all(plausibility.fresh(judge, now_s) and gaps.none for judge, gaps in (
                (judge_a, safety.gaps_a), (safety.probe_b, safety.gaps_b))),
            new_oil_c=oil_c if new_probe else None,
            inputs=inputs, level_wet=inputs is not None and inputs.level_wet,
            mixer_proven=inputs is not None and inputs.mixer_proof and out.mixer,
            mixer_rests=inputs is not None and not inputs.mixer_proof and not out.mixer,
            element_rests=inputs is not None and k1_open and not out.k1,
            element_was_on=was_on, k2_rests=inputs is not None and inputs.k2_open,
            flag=flag.set, flag_doubted=flag.set or (guard is not None and guard.flag),
            flag_stored=(flag.set and not flag.clear_number and snapshot.stored >= flag.number
                         and seen.heard and guard is not None and guard.flag),
            flag_cleared=not flag.set and seen.heard and guard is not None and not guard.flag,
            limits=self.limits, gestures=gestures,
            hold=safety.hold, abort=safety.abort, pause=safety.pause, reason=safety.reason,
            latched=tuple(safety.latches), flag_first=waits_for_the_flag(safety.latches),
            restart_ok=safety.restart_ok,
            remote_hold=remote_hold, stored=snapshot.stored, stores=safety.record_stores)
        process = self.state.process
        asked, held = (process.asked, process.asked_text), process.state == "held"
        wish = self.process.tick(self.world, self.sheet, self.words, log)
        # What opens now, a question or the way out of a hold, is answered by a press begun later.
        asks_anew = process.asked and (process.asked, process.asked_text) != asked
        if asks_anew or (process.state == "held" and not held):
            self.state.buttons.spend()
        return wish

    def _restart_ok(self) -> bool:
        """What the waiting step needs is good: nothing asks for a hold and the inputs are there."""
        row, facts = self.process.row, self.facts
        heats = row.heat != "" and not self.state.flag.set
        return (facts.guard_heard and facts.estop_closed and facts.cutout_closed
                and (not row.mixer or (facts.level_now and facts.presence))
                and (not heats or (facts.level_wet and facts.probe_a_fresh
                                   and facts.probe_b_fresh)))

    def words(self) -> dict[str, str]:
        """The words of the questions, from the sheet and the process."""
        waits = self.process.dose_waits(self.world, self.sheet) if self.world else ()
        return words(self.process, self.process.batch, self.sheet, waits)

    def _gate(self, seen: counters.Seen, wish: Wish, gestures: tuple[str, ...], stored: int,
              log: EventLog) -> gate.Grant:
        safety, facts = self.state.safety, self.facts
        seen.flag = self.state.flag.set
        pulse = wish.heating and not wish.mixer and not wish.air
        wanted = wish.heating or wish.melting or wish.mixer or wish.air
        proof.prove(facts, safety, seen, self.reactor, wish.hand_pump, pulse)
        proof.condition(
            facts, wanted=wanted, heating=wish.heating, mixing=wish.mixer, flag=seen.flag,
            flowed=safety.energised)
        safety.energised, safety.restart_ok = wanted, self._restart_ok()
        gate.finish_reset(safety, stored)
        if buttons.BLUE_SHORT in gestures:
            alarms.acknowledge(safety.alarms, safety.latches, log)
        if buttons.BLUE_HELD in gestures:
            why = gate.ask_reset(safety, facts, log, self.interlocks,
                                 counts=self.process.state.under_way)
            if why:
                log.add("note", text="not reset: " + why)
        removed = gate.judge(safety, facts, seen.dt_s, log, self.interlocks)
        stands = bool(safety.latches) and gate.cause_present(
            safety, facts, safety.latches[0], self.interlocks)
        self.gone_s = 0.0 if stands else self.gone_s + seen.dt_s
        self.unheard_s = 0.0 if seen.heard else self.unheard_s + seen.dt_s
        return gate.grant(safety, removed, heat=wish.heating, mixer=wish.mixer, air=wish.air,
                          dt_s=seen.dt_s, log=log)

    def _outputs(self, granted: gate.Grant, wish: Wish, dt_s: float, log: EventLog) -> Outputs:
        state, reactor = self.state, self.reactor
        energy = granted.heat or granted.mixer or granted.air
        # Asked for on and on while the guard keeps it open, or with pulses alone nobody were told.
        refused = "guard-refuses" in state.safety.withheld.values()
        k2_only = (wish.k2_only or refused) and not state.safety.latches
        asked = bool(state.process.asked or state.process.waiting)
        if log.events and any(
            event.kind in ("prompt_opened", "stage_ended") for event in log.events
        ):
            state.chirp_s = CHIRP_S
        elif state.chirp_s > 0.0:
            state.chirp_s = max(0.0, state.chirp_s - dt_s)
        horn = (state.chirp_s > 0.0 or alarms.sounding(state.safety.alarms)
                or self.presence_wanted())
        lamp = state.ticks % 2 == 0 if asked or state.safety.alarms else energy
        standing = [code for code, entry in state.safety.alarms.items() if entry.present]
        vent = reactor.rig_level == "full" and fan_runs(
            self.outputs.vent, flag=state.flag.set,
            wanted=wish.heating or wish.melting or wish.vent,
            faults=(*state.safety.latches, *standing, *self.guard_latches),
            halted=state.process.state not in PLANNED_STATES)
        if not energy and not k2_only and not horn and not lamp and not vent:
            return SAFE
        ssr = reactor.element_switch == "ssr"
        return Outputs(
            # Such a switch fails closed: far above the aim the contactor stands against that.
            k1=granted.heat and (wish.element or (ssr and not wish.over_aim)),
            ssr=granted.heat and wish.element and ssr,
            k2_wanted=energy or k2_only, mixer=granted.mixer, air=granted.air,
            vent=vent, horn=horn, lamp=lamp)

    def presence_left_s(self) -> float | None:
        """Seconds of presence left; None when nobody has been there since the boot."""
        left_s = counters.presence_left_s(self.state.safety, self.state.flag.set)
        return None if left_s is None else max(0.0, left_s)

    def presence_wanted(self) -> bool:
        """True when a green press should be asked for: energy is wanted and time runs out."""
        process = self.state.process
        if process.state == "paused":
            return True
        left_s = self.presence_left_s()
        return (self.state.safety.energised and process.state == "running"
                and (left_s is None or left_s <= safety_limits.PRESENCE_WARN_S))

    # -- checkpoint and restart -------------------------------------------------------------

    def to_plain(self) -> dict[str, Any]:
        """The whole state as numbers, text, booleans, lists and mappings, with a version."""
        self.process.save_heater()
        whole: dict[str, Any] = plain(self.state)
        return whole

    def restarted(self, why: str, last_event: int) -> None:
        """Called once after a restart: outputs off, presence forgotten, state held.

        A step that needs neither energy nor a person goes on by itself. Nothing else does.
        """
        state = self.state
        self.outputs, state.commanded = SAFE, [False] * len(OUTPUT_NAMES)
        state.last_s, state.last_event = None, max(last_event, state.last_event)
        state.buttons, state.green_down = buttons.Buttons(), True
        state.safety = safety_restarted(state.safety)
        state.flag.restarted()
        state.pressure.restarted()
        self._refresh_limits()
        process = state.process
        timers = process.timers
        timers.heat_off_s = timers.stirred_off_s = timers.at_target_s = 0.0
        process.checks.k2_test_s = None
        if self.process.heater is not None:
            self.process.heater.interrupted()
        if process.state in RUNNING_STATES and not (
            process.state == "running" and self.process.row.sits
        ):
            process.state, process.why, process.timers.state_s = "held", why, 0.0


def from_plain(reactor: Reactor, batch: Batch, whole: dict[str, Any],
               interlocks: tuple[Interlock, ...] = INTERLOCKS) -> Controller:
    """Rebuild a controller; ValueError when the plain state is of another version or shape."""
    return Controller(reactor, batch, state_of(whole), interlocks)
