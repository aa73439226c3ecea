"""What is really so in a trial, as counters: read from the plant, never from the controller.

Only three things are taken from the controller, because they are claims that are to be judged:
its methanol flag, its latches, and which step and question it believes in.
"""

from __future__ import annotations

from math import isfinite
from typing import Any

from esterward.guard import rule
from esterward.values.requests import RESET
from esterward_sim.plant import dose
from esterward_sim.plant.plant import Plant
from esterward_sim.rehearsal import Rehearsal
from esterward_sim.trials_doses import Doses
from esterward_sim.virtual import LEASE_S, VirtualRig

QUARTER_S = 0.25
NEVER_S = 1e9
# Not more methanol than the larger of these is none: 0.02 L, and 0.02 % of the litres, a tenth of
# what EN 14214 leaves in finished fuel. By Raoult's law over 60 degC: 0.7 % vapour in 20 L, else
# 0.14 %; from 6 % it burns.
TRACE_L, TRACE_SHARE = 0.02, 2e-4
# A solid-state switch has no read-back: only the effect on the oil tells.
SSR_FAULTS = frozenset(("ssr_shorted", "ssr_leaks", "line_ssr_high"))
# The fan's own wire and supply: while one of these lasts it cannot show what it is told.
FAN_FAULTS = frozenset(("vent_failed", "line_vent_low", "line_vent_high", "mains_lost"))
CLOSINGS_EACH_S = 20.0  # K1 may be switched on so often for ever: pulses need one a minute
RESETS_FREE = 3      # of one cause in a batch; each further one needs a typed reason
HELD_S = 4.5         # two buttons held for five seconds, as a hand sees it
GREEN_HELD_S = 1.5   # green held for two
# What needs neither energy nor a person goes on after a start; only there may a press be short.
RESTS = ("dewater.stand", "cool.stand", "settle.between", "settle.first", "settle.offer",
         "settle.rest", "wash.stand")


def methanol(plant: Plant) -> bool:
    """Whether more methanol than a trace is in the vessel."""
    return (plant.contents.methanol > 0.0
            and plant.methanol_l > max(TRACE_L, TRACE_SHARE * plant.level_l))


class KeptFlag:
    """Whether one of the two keeps its methanol flag set, from when it is set or anybody pours.

    unset_s: for how long it has not, NEVER_S where a pour began without it.
    """

    def __init__(self) -> None:
        self.armed = False
        self.unset_s = 0.0

    def look(self, flag: bool, wanted: bool, step: str, entered: str) -> None:
        self.armed = self.armed or (wanted and (flag or step in ("dose.gate", "dose.pour")))
        unset = wanted and self.armed and not flag
        self.unset_s = self.unset_s + QUARTER_S if unset else 0.0
        if entered == "dose.pour" and not flag:
            self.unset_s = NEVER_S


class Truth:
    """One look each quarter second. *_s: for how long it has been so, or since it last was."""

    def __init__(self) -> None:
        self.element = self.mixer = self.air = self.energy = self.driven = False
        self.oil_c = self.boils_c = 20.0
        self.methanol = False
        self.flag = True
        self.step = ""
        self.state = "idle"
        self.asked = ""
        # for how long
        self.dry_on_s = self.bare_on_s = self.estop_on_s = self.cutout_on_s = 0.0
        self.latched_on_s = self.against_s = self.mixer_against_s = self.over_aim_s = 0.0
        self.hot_on_s = self.quiet_s = self.fan_off_s = 0.0
        self.guard_blind_s = self.mixer_on_s = self.both_s = self.blue_s = self.green_s = 0.0
        self.unpressed_on_s = self.pour_on_s = 0.0
        self.closings, self._k1 = 0.0, False  # of K1 on command, forgotten one by one
        # since when
        self.element_rest_s = self.rest_s = NEVER_S
        self.press_age_s = self.blue_age_s = NEVER_S
        self.age_a_s = self.age_b_s = self.controller_age_s = self.guard_age_s = 0.0
        # what happened in this quarter
        self.entered = ""
        self.dropped: list[str] = []
        self.resets: dict[str, int] = {}  # of each cause here, since a reason was typed for it
        self.resumed = ""
        self.alarm = ""
        # memory
        self.pressed_since_boot = False
        self.go_held = True  # this start is answered only by green held
        self.armed = self.hand_cleared = False
        self._fan_ran = False        # since something was latched
        self.kept, self.guard_kept = KeptFlag(), KeptFlag()
        self.flag_number = 0
        self.doses = Doses()
        self._latches: tuple[str, ...] = ()
        self._guard_latches: tuple[str, ...] = ()
        self._boots = 0
        self._seen_a_s = self._seen_b_s = 0.0
        self._said_s = self._heard_s = 0.0
        self.started = False

    def look(self, run: Rehearsal) -> None:
        """Take in one quarter second."""
        rig = run.rig
        plant, el, now_s = rig.plant, rig.plant.electrical, rig.clock.time_s
        q = QUARTER_S
        self.element = on = el.power > 0.0
        self.mixer, self.air = el.mixer_on, el.air_on
        self.energy = energy = on or self.mixer or self.air
        self.oil_c = oil_c = plant.thermal.oil_c
        self.boils_c = plant.boiling_c
        self.methanol = methanol(plant)
        self._people(run, plant)
        self._controller(run)
        self.dry_on_s = self.dry_on_s + q if on and not el.level_wet else 0.0
        self.bare_on_s = self.bare_on_s + q if on and plant.level_l < plant._element_l else 0.0
        self.estop_on_s = self.estop_on_s + q if energy and not el.estop_closed else 0.0
        self.cutout_on_s = self.cutout_on_s + q if energy and not el.cutout_closed else 0.0
        self._samples(run, now_s)
        out = rig.relays.now(now_s)
        wanted = out.k1 and (out.ssr or rig.controller.reactor.element_switch != "ssr"
                             or not SSR_FAULTS.isdisjoint(plant.faults.names()))
        self.against_s = self.against_s + q if on and not wanted else 0.0
        self.driven = out.mixer and el.k2_closed  # a stalled one too
        self.mixer_against_s = (self.mixer_against_s + q if self.mixer and not out.mixer
                                else 0.0)
        self.unpressed_on_s = (self.unpressed_on_s + q
                               if energy and not self.pressed_since_boot else 0.0)
        self.closings = max(0.0, self.closings - q / CLOSINGS_EACH_S)
        if out.k1 is not self._k1:
            self._k1 = out.k1
            self.closings += out.k1
        self.mixer_on_s = self.mixer_on_s + q if self.mixer else 0.0
        self.element_rest_s = 0.0 if on else self.element_rest_s + q
        filling = any(s.kind in (dose.OIL, dose.METHOXIDE, dose.WATER) for s in plant.streams)
        self.rest_s = 0.0 if on or self.mixer or filling else self.rest_s + q
        self._methanol(run, on, oil_c)
        self._fan(run)
        unheard = [code for code, entry in rig.controller.state.safety.alarms.items()
                   if not entry.acknowledged and code in self._latches]
        alive = not away(rig)
        self.quiet_s = self.quiet_s + q if unheard and alive and not out.horn else 0.0

    def _samples(self, run: Rehearsal, now_s: float) -> None:
        rig = run.rig
        for which, probe in (("a", rig.probe), ("b", rig.guard.probe)):
            newest = probe.newest
            if newest.c is not None and isfinite(newest.c) and -20.0 <= newest.c <= 125.0:
                if which == "a":
                    self._seen_a_s = newest.at_s
                else:
                    self._seen_b_s = newest.at_s
        self.age_a_s, self.age_b_s = now_s - self._seen_a_s, now_s - self._seen_b_s
        if rig.guard.message is not None:
            self._said_s = rig.guard.message.at_s
        if rig.loop.newest is not None:
            self._heard_s = rig.loop.newest.at_s
        self.controller_age_s, self.guard_age_s = now_s - self._said_s, now_s - self._heard_s
        el, guard = rig.plant.electrical, rig.guard
        blind = guard.enable and not guard.dead and not guard.hung and (
            not el.estop_closed or not el.cutout_closed or self.age_b_s > 7.0)
        self.guard_blind_s = self.guard_blind_s + QUARTER_S if blind else 0.0

    def _people(self, run: Rehearsal, plant: Plant) -> None:
        """Hands on buttons. A shorted or noisy wire cannot be told from a hand."""
        el, q = plant.electrical, QUARTER_S
        green, blue = el.green, el.blue
        if plant.faults:
            noise = "input_noise" in plant.faults
            green = green or noise or "green_stuck" in plant.faults
            blue = blue or noise or "blue_stuck" in plant.faults
        self.press_age_s = 0.0 if green else self.press_age_s + q
        self.green_s = self.green_s + q if green else 0.0
        self.go_held = self.go_held and self.green_s < GREEN_HELD_S
        self.pressed_since_boot = self.pressed_since_boot or (green and not self.go_held)
        self.blue_s = self.blue_s + q if blue else 0.0
        self.blue_age_s = 0.0 if self.blue_s >= HELD_S else self.blue_age_s + q
        self.both_s = self.both_s + q if green and blue else 0.0
        if self.both_s >= HELD_S or (plant.faults and "input_noise" in plant.faults):
            self.hand_cleared = True
        self.doses.pours(plant)

    def _controller(self, run: Rehearsal) -> None:
        """The claims that are judged: flag, latches, step, question, state."""
        rig = run.rig
        controller, guard = rig.controller, rig.guard
        process = controller.state.process
        record: Any = run.record
        if record.boots != self._boots:
            self._boots, self.pressed_since_boot = record.boots, False
            self.green_s, self._fan_ran = 0.0, False
            self.go_held = (self.go_held or process.state != "running"
                            or self.step not in RESTS)
        self.entered = process.step if process.step != self.step else ""
        before, self.state, self.step = self.state, process.state, process.step
        self.resumed = (f"{before} -> {self.state}" if self.state in ("running", "restarting")
                        and before in ("idle", "held", "aborted", "stopped", "paused") else "")
        self.asked = process.asked
        self.flag = controller.state.flag.set
        latches, theirs = tuple(controller.state.safety.latches), tuple(guard.state.latches)
        self.dropped = []
        if latches != self._latches or theirs != self._guard_latches:
            self.dropped = [c for c in self._latches if c not in latches]
            for code in self.dropped:
                self.resets[code] = self.resets.get(code, 0) + 1
            self.dropped += [f"guard: {c}" for c in self._guard_latches if c not in theirs]
            self._latches, self._guard_latches = latches, theirs
        self.latched_on_s = (self.latched_on_s + QUARTER_S
                             if self.energy and (latches or theirs) else 0.0)
        for typed in run.person.requests:
            if typed.kind == RESET and typed.name in self.resets:
                self.resets[typed.name] = RESETS_FREE - 1  # one more
        self.alarm = ""
        for event in run.result.events:
            if event.kind == "flag_set":
                self.flag_number = event.number
            elif event.kind == "batch_started":
                self.started = True
            elif event.kind == "observation" and event.data["name"] == "unreacted_ml":
                self.doses.unreacted_ml = float(event.data["value"] or 0.0)
            elif event.kind == "alarm_raised" and self.started:
                self.alarm = str(event.data["code"])
        if self.entered == "dose.flag":
            for kept in (self.kept, self.guard_kept):
                kept.armed = kept.armed and not self.hand_cleared
            self.armed = True
        if self.entered in ("dose.flag", "dose.pour"):
            self.hand_cleared = False
        self.doses.look(self.entered, controller.sheet, rig.loop.status, rig.plant)
        if not guard.state.unwritten:
            record.guard_file = (guard.state.flag, theirs)

    def _fan(self, run: Rehearsal) -> None:
        """Whether the fan stands although it ran into a latch, or vapour or a leak is seen.

        A fan that is not wired or has no supply says nothing, and so does a controller that does
        not run. Seen: by a detector or a float that works, and the guard's word of it arrives.
        """
        rig = run.rig
        el, faults, fitted = rig.plant.electrical, rig.plant.faults, rig.controller.reactor.fitted
        if (not rig._vent or away(rig)
                or (faults and not FAN_FAULTS.isdisjoint(faults.names()))):
            self.fan_off_s, self._fan_ran = 0.0, False
            return
        self._fan_ran = bool(self._latches) and (self._fan_ran or el.vent_turns)
        vapour = ("vapour_low" in fitted and not el.vapour_low
                  and "vapour_sensor_stuck" not in faults)
        leak = ("sump_dry" in fitted and (el.sump_wet or "sump_wet" in faults)
                and "sump_switch_stuck" not in faults)
        wanted = self._fan_ran or ((vapour or leak) and self.guard_age_s < 1.0)
        stands = wanted and not el.vent_turns
        self.fan_off_s = self.fan_off_s + QUARTER_S if stands else 0.0

    def _methanol(self, run: Rehearsal, on: bool, oil_c: float) -> None:
        rig, q = run.rig, QUARTER_S
        wanted = self.armed and not self.hand_cleared
        self.kept.look(self.flag, wanted, self.step, self.entered)
        self.guard_kept.look(rig.guard.state.flag, wanted, self.step, self.entered)
        if self.entered == "dose.pour":
            self.pour_on_s = 0.0
        if on and self.step == "dose.pour" and self.state == "running":
            commanded = rig.relays.now(rig.clock.time_s).k1
            self.pour_on_s += NEVER_S if commanded else q  # in all; a contact may weld just then
        hot = on and (self.flag or self.methanol) and oil_c > self.boils_c - 2.0
        self.hot_on_s = self.hot_on_s + q if hot else 0.0
        target = rig.controller.state.process.target
        aim_c = target.lowest_c
        if rig.controller.process.row.heat == "boil":
            aim_c = target.ramp_c
        over = on and aim_c is not None and oil_c > aim_c + 4.0
        self.over_aim_s = self.over_aim_s + q if over else 0.0


def away(rig: VirtualRig) -> bool:
    """Whether no controller runs now: dead, hung, or asleep for so long that its leases lapsed."""
    asleep = ("controller_slow" in rig.plant.faults
              and rig.clock.time_s - rig.relays.renewed_s > LEASE_S)
    return rig.controller_dead or rig.faults.hung or asleep


def guard_state(flag: bool, latches: tuple[str, ...]) -> rule.GuardState:
    """What a guard finds in its file after a start."""
    written = rule.GuardState(flag=flag, latches=list(latches))
    return rule.read_file(rule.file_text(written))
