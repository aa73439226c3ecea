"""Real processes on the bench: bench, guard, controller, each with its own pins and signals.

A Rig starts them in a folder and asks the bench for its stamps. Which controller runs is a
command, so that a stand-in and `esterward run` are tried by the same tests.
"""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import threading
import time
from contextlib import suppress
from pathlib import Path
from types import TracebackType
from typing import Any

from esterward.guard import prepared
from esterward.settings.files import load_reactor

REACTOR_FILE = Path(__file__).parents[1] / "firmware/config/reactor.toml"
REACTOR = load_reactor(REACTOR_FILE)
# A guard that hangs inside on SIGUSR1: its own code is untouched, its main thread sleeps.
GUARD = """
import signal, time
signal.signal(signal.SIGUSR1, lambda *_: time.sleep(600))
from esterward.cli.guard import guard
guard()
"""
STAND_IN = (sys.executable, str(Path(__file__).with_name("stand_in_controller.py")))
HURT = {"killed": signal.SIGKILL, "stopped": signal.SIGSTOP, "hung": signal.SIGUSR1}


class Rig:
    """One reactor's processes. changes holds what the bench said, oldest first."""

    def __init__(self, folder: Path, controller: tuple[str, ...] = STAND_IN) -> None:
        self.folder, self._controller = folder, controller
        for name in ("run", "state"):
            (folder / name).mkdir(parents=True)
        (folder / "guard.json").write_text(prepared.to_text(prepared.prepare(REACTOR)), "utf-8")
        # The entry point as an installation writes it, whatever is installed here.
        info = folder / "path" / "bench_pins-0.dist-info"
        info.mkdir(parents=True)
        (info / "METADATA").write_text("Metadata-Version: 2.1\nName: bench-pins\nVersion: 0\n")
        (info / "entry_points.txt").write_text(
            "[gpiozero_pin_factories]\nesterward-bench = esterward_sim.bench_pins:BenchFactory\n")
        self._env = {
            **os.environ, "PYTHONPATH": str(folder / "path"),
            "GPIOZERO_PIN_FACTORY": "esterward-bench", "ESTERWARD_BENCH": str(folder / "board")}
        self.changes: list[dict[str, Any]] = []
        self._started: list[subprocess.Popen[str]] = []
        self._news = threading.Condition()
        self.bench = subprocess.Popen(
            [sys.executable, "-m", "esterward_sim.bench", str(folder), str(REACTOR_FILE)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self._ear = threading.Thread(target=self._listen, daemon=True)
        self._ear.start()
        self.guard: subprocess.Popen[str] | None = None
        self.controller: subprocess.Popen[str] | None = None
        until(lambda: (folder / "board").exists(), "the bench did not start")

    def _listen(self) -> None:
        assert self.bench.stdout is not None
        for line in self.bench.stdout:
            with self._news:
                self.changes.append(json.loads(line))
                self._news.notify_all()

    def tell(self, **command: Any) -> None:
        """One command to the bench."""
        assert self.bench.stdin is not None
        self.bench.stdin.write(json.dumps(command) + "\n")
        self.bench.stdin.flush()

    def start_guard(self) -> subprocess.Popen[str]:
        self.guard = self._start("guard", [
            sys.executable, "-c", GUARD, "--config", str(self.folder / "guard.json"),
            "--runtime", str(self.folder / "run"), "--state", str(self.folder / "state"),
            "--w1", str(self.folder / "w1")])
        return self.guard

    def start_controller(self) -> subprocess.Popen[str]:
        self.controller = self._start("controller", [*self._controller, str(self.folder)])
        return self.controller

    def _start(self, name: str, command: list[str]) -> subprocess.Popen[str]:
        with (self.folder / f"{name}.log").open("a", encoding="utf-8") as log:
            process = subprocess.Popen(command, env=self._env, stderr=log, text=True)
        self._started.append(process)
        return process

    def heat(self) -> None:
        """Fill warm oil, start both, clear the guard's flag by hand, wait until it heats."""
        self.tell(hands=["pour_oil", 120.0, 50.0, 1.0])
        self.start_guard()
        self.start_controller()
        self.wait("mixer", True)
        time.sleep(1.2)  # a press counts only if the buttons were seen up before it
        for name in ("green", "blue"):
            self.tell(set=[name, True])
        time.sleep(6.5)
        for name in ("green", "blue"):
            self.tell(set=[name, False])
        self.wait("element", True)
        self.wait("mixer", True)

    def level(self, what: str) -> bool:
        with self._news:
            return next((c["level"] for c in reversed(self.changes) if c["what"] == what), False)

    def wait(self, what: str, level: bool, seconds: float = 30.0) -> float:
        """Until the bench says so; its stamp."""
        end_s = time.monotonic() + seconds
        with self._news:
            while True:
                newest = next((c for c in reversed(self.changes) if c["what"] == what), None)
                if newest is not None and newest["level"] is level:
                    return float(newest["at_s"])
                left_s = end_s - time.monotonic()
                assert left_s > 0.0, f"{what} did not become {level}: {self.logs()}"
                self._news.wait(left_s)

    def logs(self) -> str:
        return " | ".join(path.read_text("utf-8")[-600:] for path in self.folder.glob("*.log"))

    def close(self) -> None:
        for process in (*self._started, self.bench):
            if process.poll() is None:
                process.kill()
            process.wait(10)
        self._ear.join(5)
        for pipe in (self.bench.stdin, self.bench.stdout):
            assert pipe is not None
            with suppress(BrokenPipeError):
                pipe.close()

    def __enter__(self) -> Rig:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self.close()


def until(true: Any, what: str, seconds: float = 20.0) -> None:
    """Wait for another process, which only real time can do."""
    end_s = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end_s, what
        time.sleep(0.01)
