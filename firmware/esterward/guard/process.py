"""The guard as a process: polls the inputs, steps the rule, drives beat and enable.

A cycle: messages, probe, rule; then the enable level, the file if the rule asks for it (K2 is
open then), the report, and last the edge of the beat. Whatever stops a cycle stops the edges,
and the timer in front of K2 lapses 2 s later. It knows no network and no stage, and reads
nothing but guard.json, its own file, its lines, its probe and the one socket.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from esterward.guard import rule
from esterward.guard.link import GuardSocket
from esterward.guard.prepared import Prepared
from esterward.hardware.beat import Beat
from esterward.hardware.relays import open_output
from esterward.hardware.service import tell_supervisor
from esterward.hardware.switches import POLL_S, Switches
from esterward.values.ports import Barometer, Clock, Probe

CYCLE_S: Final = 0.25
STATE_FILE: Final = "guard-state.json"
RETRY_WRITE_S: Final = 5.0
LATE_S: Final = 0.5        # a decision older than this when it is to act is thrown away


def read_state(path: Path) -> rule.GuardState:
    """What the guard remembered: no file is a first start, an unreadable one is doubt."""
    try:
        text: str | None = path.read_text("utf-8")
    except FileNotFoundError:
        text = None
    except (OSError, UnicodeDecodeError):
        text = ""
    return rule.read_file(text)


def write_state(path: Path, text: str) -> None:
    """Replace the file as a whole; on disk when this returns. OSError when it is not."""
    beside = path.with_suffix(".new")
    handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, 0o640)
    try:
        data = text.encode("utf-8")
        while data:
            data = data[os.write(handle, data):]
        os.fsync(handle)
    finally:
        os.close(handle)
    beside.replace(path)
    folder = os.open(path.parent, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    try:
        os.fsync(folder)
    finally:
        os.close(folder)


class Guard:
    """The guard with its devices; run() polls each POLL_S and cycles each CYCLE_S."""

    def __init__(self, config: rule.GuardConfig, *, clock: Clock, switches: Switches, beat: Beat,
                 probe: Probe, barometer: Barometer | None, link: GuardSocket, state_file: Path,
                 say: Callable[[str], None]) -> None:
        self.config, self.clock = config, clock
        self.switches, self.beat, self.probe, self.barometer = switches, beat, probe, barometer
        self.link, self.state_file, self._say = link, state_file, say
        self.state = read_state(state_file)
        self._stored = self._ready = False
        self._write_again_s = float("-inf")
        self._said: tuple[bool, bool, tuple[str, ...]] | None = None

    def cycle(self, now_s: float) -> rule.GuardDecision:
        """One whole cycle; the beat gets its edge only at the very end."""
        message = self.link.step()
        kpa = None if self.barometer is None else self.barometer.read(now_s)
        decision = rule.step(
            self.config, self.state, now_s, self.clock.boot, self.switches.inputs(),
            self.probe.read(now_s), kpa, message, self._stored)
        if not self.clock.now_s() - now_s <= LATE_S:
            # Stopped or starved between reading and acting: what was seen is not of now.
            self.beat.set_enable(False)
            self._stored = False
            return decision
        self.beat.set_enable(decision.enable)
        self._stored = decision.write is not None and self._write(decision.write, now_s)
        self.link.send(decision.report)
        self.beat.edge()
        tell_supervisor(*(() if self._ready else ("READY=1",)), "WATCHDOG=1")
        self._ready = True
        self._tell(decision)
        return decision

    def _write(self, text: str, now_s: float) -> bool:
        if now_s < self._write_again_s:
            return False
        try:
            write_state(self.state_file, text)
        except OSError as error:
            self._write_again_s = now_s + RETRY_WRITE_S
            self._say(f"cannot write {self.state_file}: {error.strerror}; K2 stays open")
            return False
        return True

    def _tell(self, decision: rule.GuardDecision) -> None:
        report = decision.report
        now = (report.enable, report.flag, report.latches)
        if now == self._said:
            return
        self._said = now
        parts = ["lets K2 close" if report.enable else "keeps K2 open",
                 "methanol flag set" if report.flag else "methanol flag clear"]
        if report.latches:
            parts.append("latched: " + ", ".join(report.latches))
        self._say("; ".join(parts))

    def run(self, go_on: Callable[[], bool]) -> None:
        """Poll and cycle until told to stop; outputs low on every way out."""
        clock = self.clock
        try:
            next_cycle_s = clock.now_s()
            while go_on():
                self.switches.poll()
                now_s = clock.now_s()
                if self.switches.ready and now_s >= next_cycle_s:
                    next_cycle_s = max(next_cycle_s + CYCLE_S, now_s)
                    self.cycle(now_s)
                clock.wait(now_s + POLL_S)
        finally:
            self.beat.off()
            tell_supervisor("STOPPING=1")


def open_lines(factory: Any, prepared: Prepared) -> tuple[Beat, Switches]:
    """Claim the guard's lines: the two outputs first, low, then the inputs."""
    beat = Beat(open_output(factory, prepared.beat_bcm),
                open_output(factory, prepared.enable_bcm))
    return beat, Switches.open(factory, prepared.inputs)


def say_on_stderr(text: str) -> None:
    """One line for the journal."""
    print(f"guard: {text}", file=sys.stderr, flush=True)
