"""The invariants, each with one predicate on what is really so (trials_truth.py).

A predicate gives a margin in its own unit, below zero when the invariant is broken, or None
when it says nothing at this moment. Deadlines count from the moment a state is really so and
hold the reading age, the cycle and the contactor. Where an invariant needs the two contactors
welded at once to break, no software helps; trials give one fault at a time.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from esterward.chemistry import boiling
from esterward_sim.rehearsal import Rehearsal
from esterward_sim.trials_doses import HALF_A_DIGIT
from esterward_sim.trials_faults import FaultCase
from esterward_sim.trials_truth import RESETS_FREE, Truth

Predicate = Callable[[Truth, Rehearsal], float | None]
DRAINS: Final = ("drain_water", "drain_first", "drain_between", "drain_last", "wash_drain")


@dataclass(frozen=True, slots=True)
class Invariant:
    """One row: name, what must always be so, unit of its margin, the predicate."""

    name: str
    sentence: str
    unit: str
    margin: Predicate


def _while_on(t: Truth, run: Rehearsal) -> float | None:
    return 5.0 - max(t.age_a_s, t.age_b_s) if t.element else None


def _controller_speaks(t: Truth, run: Rehearsal) -> float | None:
    return 3.0 - t.controller_age_s if t.energy else None


def _guard_speaks(t: Truth, run: Rehearsal) -> float | None:
    return 3.0 - t.guard_age_s if t.element else None


def _below_boiling(t: Truth, run: Rehearsal) -> float | None:
    return t.boils_c - 1.0 - t.oil_c if t.methanol else None


def _pour_rested(t: Truth, run: Rehearsal) -> float | None:
    if t.entered == "dose.pour":
        return t.element_rest_s - 119.0
    return 1.0 - t.pour_on_s if t.step == "dose.pour" else None


def _pour_cool(t: Truth, run: Rehearsal) -> float | None:
    return t.boils_c - 3.0 - t.oil_c if t.entered == "dose.pour" else None


def _pour_shut(t: Truth, run: Rehearsal) -> float | None:
    if t.entered != "dose.pour":
        return None
    el, fitted = run.rig.plant.electrical, run.rig.controller.reactor.fitted
    stuck = run.rig.plant.faults
    lid = "lid_closed" not in fitted or not el.lid_stands_open or "lid_stuck_closed" in stuck
    drain = "drain_closed" not in fitted or "drain_open" not in stuck
    return 0.0 if lid and drain else -1.0


def _drain_rested(t: Truth, run: Rehearsal) -> float | None:
    if t.asked not in DRAINS or t.state != "running":
        return None
    return -1.0 if t.element or t.mixer else 0.0


def _settled(t: Truth, run: Rehearsal) -> float | None:
    if t.entered in ("drain.first", "drain.between"):
        return t.rest_s - 3598.0
    if t.entered == "drain.last":
        return t.rest_s - (run.rig.controller.file_batch.settle_h * 3600.0 - 2.0)
    return None


def _boot_press(t: Truth, run: Rehearsal) -> float | None:
    return 1.0 - t.unpressed_on_s


def _presence(t: Truth, run: Rehearsal) -> float | None:
    return (1805.0 if t.flag else 3605.0) - t.press_age_s if t.energy else None


def _dose(t: Truth, run: Rehearsal) -> float | None:
    doses = t.doses
    return doses.allowed_l - doses.poured_l if doses.allowed_l is not None else None


def _catalyst(t: Truth, run: Rehearsal) -> float | None:
    doses = t.doses
    return doses.allowed_g - doses.poured_g if doses.allowed_g is not None else None


def _asked_dose(t: Truth, run: Rehearsal) -> float | None:
    digits = t.doses.asked_digits
    return HALF_A_DIGIT - digits if digits is not None else None


def _flag_on_disk(t: Truth, run: Rehearsal) -> float | None:
    if t.entered != "dose.pour":
        return None
    return float(run.rig.loop.ports.record.stored - t.flag_number)


def _reset_by_hand(t: Truth, run: Rehearsal) -> float | None:
    return 15.0 - t.blue_age_s if t.dropped else None


def _lock_out(t: Truth, run: Rehearsal) -> float | None:
    return float(RESETS_FREE - max(t.resets.values(), default=0))


def _resumed_by_hand(t: Truth, run: Rehearsal) -> float | None:
    return 8.0 - t.press_age_s if t.resumed else None


def _guard_limit(t: Truth, run: Rehearsal) -> float | None:
    guard, newest = run.rig.guard, run.rig.loop.newest
    limit_c = newest.trip_c if newest is not None else None
    if limit_c is None or newest is None or newest.count != guard.state.count:
        return None
    highest_c = t.boils_c - 1.0 if guard.state.flag else boiling.CLEAR_GUARD_TRIP_C
    return highest_c - limit_c


INVARIANTS: Final[tuple[Invariant, ...]] = (
    Invariant("I-01 level", "no element current for 2 s with the level contact dry", "s",
              lambda t, r: 2.0 - t.dry_on_s),
    Invariant("I-01 covered", "no element current for 3 s with the element above the liquid",
              "s", lambda t, r: 3.0 - t.bare_on_s),
    Invariant("I-01 e-stop", "no energy for 1 s with the e-stop loop open", "s",
              lambda t, r: 1.0 - t.estop_on_s),
    Invariant("I-01 cut-out", "no energy for 1 s with the cut-out open", "s",
              lambda t, r: 1.0 - t.cutout_on_s),
    Invariant("I-01 samples", "no element current on readings older than 5 s", "s", _while_on),
    Invariant("I-01 controller", "no energy 3 s after the controller's last word", "s",
              _controller_speaks),
    Invariant("I-01 guard", "no element current 3 s after the guard's last word", "s",
              _guard_speaks),
    Invariant("I-02 boiling", "with methanol in the vessel the oil stays 1 K below its boiling",
              "K", _below_boiling),
    Invariant("I-02 heat", "flag set or methanol in: no heat for 5 s within 2 K of boiling",
              "s", lambda t, r: 5.0 - t.hot_on_s),
    Invariant("I-03 clear", "the oil never passes the guard's clear limit by 2 K", "K",
              lambda t, r: boiling.CLEAR_GUARD_TRIP_C + 2.0 - t.oil_c),
    Invariant("I-03 aim", "no heat for 3 min with the oil truly 4 K above the aim", "s",
              lambda t, r: 180.0 - t.over_aim_s),
    Invariant("I-04 rest", "methoxide only 120 s after the element's last current, and no longer "
              "than 1 s with any", "s", _pour_rested),
    Invariant("I-04 cool", "methoxide only into oil 3 K or more below boiling", "K", _pour_cool),
    Invariant("I-04 shut", "methoxide only with lid and drain shut where they are seen", "",
              _pour_shut),
    Invariant("I-05 still", "no drain is asked for with mixer or element on", "", _drain_rested),
    Invariant("I-06 press", "after a boot no energy before green was held; pressed where a rest "
              "went on by itself", "s", _boot_press),
    Invariant("I-06 presence", "no energy without a press of green in the allowed time", "s",
              _presence),
    Invariant("I-07 dose", "no more methanol goes in than the sheet says of the doses begun, 2 % "
              "or 0.2 L", "L", _dose),
    Invariant("I-07 catalyst", "the same of the catalyst, 2 % or 2 g, by a hand that weighs what "
              "is asked for", "g", _catalyst),
    Invariant("I-07 asked", "the question that has a dose mixed names the sheet's litres and "
              "grams", "digits", _asked_dose),
    Invariant("I-08 stored", "methoxide only once the flag is on disk", "events",
              _flag_on_disk),
    Invariant("I-09 controller", "dosing was armed: the controller's flag stays set", "s",
              lambda t, r: 2.0 - t.kept.unset_s),
    Invariant("I-09 guard", "dosing was armed: the guard's flag stays set", "s",
              lambda t, r: 2.0 - t.guard_kept.unset_s),
    Invariant("I-10 reset", "a latch goes only when blue was held", "s", _reset_by_hand),
    Invariant("I-10 lock-out", "a cause is reset more than three times in a batch only with a "
              "typed reason", "resets", _lock_out),
    Invariant("I-10 resume", "the batch goes on only when green was pressed", "s",
              _resumed_by_hand),
    Invariant("I-11 settled", "the drain opens only after the true time of rest", "s", _settled),
    Invariant("I-12 latch", "3 s after a latch nothing runs", "s",
              lambda t, r: 3.0 - t.latched_on_s),
    Invariant("I-12 command", "no element current for 3 s against the command", "s",
              lambda t, r: 3.0 - t.against_s),
    Invariant("I-12 mixer", "the mixer runs at most 8 s against the command", "s",
              lambda t, r: 8.0 - t.mixer_against_s),
    Invariant("I-12 closings", "K1 is not switched on over and over: 8 at once, then 3 a minute",
              "", lambda t, r: 8.0 - t.closings),
    Invariant("I-14 horn", "a new trip is heard within 2 s", "s",
              lambda t, r: 2.25 - t.quiet_s),
    Invariant("I-15 own eyes", "the guard lets nothing flow against its own inputs", "s",
              lambda t, r: 1.0 - t.guard_blind_s),
    Invariant("I-15 own limit", "the guard's limit is its own, whatever it is told", "K",
              _guard_limit),
    Invariant("I-16 fan", "the vent fan stands no longer than 2 s where it ran into a latch, or "
              "vapour or a leak is seen", "s", lambda t, r: 2.0 - t.fan_off_s),
)
DEADLINE: Final = "I-12 deadline"   # the row's own: see trials_faults.py
QUIET: Final = "I-13 quiet"         # fault-free batches only
RAISED: Final = "exception"         # told by trials_run.py, with the traceback
SENTENCES: Final = {
    **{row.name: row.sentence for row in INVARIANTS},
    DEADLINE: "energy, or the part that fails, is off by the deadline of the fault's own row",
    QUIET: "without a fault no trip and no alarm",
    RAISED: "neither the programs nor the simulator raise an exception",
}


class Watch:
    """Holds the truth, every margin so far, and what was broken first."""

    def __init__(self) -> None:
        self.truth = Truth()
        self.worst: dict[str, float] = {}
        self.broken: dict[str, str] = {}
        self.case: FaultCase | None = None
        self.active = False
        self._heat_s = self._all_s = self._mixer_s = 0.0
        self._began_c: float | None = None

    def step(self, run: Rehearsal) -> None:
        """Judge one quarter second; the events heard are used up."""
        truth, worst = self.truth, self.worst
        truth.look(run)
        for row in INVARIANTS:
            margin = row.margin(truth, run)
            if margin is None:
                continue
            if margin < worst.get(row.name, 1e9):
                worst[row.name] = margin
                if margin < 0.0:
                    self._break(row.name, margin, row.unit, run)
        if self.case is None:
            if truth.alarm and truth.alarm != "presence":
                self._break(QUIET, -1.0, truth.alarm, run)
        elif self.active:
            self._deadlines(self.case, run)

    def _break(self, name: str, margin: float, unit: str, run: Rehearsal) -> None:
        if name not in self.broken:
            t = self.truth
            self.broken[name] = (
                f"{SENTENCES[name]}: margin {margin:.2f} {unit} at {run.rig.clock.time_s:.2f} s "
                f"in {t.step} ({t.state}), oil {t.oil_c:.2f} degC")

    def _deadlines(self, case: FaultCase, run: Rehearsal) -> None:
        """Seconds since the energy first flowed under the fault with nobody acting."""
        t = self.truth
        if self._began_c is None:
            self._began_c = t.oil_c
        acted = t.press_age_s < 0.5 or t.blue_s > 0.0
        if (acted or not case.warm_c < t.oil_c < case.cool_c
                or (case.mixed and t.mixer_on_s < 120.0) or (case.flag and not t.flag)
                or abs(t.oil_c - self._began_c) < case.moved_k):
            self._heat_s = self._all_s = self._mixer_s = 0.0
            return
        if case.heat_off_s is not None:
            self._heat_s = self._late(self._heat_s, t.element, case.heat_off_s, run)
        if case.all_off_s is not None:
            self._all_s = self._late(self._all_s, t.energy, case.all_off_s, run)
        if case.mixer_off_s is not None:
            if t.entered and not t.driven:
                self._mixer_s = 0.0  # a step that rests it: the next start has its own time
            self._mixer_s = self._late(self._mixer_s, t.driven, case.mixer_off_s, run)

    def _late(self, since_s: float, on: bool, deadline_s: float, run: Rehearsal) -> float:
        if not on and since_s == 0.0:
            return 0.0
        if on:
            margin = deadline_s - since_s
            if margin < self.worst.get(DEADLINE, 1e9):
                self.worst[DEADLINE] = margin
                if margin < 0.0:
                    self._break(DEADLINE, margin, "s", run)
        return since_s + 0.25
