"""A controller and its guard driven by hand: ideal contactors, mixer and oil.

Used by the tests of the core. The guard decides by its own rule, four times a second, from the
controller's message before. Nothing is simulated but what a healthy wire would say; a test
changes one thing in `override` (inputs, for both), `probe_a`, `probe_b` or `guard_changes`
(what is heard of the guard's report).
"""

from __future__ import annotations

import copy
import json
from dataclasses import replace
from typing import Any

from esterward.guard import rule
from esterward.safety.interlocks import INTERLOCKS, Interlock
from esterward.tick import Controller, Decision, from_plain
from esterward.values.batch import Batch
from esterward.values.messages import ControllerReport, GuardReport
from esterward.values.reactor import Reactor
from esterward.values.readings import Inputs, ProbeReading
from esterward.values.requests import Request
from esterward.values.snapshot import Snapshot

REACTOR = Reactor(name="bench", altitude_m=1120.0, vessel_l=200.0, element_w=3000.0,
                  loss_w_per_k=8.0, probes_checked=True, probe_a_id="a", probe_b_id="b",
                  digest="d1")
BATCH = Batch(name="bench lot", oil_volume_l=120.0, titration_readings_ml=(2.9, 3.1, 3.0),
              catalyst_purity=0.9, dewater="none")


class Bench:
    """One controller and the healthy world around it."""

    def __init__(self, reactor: Reactor = REACTOR, batch: Batch = BATCH,
                 interlocks: tuple[Interlock, ...] = INTERLOCKS) -> None:
        self.reactor, self.batch, self.interlocks = reactor, batch, interlocks
        self.controller = Controller(reactor, batch, interlocks=interlocks)
        self.now_s = 100.0
        self.oil_c = 20.0
        self.level_wet = False
        self.guard = rule.GuardState(unwritten=True)
        self.guard_config = rule.config_of(reactor)
        self.guard_stored = False
        self.report: GuardReport | None = None
        self.message: ControllerReport | None = None
        self.override: dict[str, Any] = {}
        self.guard_changes: dict[str, Any] = {}
        self.guard_at_s: float | None = None
        self.probe_a: ProbeReading | None = None
        self.probe_b: ProbeReading | None = None
        self.stored = 0
        self.stores = True
        self.record_fault = ""
        self.supply_low: bool | None = False
        self.wall_s: float | None = 1.8e9
        self.barometer_kpa: float | None = None
        self.boot = "b1"
        self.events: list[Any] = []
        self.last: Decision | None = None
        self.buttons = {"green": False, "black": False, "blue": False}
        self.warms = True
        self.element_share = 1.0     # of the element's power
        self.warms_off = False       # and whether it flows although K1 is commanded off
        self.dt_s = 1.0

    def inputs(self) -> Inputs:
        out = self.controller.outputs
        good = Inputs(
            estop_closed=True, level_wet=self.level_wet, cutout_closed=True,
            k1_open=not out.k1, k2_open=not self.guard.enabled,
            mixer_proof=out.mixer and self.guard.enabled, **self.buttons)
        return replace(good, **self.override)

    def snapshot(self, requests: tuple[Request, ...] = (), periodic: bool = True) -> Snapshot:
        reading = self._reading()
        assert self.report is not None
        at_s = self.report.at_s if self.guard_at_s is None else self.guard_at_s
        report = replace(self.report, at_s=at_s, inputs=self.inputs())
        report = replace(report, **self.guard_changes)
        return Snapshot(
            now_s=self.now_s, boot=self.boot, periodic=periodic, wall_s=self.wall_s,
            probe_a=self.probe_a or reading, barometer_kpa=self.barometer_kpa, guard=report,
            stored=self.stored, record_fault=self.record_fault, requests=requests,
            supply_low=self.supply_low)

    def _reading(self) -> ProbeReading:
        return ProbeReading(round(self.oil_c * 16) / 16, self.now_s)

    def guard_cycles(self, since_s: float = 1.0) -> None:
        """The guard's four cycles of the second that ends now, fewer of a part of one."""
        now_s = self.now_s
        probe_b = self.probe_b or self._reading()
        for back_s in (0.75, 0.5, 0.25, 0.0):
            if 0.0 < since_s <= back_s:
                continue
            at_s = now_s - back_s
            decision = rule.step(
                self.guard_config, self.guard, at_s, "b1", self.inputs(),
                replace(probe_b, at_s=min(probe_b.at_s, at_s)), self.barometer_kpa,
                self.message, self.guard_stored)
            self.guard_stored = decision.write is not None
            self.report = decision.report

    def tick(self, requests: tuple[Request, ...] = (), dt_s: float | None = None) -> Decision:
        dt_s = self.dt_s if dt_s is None else dt_s
        self.now_s += dt_s
        self.guard_cycles(dt_s)
        if self.warms and (self.controller.outputs.k1 or self.warms_off):
            self.oil_c += dt_s * 3000.0 * self.element_share / (120.0 * 0.918 * 2040.0)
        decision = self.controller.tick(self.snapshot(requests))
        self.last, self.message = decision, decision.message
        self.events += decision.events
        if self.stores:
            self.stored = self.controller.state.last_event
        return decision

    def ticks(self, count: int) -> Decision:
        for _ in range(count):
            decision = self.tick()
        return decision

    def set_oil(self, oil_c: float) -> None:
        """Oil at another temperature, believed by both as if it had come there slowly."""
        safety = self.controller.state.safety
        self.guard.good_c = self.oil_c = oil_c
        safety.probe_a.good_c = safety.probe_b.good_c = oil_c - 0.0625  # the next reading moves
        self.warms = False

    def press(self, *names: str, seconds: int = 1) -> None:
        for name in names:
            self.buttons[name] = True
        self.ticks(seconds)
        for name in names:
            self.buttons[name] = False
        self.ticks(1)

    def hold_green(self) -> None:
        self.press("green", seconds=2)
        self.ticks(2)

    @property
    def step(self) -> str:
        return self.controller.state.process.step

    @property
    def state(self) -> str:
        return self.controller.state.process.state

    def kinds(self) -> list[str]:
        return [event.kind for event in self.events]

    def why_withheld(self) -> dict[str, str]:
        return self.controller.state.safety.withheld

    def to_idle_ready(self) -> None:
        """Clear the flag, make the start checks."""
        self.ticks(3)
        self.press("green", "blue", seconds=6)
        self.override["estop_closed"] = False
        self.ticks(2)
        del self.override["estop_closed"]
        self.ticks(2)
        self.level_wet = True
        self.ticks(2)
        self.press("blue", seconds=6)

    def to_heating(self) -> None:
        """Run to the heat stage, element on."""
        self.to_idle_ready()
        self.hold_green()
        self.ticks(4)
        assert self.state == "running", self.events[-5:]
        self.press("blue")
        self.hold_green()
        for _ in range(200):
            self.tick()
            if self.step == "heat.warm" and self.controller.outputs.k1:
                break
        assert self.controller.outputs.k1
        self.ticks(70)
        assert self.controller.outputs.k1 and self.oil_c < 40.0

    def copy(self, interlocks: tuple[Interlock, ...] | None = None,
             batch: Batch | None = None) -> Bench:
        """Another bench in the same state, the controller through its plain form.

        interlocks: another table for it; batch: another batch.
        """
        whole = json.loads(json.dumps(self.controller.to_plain()))
        other = copy.copy(self)
        other.interlocks = self.interlocks if interlocks is None else interlocks
        other.batch = batch or self.batch
        other.controller = from_plain(self.reactor, other.batch, whole, other.interlocks)
        other.guard = copy.deepcopy(self.guard)
        other.override, other.buttons = dict(self.override), dict(self.buttons)
        other.guard_changes, other.events = dict(self.guard_changes), list(self.events)
        return other


def heating_bench(fitted: tuple[str, ...] = ()) -> Bench:
    """A bench that heats; with optional inputs on the full rig, all of them good and looked at."""
    bench = Bench(replace(REACTOR, rig_level="full" if fitted else "small", fitted=fitted))
    bench.override.update(dict.fromkeys(fitted, True))
    for name in ("lid", "vent"):
        bench.controller.state.process.checks.checks[name].done_boot = "b1"
    bench.to_heating()
    return bench
