"""A guard's rule on the bench: inputs, messages and buttons changed by hand, cycle after cycle."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

from esterward.chemistry import boiling
from esterward.guard import rule
from esterward.values.messages import ControllerReport
from esterward.values.reactor import Reactor
from esterward.values.readings import Inputs, ProbeReading

REACTOR = Reactor(altitude_m=1120.0, vessel_l=200.0, element_w=3000.0, digest="d1")
GOOD = Inputs(estop_closed=True, level_wet=True, cutout_closed=True, k1_open=True, k2_open=False,
              mixer_proof=True)
KPA = boiling.limits(1120.0).p_eff_kpa
GUARD_TRIP_C = boiling.limits(1120.0).guard_trip_c


class Bench:
    """A guard that has been letting energy flow, flag clear, on disk."""

    def __init__(self, reactor: Reactor = REACTOR, flag: bool = False) -> None:
        self.config = rule.config_of(reactor)
        text = json.dumps({"version": 1, "flag": flag, "latches": []})
        self.state = rule.read_file(text)
        self.now_s = 1000.0
        self.inputs = GOOD
        self.c: float | None = 50.0
        self.probe: ProbeReading | None = None
        self.message: dict[str, Any] = {"k1": not flag, "flag": flag}
        self.silent_since_s: float | None = None
        self.barometer_kpa: float | None = None
        self.stored = False
        self.stores = True
        self.written: list[str] = []
        if not flag:
            self.inputs = replace(GOOD, k1_open=False)
        self.cycle()

    def report(self) -> ControllerReport | None:
        whole: dict[str, Any] = {
            "count": 1, "at_s": self.now_s, "boot": "b", "k1": False, "k2_wanted": True,
            "flag": False, "trip_c": 57.0, "pressure_kpa": KPA, "hash": "d1", **self.message}
        if self.silent_since_s is not None:
            whole["at_s"] = self.silent_since_s
        return ControllerReport(**whole)

    def cycle(self, count: int = 1) -> rule.GuardDecision:
        for _ in range(count):
            self.now_s += 0.25
            reading = self.probe or ProbeReading(self.c, self.now_s)
            decision = rule.step(self.config, self.state, self.now_s, "b", self.inputs, reading,
                                 self.barometer_kpa, self.report(), self.stored)
            self.stored = self.stores and decision.write is not None
            if decision.write is not None:
                assert not decision.enable and self.inputs.k2_open
                self.written.append(decision.write)
        return decision

    def press(self, seconds: float, *names: str) -> rule.GuardDecision:
        self.inputs = replace(self.inputs, **dict.fromkeys(names, True))
        self.cycle(round(seconds * 4) + 1)
        self.inputs = replace(self.inputs, **dict.fromkeys(names, False))
        return self.cycle()
