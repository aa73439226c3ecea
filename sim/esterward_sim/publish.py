"""A rehearsal in public: a broker, the firmware's own MQTT link, an independent subscriber.

The subscriber is another process that knows only the public topics; what it prints is what
any other program on the network would have heard.
"""

from __future__ import annotations

import queue
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from contextlib import ExitStack, suppress
from typing import Final

from esterward import __version__
from esterward.cli.errors import Refused
from esterward.safety.faults import FAULTS
from esterward.telemetry.link import MqttLink
from esterward.values.reactor import Reactor
from esterward_sim.broker import EmbeddedBroker, NoBroker

CONNECT_S: Final = 5.0
LINK_S: Final = 10.0  # to connect; drain() returns as soon as it stands, amqtt takes about 1 s
GOODBYE_S: Final = 3.0


class Heard:
    """The lines the subscriber process has printed so far, each given once."""

    def __init__(self, host: str, port: int, device_id: str) -> None:
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._child = subprocess.Popen(
            [sys.executable, "-m", "esterward_sim.listener", host, str(port), device_id],
            stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, text=True,
            start_new_session=True)  # what went wrong is told here, once
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self._child.stdout is not None
        for line in self._child.stdout:
            self._lines.put(line.rstrip())

    def lines(self) -> list[str]:
        """What was heard since the last call, marked as heard over MQTT."""
        found = []
        with suppress(queue.Empty):
            while True:
                found.append("  mqtt " + self._lines.get_nowait())
        return found

    def listening(self, within_s: float) -> bool:
        """Wait until it listens; its first line says so and is kept for lines()."""
        until_s = time.monotonic() + within_s
        while time.monotonic() < until_s and self._child.poll() is None:
            if not self._lines.empty():
                return True
            time.sleep(0.02)
        return False

    def last_words(self) -> list[str]:
        """Let it end by itself after the goodbye, and give what is left."""
        with suppress(subprocess.TimeoutExpired):
            self._child.wait(GOODBYE_S)
        self._reader.join(0.5)
        return self.lines()

    def close(self) -> None:
        if self._child.poll() is None:
            self._child.terminate()
            with suppress(subprocess.TimeoutExpired):
                self._child.wait(GOODBYE_S)
        self._reader.join(0.5)
        if not self._reader.is_alive() and self._child.stdout is not None:
            self._child.stdout.close()


def open_link(stack: ExitStack, where: tuple[str, int] | str, reactor: Reactor,
              boot: str) -> tuple[MqttLink, Heard, EmbeddedBroker | None]:
    """Link, subscriber and the broker (started here for "embedded"), all closed by the stack."""
    broker = None
    if isinstance(where, str):
        try:
            broker = stack.enter_context(EmbeddedBroker())
        except NoBroker as error:
            raise Refused(f"--broker embedded: {error}.") from None
        host, port = broker.host, broker.port
    else:
        host, port = where
    heard = Heard(host, port, reactor.mqtt_id)
    stack.callback(heard.close)
    if not heard.listening(CONNECT_S):
        raise Refused(f"--broker {host}:{port}: no broker answers there; start it, or write "
                      "embedded or none.")
    link = MqttLink(host, port, reactor.mqtt_id, reactor.name, boot,
                    version=__version__, alarm_codes=tuple(FAULTS), submit=_aside)
    stack.callback(link.close)
    if not link.drain(0.0, LINK_S):
        raise Refused(f"--broker {host}:{port}: the broker takes nothing from here "
                      f"({link.fault or 'no answer'}); write embedded or none, or let it accept "
                      "clients without a password.")
    return link, heard, broker


def _aside(work: Callable[[], None]) -> None:
    """Looking up a host name may take seconds: in a thread, so that nothing waits for it."""
    threading.Thread(target=work, daemon=True).start()
