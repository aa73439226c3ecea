"""One batch on the virtual rig from start to end, and what came of it as plain numbers."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, Final

from esterward.process.sequence import FINAL_STATES
from esterward.values.batch import Batch
from esterward.values.events import Event
from esterward.values.outputs import Outputs
from esterward.values.ports import Record, Telemetry
from esterward.values.reactor import Reactor
from esterward.values.requests import Request
from esterward.values.rounding import down
from esterward.values.snapshot import Snapshot
from esterward_sim.orders import AT_MOST_S, IDLE, FaultOrder, Moment
from esterward_sim.person import Person
from esterward_sim.plant import Plant
from esterward_sim.virtual import VirtualClock, VirtualRig

STUCK_S: Final = 12 * 3600.0  # nobody answers and nothing moves: the rehearsal ends
STOOD_S: Final = 3 * 3600.0   # the same when nothing is running that could move by itself
UNRECORDED: Final = "the record failed"
UNRECORDED_S: Final = 600.0  # the record stores nothing for so long: no more will come of it


@dataclass(slots=True)
class Result:
    """What a rehearsal came to; json() has the keys of `rehearse --json`."""

    state: str = "idle"
    stages: list[dict[str, Any]] = field(default_factory=list)
    peak_oil_c: float | None = None
    ceiling_c: float | None = None
    setpoint_c: float | None = None
    trips: list[str] = field(default_factory=list)
    alarms: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)
    faults: list[dict[str, Any]] = field(default_factory=list)
    flag: bool | None = None
    boiled_off_l: float = 0.0  # methanol lost by boiling, of the plant's truth as the next two
    local_boiling_s: float = 0.0
    flammable_s: float = 0.0
    showing: str = ""  # what the terminal asks at the end
    withheld: tuple[str, ...] = ()  # then, each "output: code of the fault"
    why: str = ""
    simulated_s: float = 0.0
    wall_s: float = 0.0
    events: list[Event] = field(default_factory=list)

    @property
    def complete(self) -> bool:
        return self.state == "complete"

    def json(self) -> dict[str, Any]:
        overshoot_k = None
        if self.peak_oil_c is not None and self.setpoint_c is not None:
            overshoot_k = round(self.peak_oil_c - self.setpoint_c, 3) + 0.0  # never -0.0
        return {
            "state": self.state, "stages": self.stages,
            "peak_oil_c": None if self.peak_oil_c is None else round(self.peak_oil_c, 3),
            "ceiling_c": None if self.ceiling_c is None else down(self.ceiling_c, 3),
            "setpoint_c": self.setpoint_c, "overshoot_k": overshoot_k,
            "trips": self.trips, "alarms": self.alarms, "asked": self.asked, "why": self.why,
            "methanol_flag": self.flag, "faults": self.faults,
            "boiled_off_l": round(self.boiled_off_l, 3),
            "local_boiling_s": round(self.local_boiling_s, 2),
            "headspace_flammable_s": round(self.flammable_s, 2),
            "simulated_s": round(self.simulated_s, 2), "wall_s": round(self.wall_s, 3),
        }


class _Tee:
    """The record port with a person's typing in front and an ear for the events."""

    def __init__(self, record: Record, hear: Callable[[tuple[Event, ...]], None]) -> None:
        self.record, self.hear = record, hear
        self.typed: list[Request] = []
        self.since_s: float | None = None  # when the record's trouble began

    @property
    def stored(self) -> int:
        return self.record.stored

    @property
    def fault(self) -> str:
        return self.record.fault

    def add(self, snapshot: Snapshot, outputs: Outputs, events: tuple[Event, ...],
            checkpoint: str | None) -> None:
        self.record.add(snapshot, outputs, events, checkpoint)
        if events:
            self.hear(events)

    def take_requests(self) -> tuple[Request, ...]:
        typed = tuple(self.typed)
        self.typed.clear()
        return typed + self.record.take_requests()

    def step(self, now_s: float) -> None:
        self.record.step(now_s)
        if not self.record.fault:
            self.since_s = None
        elif self.since_s is None:
            self.since_s = now_s

    def lost(self, now_s: float) -> bool:
        return self.since_s is not None and now_s - self.since_s > UNRECORDED_S


class Rehearsal:
    """Holds rig, person and fault orders; step() is a quarter second, run() the whole.

    until ends it early; parameters are the plant's (see plant.parameters). unrecorded_ends:
    whether ten minutes in which the record stores nothing end it.
    """

    def __init__(self, reactor: Reactor, batch: Batch, record: Record, *, seed: int = 1,
                 person: str = "prompt", faults: tuple[FaultOrder, ...] = (),
                 telemetry: Telemetry | None = None, clock: VirtualClock | None = None,
                 until: Moment | None = None, parameters: dict[str, Any] | None = None,
                 rig: type[VirtualRig] = VirtualRig) -> None:
        """rig: VirtualRig (through ports) or wires.WiredRig; close() gives back what it took."""
        self.result = Result()
        self._open: dict[str, Any] | None = None
        self._peaking = False
        self._started_s: float | None = None
        self._moved_s = 0.0
        self._stage_s: dict[str, float] = {}
        self._orders = list(faults)
        self._ending: list[tuple[FaultOrder, dict[str, Any]]] = []
        self._until = until
        self.unrecorded_ends = True
        self._tee = _Tee(record, self._hear)
        plant = Plant(reactor, batch, seed, **parameters) if parameters else None
        self.rig = rig(reactor, batch, record=self._tee, telemetry=telemetry, seed=seed,
                       clock=clock, plant=plant)
        self.person = Person(person, self.rig.plant, batch, self.rig.controller, seed)
        self.person.requests = self._tee.typed
        self._prompt = ""

    @property
    def record(self) -> Record:
        """The record that was given."""
        return self._tee.record

    def _hear(self, events: tuple[Event, ...]) -> None:
        result, now_s = self.result, self.rig.clock.time_s
        self._moved_s = now_s
        for event in events:
            result.events.append(event)
            data = event.data
            if event.kind == "batch_started":
                self._started_s = now_s
            elif event.kind == "stage_started":
                stage = str(data["stage"])
                self._stage_s.setdefault(stage, now_s)
                if stage == "heat":
                    self._peaking = True
            elif event.kind == "stage_ended":
                result.stages.append({
                    "stage": data["stage"], "started_s": data["started_s"],
                    "ended_s": event.at_s, "outcome": data["outcome"]})
                if data["stage"] == "mix":
                    self._peaking = False
            elif event.kind == "latched":
                result.trips.append(str(data["code"]))
            elif event.kind == "alarm_raised":
                result.alarms.append(str(data["code"]))

    def _since(self, stage: str) -> float | None:
        """When the stage first began, or the batch; None when it has not yet."""
        if stage == IDLE:
            return 0.0
        return self._stage_s.get(stage) if stage else self._started_s

    def reached(self, stage: str, at_s: float) -> bool:
        """Whether it is so many seconds since the stage first began, or the batch."""
        since = self._since(stage)
        return since is not None and self.rig.clock.time_s >= since + at_s

    def _give_faults(self) -> None:
        now_s, faults = self.rig.clock.time_s, self.rig.plant.faults
        for order, row in list(self._ending):
            if order.ends_s is not None and self.reached(order.stage, order.ends_s):
                faults.end(order.name)
                row["ended_s"] = now_s
                self._ending.remove((order, row))
        for order in list(self._orders):
            if self.reached(order.stage, order.at_s):
                faults.start(order.name, order.value)
                row = {"name": order.name, "value": faults.get(order.name), "started_s": now_s,
                       "ended_s": None}
                self.result.faults.append(row)
                self._orders.remove(order)
                if order.ends_s is not None:
                    self._ending.append((order, row))

    def step(self) -> None:
        """A quarter second of everything."""
        if self._orders or self._ending:
            self._give_faults()
        self.rig.quarter()
        self.person.printed = self.rig.controller  # another one after a boot
        status = self.rig.loop.status
        prompt = status.prompt if status is not None else ""
        if prompt != self._prompt:
            self._prompt = prompt
            if prompt:
                self.result.asked.append(prompt)
        self.person.step(self.rig.clock.time_s, status)
        if self._peaking:
            oil_c = self.rig.plant.oil_c
            if self.result.peak_oil_c is None or oil_c > self.result.peak_oil_c:
                self.result.peak_oil_c = oil_c

    @property
    def over(self) -> bool:
        """The batch ended, nobody moves any more, nothing is recorded, or it takes too long."""
        now_s = self.rig.clock.time_s
        if self._until is not None and self.reached(self._until.stage, self._until.at_s):
            return True
        state = self.rig.controller.process.state.state
        return (state in FINAL_STATES
                or now_s - self._moved_s > (STUCK_S if state == "running" else STOOD_S)
                or now_s > AT_MOST_S
                or (self.unrecorded_ends and self._tee.lost(now_s)))

    def run(self, show: Callable[[Rehearsal], None] | None = None) -> Result:
        """Until it is over; show is called once a simulated second."""
        began_s = time.perf_counter()
        count = 0
        while not self.over:
            self.step()
            count += 1
            if show is not None and count % 4 == 0:
                show(self)
        return self.finish(time.perf_counter() - began_s)

    def close(self) -> None:
        """Give back the rig's pins and folder, if it has any."""
        self.rig.close()

    def finish(self, wall_s: float) -> Result:
        """Fill in the end."""
        controller, result = self.rig.controller, self.result
        state = controller.process.state
        result.state, result.why = state.state, state.why
        if self._tee.fault:
            result.why = f"{UNRECORDED}: {self._tee.fault}"
        limits = controller.limits
        result.ceiling_c = limits.alarm_c if limits is not None else None
        result.setpoint_c = controller.sheet.setpoint_c
        if state.under_way:
            result.stages.append({
                "stage": controller.process.row.stage,
                "started_s": round(state.row_started_s, 3), "ended_s": None,
                "outcome": state.state})
        result.flag = controller.state.flag.set
        vapour = self.rig.plant.vapour
        result.boiled_off_l = vapour.boiled_off_l
        result.local_boiling_s, result.flammable_s = vapour.local_boiling_s, vapour.flammable_s
        status = self.rig.loop.status
        if status is not None:
            result.showing, result.withheld = status.prompt_text, status.withheld
        result.faults += [{"name": order.name, "value": order.value, "started_s": None,
                           "ended_s": None} for order in self._orders]
        result.simulated_s = self.rig.clock.time_s
        result.wall_s = wall_s
        return result
