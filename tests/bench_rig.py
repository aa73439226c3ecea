"""Real processes on the bench: bench, guard, controller, each with its own pins and signals.

A Rig starts `esterward guard` and `esterward run` in a folder and asks the bench for its stamps.
"""

from __future__ import annotations

import json
import os
import pickle
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
from esterward.record.journal import Journal
from esterward.settings.files import load_reactor
from esterward.state import ControllerState
from esterward.values.events import EventLog
from esterward.values.outputs import SAFE
from esterward.values.plain import to_plain
from esterward.values.readings import NO_READING
from esterward.values.snapshot import Snapshot

CONFIG = Path(__file__).parents[1] / "firmware/config"
# The shipped example with an air pump besides, so that all three loads can run at once.
REACTOR_TEXT = (CONFIG / "reactor.toml").read_text("utf-8").replace(
    'level = "small"', 'level = "full"')
BATCH_TEXT = (CONFIG / "batch.toml").read_text("utf-8").replace(
    'method = "settle"', 'method = "none"')
# The real commands, their code untouched: on SIGUSR1 they hang inside (the main thread sleeps),
# on SIGUSR2 they fail inside (an exception comes out of whatever the main thread is doing).
COMMAND = """
import signal, time
signal.signal(signal.SIGUSR1, lambda *_: time.sleep(600))
def fail(*_):
    raise LookupError("a mistake made on purpose")
signal.signal(signal.SIGUSR2, fail)
from esterward.cli.{name} import {name}
{name}()
"""
# The bench with the reactor as it was read here: to read the file anew would cost it as much
# processor time again as all the rest of its start.
BENCH = """
import pickle, sys
from pathlib import Path
from esterward_sim.bench import main
main(Path(sys.argv[1]), pickle.loads(bytes.fromhex(sys.argv[2])), float(sys.argv[3]))
"""
BOOT = Path("/proc/sys/kernel/random/boot_id").read_text("ascii").strip()
LOADS = ("element", "mixer", "air")
HURT = {"killed": signal.SIGKILL, "stopped": signal.SIGSTOP, "hung": signal.SIGUSR1}


class Rig:
    """One reactor's processes. changes holds what the bench said, oldest first.

    look_s: how often the bench looks, so how late a stamp may be.
    """

    def __init__(self, folder: Path, reactor_text: str = REACTOR_TEXT,
                 look_s: float = 0.01) -> None:
        self.folder = folder
        for name in ("run", "state"):
            (folder / name).mkdir(parents=True)
        reactor_file = folder / "reactor.toml"
        reactor_file.write_text(reactor_text, "utf-8")
        (folder / "batch.toml").write_text(BATCH_TEXT, "utf-8")
        reactor = load_reactor(reactor_file)
        (folder / "guard.json").write_text(prepared.to_text(prepared.prepare(reactor)), "utf-8")
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
            [sys.executable, "-c", BENCH, str(folder), pickle.dumps(reactor).hex(),
             str(look_s)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        self._ear = threading.Thread(target=self._listen, daemon=True)
        self._ear.start()
        self.guard: subprocess.Popen[str] | None = None
        self.controller: subprocess.Popen[str] | None = None
        until(lambda: (folder / "board").exists(), "the bench did not start", 60.0)

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
        self.guard = self._start("guard", "--config", str(self.folder / "guard.json"),
                                 "--state", str(self.folder / "state"))
        return self.guard

    def start_controller(self, *arguments: str) -> subprocess.Popen[str]:
        self.controller = self._start(
            "run", "--reactor", str(self.folder / "reactor.toml"),
            "--record", str(self.folder / "record.sqlite"), *arguments)
        return self.controller

    def _start(self, name: str, *arguments: str) -> subprocess.Popen[str]:
        with (self.folder / f"{name}.log").open("a", encoding="utf-8") as log:
            process = subprocess.Popen(
                [sys.executable, "-c", COMMAND.format(name=name), *arguments,
                 "--runtime", str(self.folder / "run"), "--w1", str(self.folder / "w1"),
                 *(("--hwmon", str(self.folder / "hwmon")) if name == "run" else ())],
                env=self._env, stdout=log, stderr=log, text=True)
        self._started.append(process)
        return process

    def command(self, name: str, *arguments: str) -> subprocess.CompletedProcess[str]:
        """A command that is expected to end by itself."""
        return subprocess.run(
            [sys.executable, "-c", "from esterward.cli import main; main()", name, *arguments],
            env=self._env, capture_output=True, text=True, timeout=60)

    def leave_unfinished(self, step: str) -> None:
        """A record as a controller left it behind that was stopped in this step, flag set."""
        state = ControllerState()
        state.process.state, state.process.step = "running", step
        log = EventLog(0, 0.0)
        log.add("note", text="left behind for a test")
        state.last_event = log.last
        journal = Journal(self.folder / "record.sqlite", boot=BOOT, now_s=time.monotonic())
        journal.attach({"batch.toml": BATCH_TEXT})
        now_s = time.monotonic()
        journal.add(Snapshot(now_s, BOOT, True, None, NO_READING, None, None, 0), SAFE,
                    tuple(log.events), json.dumps(to_plain(state)))
        journal.close(now_s)

    def press(self, *buttons: str, seconds: float = 0.5) -> None:
        """Buttons down together for so long, then up, and a moment in which they are seen up."""
        for name in buttons:
            self.tell(set=[name, True])
        time.sleep(seconds)
        for name in buttons:
            self.tell(set=[name, False])
        time.sleep(1.2)

    def press_until(self, words: str, *buttons: str, seconds: float) -> None:
        """As a person does: the same press again when a busy machine missed one."""
        for _ in range(5):
            self.press(*buttons, seconds=seconds)
            with suppress(AssertionError):
                self.said(words, seconds=3.0)
                return
        raise AssertionError(f"{buttons} never led to {words!r}: {self.logs()}")

    def said(self, words: str, name: str = "run", seconds: float = 120.0) -> None:
        """Until the process has said these words on its terminal."""
        log = self.folder / f"{name}.log"
        until(lambda: log.exists() and words in log.read_text("utf-8"),
              f"{name} never said {words!r}: {self.logs()}", seconds)

    def dry(self) -> None:
        """Both started over cold fuel, and by buttons from the washed statement into drying,
        where element, mixer and air are on."""
        self.leave_unfinished("wash.statement")
        self.tell(hands=["pour_oil", 120.0, 15.0, 1.0])
        self.start_guard()
        self.start_controller()
        self.said("Held (the controller was stopped")
        self.said("methanol flag set", "guard")
        time.sleep(1.2)  # a press counts only if the buttons were seen up before it
        self.press_until("Is all methanol out", "green", seconds=3.5)
        self.press_until("methanol flag cleared", "green", "blue", seconds=6.6)
        for what in LOADS:
            self.wait(what, True)
        self.as_installed()

    def as_installed(self) -> None:
        """The priorities that the units give, where the tests may; the bench is the instrument.

        Only once they have started: other rigs that start meanwhile then hold nothing up here.
        """
        for process, nice in ((self.guard, -10), (self.controller, -5), (self.bench, -10)):
            assert process is not None
            for task in Path(f"/proc/{process.pid}/task").iterdir():
                with suppress(PermissionError, ProcessLookupError):
                    os.setpriority(os.PRIO_PROCESS, int(task.name), nice)

    def level(self, what: str) -> bool:
        with self._news:
            return next((c["level"] for c in reversed(self.changes) if c["what"] == what), False)

    def wait(self, what: str, level: bool, seconds: float = 60.0) -> float:
        """Until the bench says so; its stamp."""
        end_s = time.monotonic() + seconds
        with self._news:
            while True:
                assert self.bench.poll() is None, "the bench ended"
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


def until(true: Any, what: str, seconds: float = 60.0) -> None:
    """Wait for another process, which only real time can do."""
    end_s = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end_s, what
        time.sleep(0.01)
