"""The cycle around tick(): read, tick, write, tell the guard, hand over. The only sleep.

The order matters: outputs first, then the guard, then the record, then telemetry; nobody
behind the outputs can delay them. Durability comes back as a reading of the next snapshot.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass

from esterward.status import status_of
from esterward.tick import Controller, Decision
from esterward.values.messages import GuardReport
from esterward.values.outputs import SAFE
from esterward.values.ports import (
    Barometer,
    Clock,
    GuardLink,
    Probe,
    Record,
    Relays,
    Supply,
    Telemetry,
)
from esterward.values.readings import Inputs
from esterward.values.snapshot import Snapshot
from esterward.values.status import Status

TICK_S = 1.0
LOOK_S = 0.25  # how often the guard's messages are looked at between ticks


@dataclass(slots=True)
class Ports:
    """Everything the loop talks to. barometer, supply and telemetry may be absent."""

    clock: Clock
    probe: Probe
    relays: Relays
    guard: GuardLink
    record: Record
    barometer: Barometer | None = None
    supply: Supply | None = None
    telemetry: Telemetry | None = None


class Loop:
    """Drives one controller over its ports; look() is one look, run() goes on until told."""

    def __init__(self, controller: Controller, ports: Ports) -> None:
        self.controller, self.ports = controller, ports
        self.newest: GuardReport | None = None
        self.next_tick_s: float | None = None
        self.status: Status | None = None
        self._inputs: Inputs | None = None

    def look(self) -> Decision | None:
        """Take the guard's news; tick if a second is over, an input changed, or probe A is late."""
        now_s = self.ports.clock.now_s()
        report = self.ports.guard.take(now_s)
        if report is not None:
            self.newest = report
        if self.next_tick_s is None or now_s >= self.next_tick_s - 1e-6:
            self.next_tick_s = (now_s if self.next_tick_s is None
                                or now_s - self.next_tick_s > TICK_S
                                else self.next_tick_s) + TICK_S
            return self._tick(now_s, True)
        changed = (report is not None and report.inputs is not self._inputs
                   and report.inputs != self._inputs)
        if changed or self.controller.probe_lapsed(now_s):
            return self._tick(now_s, False)
        return None

    def _tick(self, now_s: float, periodic: bool) -> Decision:
        ports, controller = self.ports, self.controller
        self._inputs = self.newest.inputs if self.newest is not None else None
        requests = ports.record.take_requests() if periodic else ()
        if ports.telemetry is not None and periodic:
            requests += ports.telemetry.take_requests()
        snapshot = Snapshot(
            now_s=now_s, boot=ports.clock.boot, periodic=periodic,
            wall_s=ports.clock.wall_s(), probe_a=ports.probe.read(now_s),
            barometer_kpa=None if ports.barometer is None else ports.barometer.read(now_s),
            guard=self.newest, stored=ports.record.stored, record_fault=ports.record.fault,
            requests=requests,
            supply_low=None if ports.supply is None else ports.supply.read(now_s))
        decision = controller.tick(snapshot)
        ports.relays.write(decision.outputs, now_s)
        ports.guard.send(decision.message, now_s)
        checkpoint = None
        if decision.checkpoint:
            # A state that no start would read again ends this one, while the last is still good.
            checkpoint = json.dumps(controller.to_plain(), separators=(",", ":"), allow_nan=False)
        ports.record.add(snapshot, decision.outputs, decision.events, checkpoint)
        ports.record.step(now_s)
        if periodic or decision.events:
            self.status = status_of(controller, now_s)
            if ports.telemetry is not None:
                ports.telemetry.show(self.status, decision.events, now_s, snapshot.wall_s,
                                     ports.record.stored)
                ports.telemetry.step(now_s)
        return decision

    def run(self, go_on: Callable[[], bool]) -> None:
        """Look four times a second until go_on() says no; then outputs off."""
        clock = self.ports.clock
        try:
            due_s = clock.now_s()
            while go_on():
                self.look()
                due_s = max(due_s + LOOK_S, clock.now_s())
                if self.next_tick_s is not None:
                    # Looks that a busy moment has shifted must not make every later tick late.
                    due_s = min(due_s, self.next_tick_s)
                clock.wait(due_s)
        finally:
            self.ports.relays.write(SAFE, clock.now_s())
