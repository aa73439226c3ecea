"""A real Mosquitto, its own command-line client, and a plain status, for the tests beside."""

from __future__ import annotations

import shutil
import signal
import socket
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from esterward.values.status import Alarm, Status
from esterward_sim.broker import free_port, mosquitto_path

DEVICE = "reactor-7"
ROOT = f"homie/5/{DEVICE}/"


def make_status(**changes: Any) -> Status:
    plain: dict[str, Any] = {
        "batch": "lot-4", "state": "running", "stage": "heat", "step": "heat", "title": "heat",
        "elapsed_s": 10.0, "step_s": 10.0, "left_s": 900.0, "progress": 0.25, "oil_c": 41.0625,
        "oil_age_s": 0.3, "setpoint_c": 55.0, "ceiling_c": 57.4, "boiling_c": 61.4,
        "flag": False, "element": True, "mixer": True, "air": False, "withheld": (),
        "prompt": "", "prompt_text": "", "answers": "", "presence_left_s": 3000.0,
        "presence_wanted": False, "alarms": (), "first_out": "", "latches": (),
        "credit_min": 0.0, "settled_s": 0.0, "repeat": 1}
    return Status(**{**plain, **changes})


ALARM = Alarm("F-12", "high", "unacknowledged", "Probe A gives no value.", "Check its plug.")


class Mosquitto:
    """One broker process; stop() and start() keep the port, freeze() is SIGSTOP."""

    def __init__(self, folder: Path) -> None:
        self.port = free_port()
        self._settings = folder / "mosquitto.conf"
        self._settings.write_text(
            f"listener {self.port} 127.0.0.1\nallow_anonymous true\npersistence false\n",
            encoding="ascii")
        self.process: subprocess.Popen[bytes] | None = None
        self.start()

    @classmethod
    def begun(cls, folder: Path) -> Mosquitto:
        """A running one; where there is none to run, the test is a listed skip."""
        if mosquitto_path() is None:
            pytest.skip("Mosquitto is not installed (apt install mosquitto)")
        return cls(folder)

    def start(self) -> None:
        program = mosquitto_path()
        assert program
        self.process = subprocess.Popen([program, "-c", str(self._settings)],
                                        stderr=subprocess.DEVNULL)
        until(lambda: reachable(self.port), "Mosquitto listens")

    def stop(self) -> None:
        if self.process is not None:
            self.process.kill()
            self.process.wait()
            self.process = None

    def freeze(self) -> None:
        assert self.process
        self.process.send_signal(signal.SIGSTOP)


class Watcher:
    """mosquitto_sub in a process of its own; messages are (retained, topic, payload)."""

    def __init__(self, port: int, *topics: str) -> None:
        program = shutil.which("mosquitto_sub")
        if program is None:
            pytest.skip("mosquitto_sub is not installed (apt install mosquitto-clients)")
        self.messages: list[tuple[bool, str, str]] = []
        # Subscribed to last, so this retained mark comes back after every other retained one; with
        # QoS 0 it would overtake those of QoS 1 that wait for acknowledgements.
        subprocess.run([program.removesuffix("sub") + "pub", "-h", "127.0.0.1", "-p", str(port),
                        "-q", "1", "-r", "-t", "mark", "-m", "x"], check=True)
        arguments = [program, "-h", "127.0.0.1", "-p", str(port), "-q", "1", "-V", "5",
                     "-F", "%r %t %p"]
        for topic in (*(topics or (ROOT + "#", "homeassistant/#")), "mark"):
            arguments += ["-t", topic]
        self._subscribed = threading.Event()
        self._process = subprocess.Popen(arguments, stdout=subprocess.PIPE)
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()
        if not self._subscribed.wait(5.0):
            self.close()
            pytest.fail("mosquitto_sub did not subscribe")

    def _read(self) -> None:
        assert self._process.stdout
        for raw in self._process.stdout:
            retained, topic, payload = raw.decode("utf-8").rstrip("\n").split(" ", 2)
            if topic == "mark":
                self._subscribed.set()
            else:
                self.messages.append((retained == "1", topic, payload))

    def of(self, name: str) -> list[str]:
        """Payloads on this topic below the device, in order."""
        return [payload for _, topic, payload in list(self.messages) if topic == ROOT + name]

    def close(self) -> None:
        self._process.kill()  # it ignores SIGTERM while it reconnects
        self._process.wait()
        self._thread.join(2.0)
        assert self._process.stdout
        self._process.stdout.close()


def reachable(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), timeout=1.0).close()
    except OSError:
        return False
    return True


def until(true: Callable[[], Any], what: str, within_s: float = 8.0,
          meanwhile: Callable[[], Any] = lambda: None) -> None:
    """Wait for another process; fails with words when it does not happen."""
    ends_s = time.monotonic() + within_s
    while not true():
        assert time.monotonic() < ends_s, f"did not happen within {within_s} s: {what}"
        meanwhile()
        time.sleep(0.01)
