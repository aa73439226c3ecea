"""The bench: plant, beat timer and contactors as a process of their own, in real time.

Guard and controller run as real programs with the pins of bench_pins.py; whatever is done to
them, this process goes on and stamps every change with CLOCK_MONOTONIC. It reads commands from
stdin and writes changes to stdout, one JSON object a line:

    {"set": ["green", true]}             a hand: any attribute of plant.hands
    {"hands": ["pour_oil", 120, 50, 1]}  a hand's method with its numbers
    {"fault": "mixer_stalled"}  {"end": "mixer_stalled"}
    {"probe": ["b", "empty"]}            live, empty or blocked
    {"stamp": ["k1", "beat"]}            from now on say each time such a line is driven, also to
                                         the level it has, and when the bench itself stood still
    {"quit": true}
    <- {"at_s": 812.355, "what": "k2", "level": false}
    <- {"at_s": 812.605, "what": "drive beat", "level": true}
    <- {"at_s": 812.731, "what": "bench still", "level": true, "s": 0.034}

Run: python -m esterward_sim.bench FOLDER [reactor.toml]. It makes FOLDER/board, FOLDER/w1
and FOLDER/hwmon.
"""

from __future__ import annotations

import json
import os
import select
import sys
import time
from pathlib import Path
from typing import Any, Final

from esterward.hardware import pins
from esterward.values.batch import Batch
from esterward.values.reactor import Reactor
from esterward_sim.bench_pins import SharedBoard
from esterward_sim.plant import Lines, Plant
from esterward_sim.wires import HwmonFolder, KernelFolder

STEP_S: Final = 0.005
SHOW_S: Final = 1.0
STILL_S: Final = 0.02
PROBE_MODES: Final = ("live", "empty", "blocked")


class Bench:
    """One reactor behind shared pins. step() takes the time that has really gone by."""

    def __init__(self, folder: Path, reactor: Reactor, batch: Batch | None = None) -> None:
        self.reactor = reactor
        self.board = SharedBoard(folder / "board", create=True)
        lines = pins.board(reactor)
        self._out = {**pins.owned(lines, pins.CONTROLLER, pins.OUT),
                     **pins.owned(lines, pins.GUARD, pins.OUT)}
        self._in = pins.owned(lines, pins.GUARD, pins.IN)
        (folder / "w1").mkdir(exist_ok=True)
        self._w1 = KernelFolder(folder / "w1")
        self._hwmon = HwmonFolder(folder / "hwmon")
        self.plant = Plant(reactor, batch if batch is not None else Batch(oil_volume_l=120.0))
        self.probes = {"a": "live", "b": "live"}
        self._shown_s = float("-inf")
        self._seen: dict[str, bool] = {}
        self._writes: dict[str, int] = {}  # of the lines to stamp

    def step(self, now_s: float, dt_s: float) -> list[dict[str, Any]]:
        """Go on by dt_s; returns what changed, stamped."""
        driven = {name: self.board.driven(bcm) for name, bcm in self._out.items()}
        self.plant.step(dt_s, Lines(**driven))
        inputs = self.plant.inputs()
        for name, bcm in self._in.items():
            self.board.put(bcm, getattr(inputs, name) is True)
        if now_s - self._shown_s >= SHOW_S:
            self._shown_s = now_s
            self._show()
        electrical = self.plant.electrical
        levels = {f"line {name}": level for name, level in driven.items() if name != "beat"} | {
            "k1": electrical.k1_closed, "k2": electrical.k2_closed,
            "element": electrical.power > 0.0, "mixer": electrical.mixer_on,
            "air": electrical.air_on}
        changes = [{"at_s": now_s, "what": what, "level": level}
                   for what, level in levels.items() if self._seen.get(what, False) is not level]
        self._seen = levels
        if self._writes:
            changes += self._stamps(now_s, dt_s, driven)
        return changes

    def _stamps(self, now_s: float, dt_s: float, driven: dict[str, bool]) -> list[dict[str, Any]]:
        stamps = []
        for name, before in self._writes.items():
            writes = self.board.writes(self._out[name])
            if writes != before:
                self._writes[name] = writes
                stamps.append({"at_s": now_s, "what": f"drive {name}", "level": driven[name]})
        if dt_s > STILL_S:
            stamps.append({"at_s": now_s, "what": "bench still", "level": True, "s": dt_s})
        return stamps

    def _show(self) -> None:
        for which, sensor, c in (("a", self.reactor.probe_a_id, self.plant.probe_a_c()),
                                 ("b", self.reactor.probe_b_id, self.plant.probe_b_c())):
            if self.probes[which] == "live":
                self._w1.show(sensor, c)
        self._hwmon.show(self.plant.supply_low())

    def take(self, command: dict[str, Any]) -> bool:
        """One command; False ends the bench. Mistakes raise: only tests write them."""
        if "set" in command:
            name, value = command["set"]
            getattr(self.plant, name)
            setattr(self.plant, name, value)
        elif "hands" in command:
            name, *numbers = command["hands"]
            getattr(self.plant, name)(*numbers)
        elif "fault" in command:
            self.plant.faults.start(command["fault"])
        elif "end" in command:
            self.plant.faults.end(command["end"])
        elif "probe" in command:
            self._probe(*command["probe"])
        elif "stamp" in command:
            self._writes = {name: self.board.writes(self._out[name])
                            for name in command["stamp"]}
        return "quit" not in command

    def _probe(self, which: str, mode: str) -> None:
        if mode not in PROBE_MODES:
            raise ValueError(f"a probe is {', '.join(PROBE_MODES)}, not {mode}")
        sensor = self.reactor.probe_a_id if which == "a" else self.reactor.probe_b_id
        self.probes[which] = mode
        if mode in ("live", "blocked"):
            self._w1.remove(sensor)
        if mode == "empty":
            self._w1.put(sensor, "")
        elif mode == "blocked":
            (self._w1.root / sensor).mkdir()
            os.mkfifo(self._w1.root / sensor / "w1_slave")


def main(folder: Path, reactor: Reactor, step_s: float = STEP_S) -> None:
    """Serve stdin until it closes or says quit; step_s: how often it looks."""
    bench = Bench(folder, reactor)
    buffer = b""
    last_s = time.monotonic()
    while True:
        ready, _, _ = select.select([0], [], [], step_s)
        if ready:
            data = os.read(0, 65536)
            if not data:
                return
            *lines, buffer = (buffer + data).split(b"\n")
            if not all(bench.take(json.loads(line)) for line in lines):
                return
        now_s = time.monotonic()
        for change in bench.step(now_s, now_s - last_s):
            print(json.dumps(change), flush=True)
        last_s = now_s


if __name__ == "__main__":
    from esterward.settings.files import load_reactor

    chosen = sys.argv[2] if len(sys.argv) > 2 else str(
        Path(__file__).parents[2] / "firmware/config/reactor.toml")
    main(Path(sys.argv[1]), load_reactor(chosen))
