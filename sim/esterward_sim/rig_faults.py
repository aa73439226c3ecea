"""Faults of computers, clocks and disk, acted out on the virtual rig.

The plant holds which faults are active; this looks there before every step. A blackout kills
controller and guard where they stand and boots both from what was stored: the guard from its
file, the controller from the last checkpoint whose events were on the disk. The record's file
itself is not closed and opened again here; tests/record and tests/processes do that.
"""

from __future__ import annotations

import json
from collections import deque
from typing import TYPE_CHECKING, Final

from esterward.guard import rule
from esterward.loop import Loop
from esterward.tick import Controller, from_plain
from esterward.values.events import Event
from esterward.values.outputs import SAFE, Outputs
from esterward.values.ports import Record
from esterward.values.requests import Request
from esterward.values.snapshot import Snapshot

if TYPE_CHECKING:
    from esterward_sim.virtual import VirtualRig

CONVERSION_S: Final = 1.0
DISK_FULL: Final = "the disk is full"
Tick = tuple[Snapshot, Outputs, tuple[Event, ...], str | None]


class Disk:
    """The record port with a disk behind it that may stop storing.

    checkpoint is the newest state whose events are stored: what a start would find.
    """

    def __init__(self, record: Record) -> None:
        self.record = record
        self.failing = False
        self.checkpoint: str | None = None
        self._stored = 0
        self._waiting: deque[Tick] = deque()
        self._states: deque[tuple[int, str]] = deque(maxlen=8)

    @property
    def stored(self) -> int:
        return self._stored if self.failing else self.record.stored

    @property
    def fault(self) -> str:
        return DISK_FULL if self.failing else self.record.fault

    def fail(self, failing: bool) -> None:
        """Let the disk stop storing, or store again."""
        self._stored = self.record.stored
        self.failing = failing

    def add(self, snapshot: Snapshot, outputs: Outputs, events: tuple[Event, ...],
            checkpoint: str | None) -> None:
        self._waiting.append((snapshot, outputs, events, checkpoint))
        while self._waiting and not self.failing:
            tick = self._waiting.popleft()
            self.record.add(*tick)
            if tick[3] is not None:
                self._remember(tick[2], tick[3])

    def _remember(self, events: tuple[Event, ...], checkpoint: str) -> None:
        before = self._states[-1][0] if self._states else 0
        self._states.append((events[-1].number if events else before, checkpoint))

    def lose_power(self) -> None:
        """What was not stored is gone."""
        self._waiting.clear()
        for number, checkpoint in self._states:
            if number <= self.stored:
                self.checkpoint = checkpoint

    def take_requests(self) -> tuple[Request, ...]:
        return self.record.take_requests()

    def step(self, now_s: float) -> None:
        if not self.failing:
            self.record.step(now_s)


class RigFaults:
    """What of the rig is broken now. quarter() of the rig asks before each step."""

    def __init__(self) -> None:
        self._seen = 0
        self._slow_s = 0.0
        self._slept_s = 0.0
        self._jumped_s = 0.0
        self.boots = 1
        self.dark = False
        self._off_s = 0.0
        self.hung = False

    def step(self, rig: VirtualRig, dt_s: float) -> bool:
        """Take over what began or ended; True when the controller looks in this quarter."""
        faults = rig.plant.faults
        if faults.version != self._seen:
            self._seen = faults.version
            self._apply(rig)
        if self.dark or self.hung or rig.controller_dead:
            return False
        if self._slow_s:
            self._slept_s += dt_s
            if self._slept_s < self._slow_s:
                return False
            self._slept_s = 0.0
        return True

    def _apply(self, rig: VirtualRig) -> None:
        faults, guard = rig.plant.faults, rig.guard
        for name, probe in (("a", rig.probe), ("b", guard.probe)):
            probe.hung = f"probe_{name}_hangs" in faults
            probe.conversion_s = faults.get(f"probe_{name}_slow") or CONVERSION_S
        self.hung = "controller_hangs" in faults
        self._slow_s = faults.get("controller_slow") or 0.0
        jump_s = faults.get("clock_jump") or 0.0
        rig.clock.offset_s += jump_s - self._jumped_s
        self._jumped_s = jump_s
        rig.clock.unset = "clock_unset" in faults
        failing = "record_fails" in faults
        if failing is not rig.disk.failing:
            rig.disk.fail(failing)
        guard.hung = "guard_hangs" in faults
        if rig.broker is not None:
            if "broker_gone" in faults:
                rig.broker.close()
            else:
                rig.broker.restart()
        dark = "blackout" in faults
        if dark and not self.dark:
            self._power_off(rig)
        elif self.dark and not dark:
            self._boot(rig)
        self.dark = dark

    def _power_off(self, rig: VirtualRig) -> None:
        self._off_s = rig.clock.time_s
        rig.disk.lose_power()
        rig.relays.outputs = SAFE
        rig.guard.enable = rig.guard.beat = False
        rig.guard.dead = True
        rig.loop.status = None  # the terminal is dark

    def _boot(self, rig: VirtualRig) -> None:
        self.boots += 1
        boot, guard, old = f"rehearsal-{self.boots}", rig.guard, rig.controller
        rig.clock.boot = guard.boot = boot
        guard.dead, guard.message, guard.newest = False, None, None
        guard.state, guard.stored = rule.read_file(guard.file), False
        text = rig.disk.checkpoint
        if text is None:
            controller = Controller(old.reactor, old.file_batch)
        else:
            controller = from_plain(old.reactor, old.file_batch, json.loads(text))
            controller.process.state.stood_still(rig.clock.time_s - self._off_s)
            controller.restarted("the power was off", rig.disk.stored)
        rig.controller, rig.loop = controller, Loop(controller, rig.loop.ports)
