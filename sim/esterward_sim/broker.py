"""A broker for one rehearsal: Mosquitto where it is installed, else amqtt, as a child process.

Loopback only, on a free port, without passwords and without a store. The child is a small
keeper that ends the broker when its own standard input closes, so the broker ends with the
rehearsal even when that is killed with SIGKILL. Ctrl-C on the terminal does not reach it: the
controller must still be able to say goodbye.

    with EmbeddedBroker() as broker:
        print(broker.kind, broker.host, broker.port)
"""

from __future__ import annotations

import importlib.util
import os
import shutil
import socket
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from types import TracebackType
from typing import Final

HOST: Final = "127.0.0.1"
MOSQUITTO, AMQTT = "mosquitto", "amqtt"
START_S: Final = 10.0
END_S: Final = 3.0
TRIES: Final = 3  # another program may take the port between finding and using it


class NoBroker(RuntimeError):
    """No broker could be started; the text says why and what to install."""


def mosquitto_path() -> str | None:
    """Where Mosquitto is; distributions put it in sbin, which is often not on the PATH."""
    search = os.pathsep.join([os.environ.get("PATH", os.defpath), "/usr/sbin", "/usr/local/sbin"])
    return shutil.which(MOSQUITTO, path=search)


def free_port() -> int:
    """A port of the loopback that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind((HOST, 0))
        port: int = probe.getsockname()[1]
        return port


def choose_kind() -> str:
    """Which broker can be had here; NoBroker when none."""
    if mosquitto_path():
        return MOSQUITTO
    if importlib.util.find_spec(AMQTT):
        return AMQTT
    raise NoBroker("no broker is installed: install Mosquitto (apt install mosquitto) or, "
                   "in the project's folder, .venv/bin/pip install -e \".[sim]\"; or rehearse with "
                   "--broker none")


class EmbeddedBroker:
    """A running broker; close() or the end of the with block ends it. kind names which.

    restart() lets it come back after close(), on the same port and with nothing remembered.
    """

    def __init__(self, kind: str = "") -> None:
        self.kind = kind or choose_kind()
        self.host = HOST
        self.port = 0
        self._keeper: subprocess.Popen[bytes] | None = None
        for _ in range(TRIES):
            if self._start():
                return
        raise NoBroker(f"the {self.kind} broker did not start within {START_S:.0f} s")

    def restart(self) -> None:
        """Come back after close(); NoBroker when somebody else took the port meanwhile."""
        if self._keeper is None and not self._start(self.port):
            raise NoBroker(f"the {self.kind} broker did not start again on port {self.port}")

    def _start(self, port: int = 0) -> bool:
        self.port = port or free_port()
        self._keeper = subprocess.Popen(
            [sys.executable, "-m", "esterward_sim.broker", self.kind, str(self.port)],
            stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
            start_new_session=True)
        ends_s = time.monotonic() + START_S
        while time.monotonic() < ends_s and self._keeper.poll() is None:
            try:
                socket.create_connection((self.host, self.port), timeout=1.0).close()
            except OSError:
                time.sleep(0.02)
                continue
            if self._keeper.poll() is None:
                return True
        self.close()
        return False

    def close(self) -> None:
        """End the broker and wait for it."""
        keeper, self._keeper = self._keeper, None
        if keeper is None:
            return
        assert keeper.stdin is not None
        keeper.stdin.close()
        try:
            keeper.wait(END_S)
        except subprocess.TimeoutExpired:
            keeper.kill()
            keeper.wait()

    def __enter__(self) -> EmbeddedBroker:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None,
                 trace: TracebackType | None) -> None:
        self.close()


# -- the keeper: runs in the child ---------------------------------------------------------


def _keep_mosquitto(port: int) -> int:
    program = mosquitto_path()
    if program is None:
        return 2
    with tempfile.TemporaryDirectory(prefix="esterward-broker-") as folder:
        settings = Path(folder) / "mosquitto.conf"
        settings.write_text(f"listener {port} {HOST}\nallow_anonymous true\npersistence false\n"
                            "set_tcp_nodelay true\n", encoding="ascii")
        with subprocess.Popen([program, "-c", str(settings)], stdin=subprocess.DEVNULL) as child:
            # Either side may end first: our standard input, or the broker itself.
            threading.Thread(target=_end_with_input, args=(child,), daemon=True).start()
            return child.wait()


def _end_with_input(child: subprocess.Popen[bytes]) -> None:
    sys.stdin.buffer.read()
    child.terminate()
    try:
        child.wait(END_S / 2)
    except subprocess.TimeoutExpired:
        child.kill()


def _keep_amqtt(port: int) -> int:
    import asyncio

    from amqtt.broker import Broker

    config = {
        "listeners": {"default": {"type": "tcp", "bind": f"{HOST}:{port}"}},
        "plugins": {"amqtt.plugins.authentication.AnonymousAuthPlugin": {"allow_anonymous": True}},
    }

    async def serve() -> None:
        await Broker(config).start()
        await asyncio.to_thread(sys.stdin.buffer.read)
        # Its orderly shutdown waits for every client and prints tracebacks; nothing is
        # stored, so the process simply ends.
        os._exit(0)

    asyncio.run(serve())
    return 0


def main(arguments: list[str]) -> int:
    """Keep one broker until standard input closes: KIND PORT."""
    kind, port = arguments
    return _keep_mosquitto(int(port)) if kind == MOSQUITTO else _keep_amqtt(int(port))


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
